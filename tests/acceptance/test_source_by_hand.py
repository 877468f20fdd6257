"""Whole runs on the outside bench with a source that a hand sets, in processes of their own.

The hand is a thread that reads the journal, as a person reads the screen, and turns what stands
there; it turns too far, too fast or not at all where a case says so.
"""

from __future__ import annotations

import contextlib
import csv
import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.outside.partner import OutsideBench
from tests.outside.runs import Ended, Running, profile_text

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="finds the keeper's process in /proc, and sends POSIX signals"
)

#: Longest time from what ends a run to an open contact.
LONGEST_S = 2.0
#: Each question is answered by Enter.
TYPED = "\n" * 50


@dataclass(frozen=True)
class Case:
    """What the hand does, and what happens at nominal voltage."""

    hand: dict[str, Any] = field(default_factory=dict)
    at_nominal: Callable[[OutsideBench, Running], Any] | None = None


@dataclass(frozen=True)
class Ran:
    """How a run ended, what the bench saw, and when something happened to it."""

    ended: Ended
    bench: OutsideBench
    happened_s: float

    @property
    def on_after_s(self) -> float:
        """Return how long power was on after it happened."""
        offs = [event["t"] for event in self.bench.events("power", on=False)]
        return max(0.0, max(offs) - self.happened_s) if offs else float("inf")


def misbehave(name: str, **keys: Any) -> Callable[[OutsideBench, Running], Any]:
    return lambda bench, _: bench.control("misbehave", name=name, **keys)


def keeper_of(run: Running) -> int:
    """Return the id of the keeper's process."""
    pid = run.process.pid
    [child] = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    return int(child)


CASES = {
    "healthy": Case(),
    "too far": Case({"does": "too-far"}),
    "too fast": Case({"does": "too-fast"}),
    "nobody turns": Case({"does": "nothing", "patience": "2 s"}),
    "left up": Case({"does": "leaves-it-up"}),
    "welded": Case(at_nominal=misbehave("contact-welded")),
    "meter silent": Case(at_nominal=misbehave("silent", who="power_meter")),
    "terminal closed": Case(at_nominal=lambda _, run: run.process.send_signal(signal.SIGHUP)),
    "keeper killed": Case(at_nominal=lambda _, run: os.kill(keeper_of(run), signal.SIGKILL)),
    "engine killed": Case(at_nominal=lambda _, run: run.process.kill()),
}


class Hand:
    """Reads the journal, and turns to what it says."""

    def __init__(self, bench: OutsideBench, results: Path) -> None:
        self._bench, self._results = bench, results
        self._over = threading.Event()
        self.turned_to: list[float] = []
        self.at_nominal = threading.Event()
        self._thread = threading.Thread(target=self._follow)

    @contextlib.contextmanager
    def turning(self) -> Iterator[None]:
        """Turn for as long as the block runs."""
        self._thread.start()
        try:
            yield
        finally:
            self._over.set()
            self._thread.join()

    def _follow(self) -> None:
        seen = 0
        while not self._over.wait(0.05):
            rows = self._rows()
            for row in rows[seen:]:
                if row["kind"] == "turn":
                    volts = float(row["detail"].split()[1])
                    self.turned_to.append(volts)
                    self._bench.control("turn", to_v=volts)
                if row["kind"] == "settled" and row["detail"].startswith("nominal"):
                    self.at_nominal.set()
            seen = len(rows)

    def _rows(self) -> list[dict[str, str]]:
        for path in self._results.glob("*/events.csv"):
            text = path.read_text(encoding="utf-8")
            whole = text[: text.rfind("\n") + 1]  # a row may be half written
            return list(csv.DictReader(whole.splitlines()))
        return []


