"""What a start told of the unit, as ``results show`` prints it."""

from __future__ import annotations

import datetime as dt
import io
import json

from rich.console import Console

from harness.cli.figures_shown import figures_shown
from harness.record.figures import figures_detail, known_detail
from harness.record.recorder import MemoryRecorder
from tests.record.test_figures import KNOWN, TOLD


def printed(*events: tuple[str, str]) -> list[str]:
    """Return what is printed of a record with these events, line by line."""
    recorder = MemoryRecorder(serial="7", started=dt.datetime(2026, 11, 25, tzinfo=dt.UTC))
    for kind, detail in events:
        recorder.event(1.0, kind, "start", detail)
    out = Console(file=io.StringIO(), width=80)
    with out.capture() as shown:
        for part in figures_shown(recorder.frames()):
            out.print(part)
    return [line.rstrip() for line in shown.get().splitlines()]


class TestFiguresShown:
    def test_a_table_and_beneath_what_it_lacks(self) -> None:
        """Figures are a table that fits eighty columns; those without a value follow with why."""
        known = json.dumps({"known": known_detail(KNOWN)})

        assert printed(("plan", known), ("figures", figures_detail(TOLD))) == [
            "",
            "figure of the unit value ± U      nameplate       this unit before",
            "  bulk capacitance 466.0 ± 9.0 uF 470 uF (agrees) 471.0 ± 9.0 uF on 2026-11-02",
            "  no series resistance: one level only",
            "",
        ]

    def test_nothing_earlier_takes_no_column(self) -> None:
        """The first run of a unit has no column for earlier ones."""
        assert (
            printed(("figures", figures_detail(TOLD)))[1]
            == "figure of the unit value ± U      nameplate"
        )

    def test_a_record_without_figures_prints_nothing(self) -> None:
        """A record from before there were figures is shown as it was."""
        assert printed(("step", "start")) == []
