"""What the keeper adds to the journal of an engine that is gone."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.record.events import EventKind
from harness.record.examine import examine
from harness.record.last_words import Words, add_last_words, battery_in

ON = "time_s,kind,step,detail\n0.1,switching on,start,\n0.2,power on,start,\n"
WORDS: Words = [
    (0.2, EventKind.POWER_ON, ""),
    (1.0, EventKind.TRIP, "client_silent: the program, gone"),
    (1.1, EventKind.POWER_OFF, "confirmed"),
]
TRIP, OFF = '1.0,trip,,"client_silent: the program, gone"\n', "1.1,power off,,confirmed\n"


def events(folder: Path, text: str) -> Path:
    """Write a journal's events."""
    path = folder / "events.csv"
    path.write_text(text, encoding="utf-8")
    return path


class TestSaid:
    """What a record that was cut short can still tell of power."""

    @pytest.mark.parametrize(
        ("text", "said"),
        [
            ("time_s,kind,step,detail\n", ""),
            (ON, "power may have stayed on: power on at 0.2 s of the run is the last"),
            (ON + TRIP + OFF, "output off was confirmed at 1.1 s of the run, by its journal"),
            (ON + "1.1,power off,,unconfirmed\n", "output off was unconfirmed at 1.1 s"),
        ],
    )
    def test_the_reason_says_it(self, tmp_path: Path, text: str, said: str) -> None:
        """The last word of its journal stands in its reason: off, or perhaps on."""
        events(tmp_path, text)
        reason = examine(tmp_path).facts["reason"]

        assert (said in reason) if said else reason.endswith("its record damaged")


LOADS = {
    "measured": ('"battery 12 V, 7 Ah: 12.6 V before it is connected"', True),
    "measured, of no kind": ('"battery: 12.6 V before it is connected"', True),
    "nobody measured": ('"battery 12 V, 7 Ah: nobody measured its voltage"', False),
    "connected": ('"battery 12 V, 7 Ah connected"', True),
    "not connected": ('"battery 12 V, 7 Ah not connected"', False),
    "taken off": ("battery disconnected", False),
    "not taken off": ("battery not disconnected", True),
    "a resistor": ("resistor 10 ohm connected", False),
}


class TestBattery:
    """What a record that was cut short can still tell of a battery."""

    @pytest.mark.parametrize("name", LOADS)
    def test_the_reason_says_that_it_may_be_there(self, tmp_path: Path, name: str) -> None:
        """From when it was measured until somebody took it off, with what to do first."""
        detail, there = LOADS[name]
        events(tmp_path, f"{ON}{OFF}2.0,load,charge,{detail}\n")
        reason = examine(tmp_path).facts["reason"]

        assert ("A BATTERY MAY STILL BE CONNECTED: measure, and disconnect it first" in reason) is (
            there
        )
        assert "output off was confirmed at 1.1 s" in reason

    @pytest.mark.parametrize(("last", "there"), [("connected", True), ("disconnected", False)])
    def test_the_last_word_counts(self, tmp_path: Path, last: str, *, there: bool) -> None:
        """One that was taken off and connected again is there."""
        words = ["connected", "disconnected", "connected", last]
        rows = "".join(f"{at}.0,load,charge,battery {word}\n" for at, word in enumerate(words, 2))
        events(tmp_path, ON + OFF + rows)

        assert bool(battery_in(tmp_path)) is there

    def test_without_a_journal_nothing_is_said(self, tmp_path: Path) -> None:
        """Nobody knows."""
        assert battery_in(tmp_path) == ""


class TestLastWords:
    @pytest.mark.parametrize(
        ("before", "after"),
        [
            (ON, ON + TRIP + OFF),
            (ON + TRIP, ON + TRIP + OFF),
            (ON + TRIP + OFF, ON + TRIP + OFF),
            (ON + "0.9,sett", ON + "0.9,sett\n" + TRIP + OFF),
            (ON + OFF + "0.5,switching on,start,\n", None),
        ],
        ids=["nothing yet", "half", "all", "a row cut off", "an earlier off does not count"],
    )
    def test_what_is_missing_is_added(self, tmp_path: Path, before: str, after: str | None) -> None:
        """What became of power since it last came on stands in the journal, and once."""
        path = events(tmp_path, before)
        add_last_words(tmp_path, WORDS)

        assert path.read_text(encoding="utf-8") == (before + TRIP + OFF if after is None else after)

    def test_a_finished_record_is_left_alone(self, tmp_path: Path) -> None:
        """Nothing is added to what is sealed."""
        path = events(tmp_path, ON)
        (tmp_path / "run.json").write_text("{}", encoding="utf-8")
        add_last_words(tmp_path, WORDS)

        assert path.read_text(encoding="utf-8") == ON

    def test_a_folder_that_is_gone_costs_nothing(self, tmp_path: Path) -> None:
        """Power is off, and nobody is there to hear of an error."""
        add_last_words(tmp_path / "gone", WORDS)

        assert list(tmp_path.iterdir()) == []
