"""Figures of the same unit from earlier runs."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.record.earlier import earlier_figures
from harness.record.figures import EarlierFigure, Figure, Figures, figures_detail
from harness.record.recorder import Recorder
from harness.report.page import RunReport

Leave = Callable[..., Path]
TITLE = "Mount controller board, 24 V DC in, 5 V DC out"


@pytest.fixture
def leave(tmp_path: Path, account: Callable[..., dict[str, Any]]) -> Leave:
    """Return a function that leaves a record of a day, with one figure and one without a value."""

    def make(day: int, value: float, *, serial: str = "HRW-0007", **changed: Any) -> Path:
        started = dt.datetime(2026, 11, day, 6, 31, tzinfo=dt.UTC)
        recorder = Recorder(tmp_path, serial=serial, started=started, renderer=RunReport())
        told = Figures(
            of="start",
            figures=(
                Figure(measure="start.bulk_capacitance", unit="F", value=value, expanded=9e-6),
                Figure(measure="start.energy", unit="J", why_not="no power was read"),
            ),
        )
        recorder.event(1.0, "figures", "start", figures_detail(told))
        return recorder.finish(account(started_utc=started, **changed))

    return make


def found(results: Path, *, serial: str = "HRW-0007", rehearsal: bool = False) -> list[float]:
    """The capacitances of earlier runs, newest first."""
    told = earlier_figures(results, serial=serial, title=TITLE, rehearsal=rehearsal)
    return [each.value for each in told]


class TestEarlier:
    def test_the_newest_comes_first(self, tmp_path: Path, leave: Leave) -> None:
        """Figures of the same unit come newest first, with run and date; without a value, none."""
        leave(3, 471e-6)
        newest = leave(9, 466e-6)

        told = earlier_figures(tmp_path, serial="HRW-0007", title=TITLE, rehearsal=False)

        assert [each.value for each in told] == [466e-6, 471e-6]
        assert told[0] == EarlierFigure(
            run=newest.name,
            date="2026-11-09",
            of="start",
            measure="start.bulk_capacitance",
            unit="F",
            value=466e-6,
            expanded=9e-6,
        )

    def test_three_runs_are_enough(self, tmp_path: Path, leave: Leave) -> None:
        """The three latest runs with figures are named."""
        for day in range(1, 6):
            leave(day, float(day))

        assert found(tmp_path) == [5.0, 4.0, 3.0]

    def test_another_unit_says_nothing(self, tmp_path: Path, leave: Leave) -> None:
        """Another serial number, one that reads the same in a name, or another kind counts not."""
        leave(1, 1e-6, serial="HRW-0008")
        leave(2, 2e-6, serial="HRW/0007")
        leave(3, 3e-6, title="Another board")

        assert found(tmp_path) == []
        assert found(tmp_path, serial="HRW_0007") == []
        assert found(tmp_path, serial="HRW/0007") == [2e-6]

    def test_a_rehearsal_stands_beside_rehearsals(self, tmp_path: Path, leave: Leave) -> None:
        """Simulated figures never stand beside those of a real unit, nor the other way."""
        leave(1, 1e-6, rehearsal=True)
        leave(2, 2e-6)

        assert found(tmp_path) == [2e-6]
        assert found(tmp_path, rehearsal=True) == [1e-6]

    def test_a_record_that_changed_says_nothing(self, tmp_path: Path, leave: Leave) -> None:
        """A record whose bytes changed is not believed."""
        folder = leave(1, 1e-6)
        events = folder / "events.csv"
        events.write_text(events.read_text().replace("1e-06", "9e-06"))

        assert found(tmp_path) == []

    def test_no_folder_is_no_error(self, tmp_path: Path) -> None:
        """Before the first run there is no results folder, and nothing earlier."""
        assert found(tmp_path / "none") == []
