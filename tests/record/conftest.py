"""A small run of the demo scenario, for every test of the record."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.record.recorder import Recorder
from harness.record.sink import CheckRow, Sink
from harness.report.page import RunReport

STARTED = dt.datetime(2026, 11, 25, 6, 31, 19, tzinfo=dt.UTC)

_ACCOUNT: dict[str, Any] = {
    "title": "Mount controller board, 24 V DC in, 5 V DC out",
    "unit": {
        "input": {"kind": "dc", "nominal_v": 24.0, "tolerance_frac": 0.1, "current_a": 1.2},
        "output": {"main": {"kind": "dc", "nominal_v": 5.0, "current_a": 2.0}},
        "protection_class": "III",
    },
    "envelope": {"voltage_v": 26.4, "current_a": 1.5, "power_w": 36.0},
    "profile": {"source": "mount.toml", "sha256": "ab" * 32, "text": 'title = "Ω"\n'},
    "bench": {
        "name": "Dome workshop, bench 2",
        "supply": {
            "resource": "TCPIP0::127.0.0.1::5025::SOCKET",
            "accuracy": {"voltage": {"reading_frac": 0.0005, "fixed": 0.01}},
        },
    },
    "identities": {"supply": "Harrow Point Workshop,PS-200,SIM-0001,1.0"},
    "calibration": {"supply": "2027-05-01"},
    "warnings": [],
    "notes": [],
    "cautions": ["Discharge and measure before touching."],
    "versions": {"softwake": "0.1.0"},
    "operator": "bench 2",
    "started_utc": STARTED,
    "duration_s": 12.5,
    "rehearsal": False,
    "fault": None,
    "purpose": "release",
    "open_points": [],
    "outcome": "completed",
    "verdict": "pass",
    "reason": "all checks passed",
}


@pytest.fixture
def started() -> dt.datetime:
    """When the run began."""
    return STARTED


@pytest.fixture
def account() -> Callable[..., dict[str, Any]]:
    """Return a function that makes the engine's account of a run, with some keys changed."""
    return lambda **changed: {**_ACCOUNT, **changed}


@pytest.fixture
def row() -> Callable[..., CheckRow]:
    """Return a function that makes a judged check, with some columns changed."""

    def make(**changed: Any) -> CheckRow:
        columns: dict[str, Any] = {
            "step": "nominal",
            "check": "5 V rail",
            "quantity": "meter.voltage_dc",
            "value": 5.013,
            "unit": "V",
            "low": 4.9,
            "high": 5.1,
            "uncertainty": 0.0035,
            "rule": "guarded",
            "verdict": "pass",
            "margin": 0.0835,
        }
        return CheckRow(**{**columns, **changed})

    return make


@pytest.fixture
def play(row: Callable[..., CheckRow]) -> Callable[[Sink], None]:
    """Return a function that plays a short run into a sink."""

    def into(sink: Sink) -> None:
        sink.event(0.0, "step", "start", "start")
        for number in range(20):
            values = (("voltage", 24.0 + number / 7, "V"), ("current", 0.05 + number / 9000, "A"))
            sink.sample(0.1 * number, "start", "100 %", values, "supply")
        sink.sample(2.5, "nominal", "nominal", (("voltage_dc", 5.013, "V"),), "meter")
        sink.check(row())
        sink.event(2.6, "power off", "nominal", "confirmed")

    return into


@pytest.fixture
def make_record(
    tmp_path: Path, account: Callable[..., dict[str, Any]], play: Callable[[Sink], None]
) -> Callable[..., Path]:
    """Return a function that leaves a finished record and returns its folder."""

    def make(*, serial: str = "HRW-0007", token: str | None = None, **changed: Any) -> Path:
        recorder = Recorder(
            tmp_path, serial=serial, started=STARTED, token=token, renderer=RunReport()
        )
        play(recorder)
        return recorder.finish(account(**changed))

    return make
