"""Hostile text where people and instruments write: nothing leaves the results folder."""

from __future__ import annotations

import csv
import datetime as dt
import html
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.api import plan_for, rehearse_profile, simulated_bench_file, simulated_unit
from harness.power.local_bench import LocalBench, open_bench
from harness.profile.load import load_profile
from harness.record.examine import examine
from harness.record.recorder import Recorder
from harness.record.run_summary import Outcome
from harness.record.tables import load
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.report.page import RunReport
from harness.run.engine import carry_out
from harness.run.result import RunInfo
from tests.units import BOARD

SHORT = f"""{BOARD}
[[steps]]
kind = "start"
levels = ["100 %"]
current_limit = "300 mA"
dwell = "50 ms"
[[steps.checks]]
name = "idle current"
measure = "supply.current"
high = "80 mA"
"""

HOSTILE = [
    "../../x",
    "..\\..\\x",
    "/etc/passwd",
    "C:\\Windows\\x",
    "CON",
    "x" * 10_000,
    "\x00\x07\x1b[31m\r\n",
    "=cmd|' /C calc'!A0",
    "@SUM(1)",
    "<script>alert(1)</script>",
    '"><img src=x onerror=alert(1)>',
    "{{ 7*7 }}",
    "\u202ehrw-0007",
    "\ud800",
    "",
    " ",
]


@pytest.fixture(scope="module")
def profile(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A profile that takes a tenth of a second of simulated time."""
    path = tmp_path_factory.mktemp("profile") / "short.toml"
    path.write_text(SHORT, encoding="utf-8")
    return path


def outside(results: Path) -> set[Path]:
    """Return everything beside the results folder."""
    return {path for path in results.parent.rglob("*") if results not in (path, *path.parents)}


class TestSerialNumbers:
    @pytest.mark.parametrize("serial", HOSTILE, ids=range(len(HOSTILE)))
    def test_nothing_is_written_outside_and_the_record_is_whole(
        self, profile: Path, tmp_path: Path, serial: str
    ) -> None:
        """Whatever the serial number, the record is one folder in the results folder, and whole."""
        results = tmp_path / "in" / "results"
        results.mkdir(parents=True)
        before = outside(results)

        result = rehearse_profile(profile, serial=serial, operator=serial, results=results)

        assert outside(results) == before
        assert result.folder is not None
        assert result.folder.parent == results
        assert len(result.folder.name) < 120
        assert examine(result.folder).whole
        assert load(result.folder).whole

    @pytest.mark.parametrize("serial", ["=cmd|' /C calc'!A0", "@SUM(1)", "+1", "-1", "\t=1"])
    def test_no_cell_begins_a_formula(self, profile: Path, tmp_path: Path, serial: str) -> None:
        """No text cell of a record begins with a sign that a spreadsheet takes for a formula."""
        result = rehearse_profile(profile, serial=serial, results=tmp_path)
        assert result.folder is not None
        with (result.folder / "checks.csv").open(encoding="utf-8", newline="") as file:
            cells = [row["serial"] for row in csv.DictReader(file)]

        assert cells
        assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for cell in cells)

    def test_the_report_shows_markup_as_text(self, profile: Path, tmp_path: Path) -> None:
        """Markup in a serial number or a name stands in the report as text."""
        nasty = "<script>alert(1)</script>"
        result = rehearse_profile(profile, serial=nasty, operator=nasty, results=tmp_path)
        assert result.folder is not None
        page = (result.folder / "report.html").read_text(encoding="utf-8")

        assert "<script" not in page
        assert html.escape(nasty) in page


class TestIdentities:
    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
    @given(st.text(max_size=300))
    def test_whatever_an_instrument_calls_itself_the_record_is_whole(
        self, profile: Path, tmp_path: Path, identity: str
    ) -> None:
        """Any answer to *IDN? ends in a whole record, with power off."""
        loaded = load_profile(profile)
        file = simulated_bench_file(loaded)
        supply = file.supply.model_copy(update={"identity": None})
        file = file.model_copy(update={"supply": supply, "meter": None, "load": None})
        clock = SimulatedClock()
        bench = SimulatedBench(simulated_unit(loaded), file, clock)
        started = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)

        class Boasting(LocalBench):
            __slots__ = ()

            def identities(self) -> dict[str, str]:
                """Answer as the test says."""
                return {"supply": identity}

        class Connection:
            def __enter__(self) -> Boasting:
                self._inner = open_bench(file, clock, library=bench.library())
                real = self._inner.__enter__()
                return Boasting(real.file, real.clock, real.instruments)

            def __exit__(self, *error: object) -> None:
                self._inner.__exit__(None, None, None)

        result = carry_out(
            plan_for(loaded, file),
            connect=Connection,  # type: ignore[arg-type]
            clock=clock,
            sink=Recorder(tmp_path, serial="HRW-0007", started=started, renderer=RunReport()),
            info=RunInfo(serial="HRW-0007", started=started, rehearsal=True),
        )

        assert result.outcome is Outcome.COMPLETED
        assert not bench.circuit.source_on
        assert result.folder is not None
        assert examine(result.folder).whole
        assert "<script" not in (result.folder / "report.html").read_text(encoding="utf-8")
