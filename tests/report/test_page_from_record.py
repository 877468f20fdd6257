from __future__ import annotations

import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.judge.uncertainty import Contribution, rectangular
from harness.record import load
from harness.record.recorder import Recorder
from harness.record.seal import sealed
from harness.report.page import RunReport, check_rows, report_from_record

MakeRecord = Callable[..., Path]


def body(page: str) -> str:
    """A page without the words that only a page made later has, or only the record's own."""
    return page.partition("<footer>")[0]


class TestSame:
    def test_the_report_comes_out_as_it_was(self, make_record: MakeRecord) -> None:
        """From a whole record the same page comes out, but for the note that it is made later."""
        folder = make_record()
        own = (folder / "report.html").read_text(encoding="utf-8")

        later = report_from_record(load(folder)).decode()

        assert body(later) == body(own)
        assert "Written later" in later
        assert "Written later" not in own

    def test_checks_come_back_with_their_budgets(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], row: Callable[..., Any]
    ) -> None:
        """Every check read back has the contributions it was judged with."""
        parts = (
            rectangular("meter accuracy", 0.1, unit="V"),
            Contribution(name="scatter", standard=0.2, dof=4, distribution="t", unit="V"),
        )
        checks = [row(budget=parts), row(check="ripple", low=None, budget=parts[:1])]
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        for check in checks:
            recorder.check(check)

        assert check_rows(load(recorder.finish(account()))) == checks

    def test_the_record_stays_as_it_is(self, make_record: MakeRecord) -> None:
        """Writing the report again changes no byte of the record."""
        folder = make_record()
        before = {path.name: path.read_bytes() for path in folder.iterdir()}

        report_from_record(load(folder), next_due=dt.date(2027, 11, 25))

        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before


class TestDamage:
    def test_a_damaged_record_says_so_and_is_no_release(self, make_record: MakeRecord) -> None:
        """A page made from a changed record names the damage and never says released."""
        folder = make_record()
        with (folder / "readings.csv").open("a", encoding="utf-8") as file:
            file.write("junk\n")

        page = report_from_record(load(folder)).decode()

        assert "This record is not whole" in page
        assert "<b>Not released</b>" in page

    def test_an_interrupted_run_has_a_report(self, make_record: MakeRecord) -> None:
        """A folder without `run.json` gives a page with what was measured until then."""
        folder = make_record()
        (folder / "run.json").unlink()

        page = report_from_record(load(folder)).decode()

        assert "the run was interrupted" in page
        assert "Supply voltage, V" in page

    @settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(
        key=st.sampled_from(["unit", "bench", "identities", "calibration", "versions", "profile"]),
        junk=st.recursive(
            st.none() | st.booleans() | st.integers() | st.floats(-1e30, 1e30) | st.text(),
            lambda inner: (
                st.lists(inner, max_size=3)
                | st.dictionaries(
                    st.sampled_from(
                        ["input", "output", "supply", "accuracy", "resolution", "nominal_v", "name"]
                    ),
                    inner,
                    max_size=3,
                )
            ),
            max_leaves=8,
        ),
    )
    def test_odd_facts_leave_gaps(
        self, tmp_path_factory: pytest.TempPathFactory, key: str, junk: object
    ) -> None:
        """Whatever stands in a resealed `run.json`, a page comes out."""
        folder = tmp_path_factory.mktemp("run")
        facts = {**FACTS, key: junk if isinstance(junk, dict) else {"input": junk, "supply": junk}}
        (folder / "run.json").write_bytes(sealed(json.loads(json.dumps(facts))))

        assert b"Test report" in report_from_record(load(folder))


FACTS: dict[str, Any] = {
    "run_id": "x",
    "serial": "7",
    "title": "board",
    "unit": {},
    "profile": {},
    "bench": {},
    "identities": {},
    "calibration": {},
    "warnings": [],
    "notes": [],
    "cautions": [],
    "versions": {},
    "operator": 7,
    "started_utc": [],
    "duration_s": 1,
    "rehearsal": False,
    "fault": None,
    "outcome": "completed",
    "verdict": "fail",
    "released": False,
    "reason": "",
    "files": {},
}
