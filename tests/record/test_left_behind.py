"""What the last run at a bench may have left there."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from harness.record.csv_text import word
from harness.record.left_behind import left_at

HERE, ELSEWHERE = "TCPIP0::192.0.2.10::5025::SOCKET", "TCPIP0::192.0.2.20::5025::SOCKET"
CONNECTED, TAKEN_OFF = "battery connected", "battery disconnected"


def run(results: Path, at: str, *loads: str, supply: str = HERE) -> str:
    """Write the journal of a run that was cut short; return its name."""
    name = f"20261127T{at}Z-HRW-0011-0a1b"
    (results / name).mkdir(parents=True)
    rows = [f"0.0,plan,,{word(json.dumps({'serial': 'HRW-0011', 'supply': supply}))}\n"]
    rows += [f"{1.0 + number},load,charge,{load}\n" for number, load in enumerate(loads)]
    text = "time_s,kind,step,detail\n" + "".join(rows)
    (results / name / "events.csv").write_text(text, encoding="utf-8")
    return name


class TestLeftAt:
    def test_a_battery_of_the_last_run_is_told_of(self, tmp_path: Path) -> None:
        """With what to do first, and which run it was."""
        run(tmp_path, "080000", CONNECTED, TAKEN_OFF)
        name = run(tmp_path, "090000", CONNECTED)
        told = left_at(tmp_path, HERE)

        assert told.startswith("A BATTERY MAY STILL BE CONNECTED: measure, and disconnect it first")
        assert told.endswith(f"(last said of it: {CONNECTED}); the run was {name}")

    @pytest.mark.parametrize("loads", [(), (CONNECTED, TAKEN_OFF)])
    @pytest.mark.parametrize("power", [True, False])
    def test_a_later_run_there_has_seen_to_it(
        self, tmp_path: Path, loads: tuple[str, ...], *, power: bool
    ) -> None:
        """The one before was told of when that began; one that was refused saw to nothing."""
        run(tmp_path, "080000", CONNECTED)
        name = run(tmp_path, "090000", *loads)
        if power:
            with (tmp_path / name / "events.csv").open("a", encoding="utf-8") as file:
                file.write("9.0,power off,charge,confirmed\n")

        assert bool(left_at(tmp_path, HERE)) is not power

    def test_runs_at_another_bench_count_for_nothing(self, tmp_path: Path) -> None:
        """Neither do they leave anything here, nor do they see to what is here."""
        run(tmp_path, "080000", CONNECTED)
        run(tmp_path, "090000", supply=ELSEWHERE)

        assert left_at(tmp_path, HERE)
        assert left_at(tmp_path, ELSEWHERE) == ""

    def test_where_nothing_can_be_read_nothing_is_said(self, tmp_path: Path) -> None:
        """No folder, no journal, no plan in it, or one that is no JSON."""
        assert left_at(tmp_path / "none", HERE) == ""
        (tmp_path / "20261127T070000Z-HRW-0011-0a1b").mkdir()
        broken = tmp_path / "20261127T080000Z-HRW-0011-0a1b"
        broken.mkdir()
        for text in ("", "time_s,kind,step,detail\n0.0,plan,,{\n1.0,load,,battery connected\n"):
            (broken / "events.csv").write_text(text, encoding="utf-8")
            assert left_at(tmp_path, HERE) == ""