def carry_out(folder: Path, case: Case) -> Ran:
    """Run the product once with a hand at the source."""
    config = {
        "kind": "ac",
        "load": False,
        "power_meter": True,
        "switch": True,
        "hand": {"lamp_v": 120, "lamp_w": 100, **case.hand},
        "latency_s": {"power_meter": 0.05},
    }
    text = profile_text("ac", load=False, nominal="1500 ms", levels=("30 %", "100 %"))
    with OutsideBench(folder, config) as bench, Running(bench, text, typed=TYPED) as running:
        hand = Hand(bench, running.results)
        happened_s = 0.0
        with hand.turning():
            if case.at_nominal is not None:
                assert hand.at_nominal.wait(40.0)
                happened_s = time.monotonic()
                case.at_nominal(bench, running)
            ended = running.end(60.0)
            if ended.code < 0:  # the keeper goes on, and writes the last words
                assert ended.record is not None
                journal = ended.record / "events.csv"
                bench.wait(
                    lambda _: "power off" in journal.read_text(encoding="utf-8"),
                    longest_s=5 * LONGEST_S,
                )
    return Ran(ended, bench, happened_s)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """Every case, some at a time: they wait for hands most of the time."""
    folder = tmp_path_factory.mktemp("hand")

    def one(name: str) -> Ran:
        return carry_out(folder / name.replace(" ", "-"), CASES[name])

    with ThreadPoolExecutor(5) as pool:
        return dict(zip(CASES, pool.map(one, CASES), strict=True))


def test_a_steady_hand_releases_a_healthy_unit(ran: dict[str, Ran]) -> None:
    """Turned through the levels, held, judged, cut by the switch: released, and nothing left on."""
    healthy = ran["healthy"]
    assert healthy.ended.code == 0, healthy.ended.screen
    assert healthy.ended.released
    assert not healthy.bench.left_on
    assert "TURN TO" in healthy.ended.screen or "turn: to 36 V" in healthy.ended.screen


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("too far", "turned_too_far"),
        ("too fast", "turned_too_fast"),
        ("nobody turns", "not_turned"),
        ("left up", "turned_too_far"),
    ],
)
def test_what_a_hand_does_wrong_is_cut_and_told(
    ran: dict[str, Ran], name: str, reason: str
) -> None:
    """Exit 3, with the reason on the screen and in the record; power is off."""
    case = ran[name]
    assert case.ended.code == 3, case.ended.screen
    assert case.ended.reason == reason
    assert reason in case.ended.screen
    assert not case.bench.left_on


def test_a_hand_that_jerks_never_reaches_the_unit_s_nominal_voltage(ran: dict[str, Ran]) -> None:
    """It is cut within a few readings."""
    [off] = ran["too fast"].bench.events("power", on=False)
    [on] = ran["too fast"].bench.events("power", on=True)
    assert off["t"] - on["t"] < 5.0


def test_a_welded_contact_is_told_in_capitals(ran: dict[str, Ran]) -> None:
    """Power may still be on: exit 6, and to cut the mains by hand."""
    welded = ran["welded"]
    assert welded.ended.code == 6, welded.ended.screen
    screen = " ".join(welded.ended.screen.split())
    assert "CUT THE MAINS OF THE SUPPLY NOW" in screen
    assert "THE CONTACT IN THE FEED IS NOT KNOWN TO BE OPEN" in screen
    assert welded.ended.run["released"] is False
    assert welded.bench.left_on


def test_a_power_meter_that_falls_silent_opens_the_contact(ran: dict[str, Ran]) -> None:
    """The contact opens; that nothing is read any more does not count as off."""
    silent = ran["meter silent"]
    assert silent.ended.code == 6, silent.ended.screen
    assert silent.on_after_s < LONGEST_S
    assert not silent.bench.left_on
    assert "the contact in the feed is open, and says so" in " ".join(silent.ended.screen.split())


@pytest.mark.parametrize(
    ("name", "code"), [("terminal closed", 129), ("engine killed", -9), ("keeper killed", 3)]
)
def test_whoever_goes_leaves_the_contact_open(ran: dict[str, Ran], name: str, code: int) -> None:
    """A closed terminal, an engine or a keeper that is killed: off within two seconds, and told."""
    gone = ran[name]
    assert gone.ended.code == code, gone.ended.screen
    assert gone.on_after_s < LONGEST_S
    assert not gone.bench.left_on
    assert gone.ended.record is not None
    events = (gone.ended.record / "events.csv").read_text(encoding="utf-8")
    assert "power off" in events
