"""`softwake results` on a results folder of a test's own, with one small record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.record.recorder import Recorder
from harness.record.run_summary import LISTS, NEEDED, TABLES
from harness.record.sink import CheckRow
from harness.report.page import RunReport
from tests.command import Done, called

STARTED = dt.datetime(2026, 11, 25, 6, 31, 19, tzinfo=dt.UTC)
Softwake = Callable[..., Done]


@pytest.fixture
def softwake(tmp_path: Path) -> Softwake:
    """Return a function that calls `softwake results` on this test's results folder."""
    return lambda *words, **keys: called("results", *words, "--results", str(tmp_path), **keys)


@pytest.fixture
def record(tmp_path: Path) -> Callable[..., Path]:
    """Return a function that leaves a finished record of one check."""

    def make(digits: str = "0001", verdict: str = "pass", **changed: object) -> Path:
        recorder = Recorder(
            tmp_path, serial="HRW-0007", started=STARTED, token=digits, renderer=RunReport()
        )
        recorder.event(0.0, "step", "nominal", "nominal")
        recorder.sample(0.5, "nominal", "nominal", (("voltage", 24.1, "V"),), "supply")
        recorder.check(
            CheckRow(
                step="nominal, 24 V",
                check="5 V rail",
                quantity="meter.voltage_dc",
                value=5.013,
                unit="V",
                low=4.9,
                high=5.1,
                uncertainty=0.0035,
                rule="guarded",
                verdict=verdict,
                margin=0.0835,
            )
        )
        empty = {
            **dict.fromkeys(NEEDED, ""),
            **{key: {} for key in TABLES},
            **{key: [] for key in LISTS},
        }
        told = {
            "title": "Mount controller board",
            "started_utc": STARTED,
            "duration_s": 1.0,
            "rehearsal": False,
            "purpose": "release",
            "outcome": "completed",
            "verdict": verdict,
            "reason": "the one check passed",
        }
        del empty["released"]
        return recorder.finish(empty | told | changed)

    return make
