"""How a run ended, and what ``run.json`` says of it."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from importlib import metadata
from pathlib import Path
from typing import Any

from harness.errors import ExitCode, RecordError
from harness.judge.verdict import Verdict
from harness.power.trip import Trip
from harness.profile.bench_file import BenchFile
from harness.profile.plan import Plan
from harness.record.tables import Record, load

_PACKAGES = ("softwake", "pyvisa", "pyvisa-py", "pyvisa-sim", "numpy")


class Outcome(StrEnum):
    """How a run ended."""

    COMPLETED = "completed"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"
    REFUSED = "refused"


class Output(StrEnum):
    """What became of the supply's output."""

    NEVER_ON = "never on"
    OFF = "off, confirmed"
    UNCONFIRMED = "may still be on"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInfo:
    """What the record says beside what was measured.

    Attributes:
        serial: Serial number of the unit.
        started: When the run began, in UTC.
        operator: Who is at the bench; empty if not said.
        rehearsal: Whether this is a rehearsal on the simulated bench.
        fault: The fault on the simulated unit, or None.
        seed: Seed of the simulation, or None.
        unit_file: The unit's story, parts and assessment as plain data, or None where no unit file
            was given.
        unit_model: The unit model a rehearsal was made on: its title, name, SHA-256 and text; None
            for a unit typical of the nameplate.
    """

    serial: str
    started: dt.datetime
    operator: str = ""
    rehearsal: bool = False
    fault: str | None = None
    seed: int | None = None
    unit_file: Mapping[str, Any] | None = None
    unit_model: Mapping[str, str] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """How a run ended.

    Attributes:
        run_id: Name of the record.
        outcome: How it ended.
        verdict: The worst verdict of all checks.
        reason: Why, in a sentence.
        trip: The cut of power, or None.
        signal: Number of the signal that interrupted it, or None.
        duration_s: Time on the run's clock.
        folder: Folder of the record, or None where none was kept.
        rehearsal: Whether it was a rehearsal, by simulated instruments: then no unit is released.
        output: What became of the supply's output.
        off_confirmed: When output off was confirmed, in UTC; None where it was never on, or may
            still be.
        warnings: What the reader must know about the bench.
        frames: Gives the record where it is kept in memory only, else None.
    """

    run_id: str
    outcome: Outcome
    verdict: Verdict
    reason: str
    trip: Trip | None = None
    signal: int | None = None
    duration_s: float = 0.0
    folder: Path | None = None
    rehearsal: bool = False
    output: Output = Output.NEVER_ON
    off_confirmed: dt.datetime | None = None
    warnings: tuple[str, ...] = field(default=())
    frames: Callable[[], Record] | None = field(default=None, repr=False, compare=False)

    @property
    def record(self) -> Record:
        """The record as pandas frames, read from its folder or from memory.

        Raises:
            RecordError: The folder is no record, or none was kept.
        """
        if self.folder is not None:
            return load(self.folder)
        if self.frames is not None:
            return self.frames()
        raise RecordError("this run kept no record", where=self.run_id)

    @property
    def released(self) -> bool:
        """Whether the unit may go back into service: completed, and every verdict pass.

        A rehearsal follows the same rule; that it releases no unit, :attr:`rehearsal` says.
        """
        return self.outcome is Outcome.COMPLETED and self.verdict is Verdict.PASS

    @property
    def exit_code(self) -> int:
        """Exit code of the command line for this result."""
        if self.output is Output.UNCONFIRMED:
            return ExitCode.POWER_MAY_BE_ON
        if self.outcome is Outcome.INTERRUPTED:
            return 128 + (self.signal or 2)
        if self.outcome is Outcome.TRIPPED:
            return ExitCode.TRIPPED
        if self.outcome is Outcome.REFUSED:
            return ExitCode.REFUSED
        return {
            Verdict.PASS: ExitCode.RELEASE,
            Verdict.FAIL: ExitCode.CHECK_FAILED,
            Verdict.UNDECIDED: ExitCode.UNDECIDED,
        }[self.verdict]


def run_entry(
    plan: Plan, result: RunResult, info: RunInfo, identities: Mapping[str, str]
) -> dict[str, Any]:
    """Return what ``run.json`` says of a run; the recorder adds the files' hashes.

    Args:
        plan: The plan that was carried out.
        result: How it ended.
        info: What was said beside it.
        identities: Answers to ``*IDN?`` by role.
    """
    profile, used = plan.profile, plan.profile.limits_used
    return {
        "run_id": result.run_id,
        "serial": info.serial,
        "title": profile.title,
        "unit": profile.unit.model_dump(mode="json"),
        "envelope": profile.envelope.model_dump(mode="json"),
        "profile": {"source": profile.source, "sha256": profile.sha256, "text": profile.text},
        "bench": {} if plan.bench is None else plan.bench.model_dump(mode="json"),
        "identities": dict(identities),
        "calibration": {} if plan.bench is None else _calibration(plan.bench),
        "limits": None
        if used is None
        else {
            "title": used.title,
            "source": used.source or "shipped with the program",
            "sha256": used.sha256,
        },
        "warnings": list(result.warnings),
        "notes": list(plan.notes),
        "cautions": list(plan.cautions),
        "versions": dict(_versions()),
        "operator": info.operator,
        "started_utc": info.started.isoformat(timespec="seconds"),
        "duration_s": result.duration_s,
        "fault": info.fault,
        "seed": info.seed,
        "unit_file": None if info.unit_file is None else dict(info.unit_file),
        "unit_model": None if info.unit_model is None else dict(info.unit_model),
        "outcome": result.outcome.value,
        "verdict": result.verdict.value,
        "released": result.released,
        "reason": result.reason,
        "trip": None if result.trip is None else result.trip.reason.value,
        **output_entry(result),
    }


def output_entry(result: RunResult) -> dict[str, Any]:
    """Return what the record says of the supply's output at the end."""
    stamp = result.off_confirmed
    return {
        "rehearsal": result.rehearsal,
        "output": result.output.value,
        "off_confirmed_utc": None if stamp is None else stamp.isoformat(timespec="seconds"),
    }


def _calibration(bench: BenchFile) -> dict[str, str | None]:
    """Return when each instrument's calibration is due."""
    due = {role: table.calibration_due for role, table in bench.instruments.items()}
    return {role: None if day is None else day.isoformat() for role, day in due.items()}


@cache
def _versions() -> dict[str, str]:
    """Look the packages up once: that reads their files."""
    versions = {"python": platform.python_version()}
    for package in _PACKAGES:
        try:
            versions[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            versions[package] = "not installed"
    return versions
