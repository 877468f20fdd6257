"""How a run ended, and what ``run.json`` says of it."""

from __future__ import annotations

import datetime as dt
import platform
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from pathlib import Path
from typing import Any

from harness.errors import ExitCode, RecordError
from harness.judge.verdict import Verdict
from harness.power.trip import Trip
from harness.profile.open_points import settled
from harness.profile.plan import Plan
from harness.profile.schema import Purpose
from harness.record.figures import EarlierFigure
from harness.record.run_summary import RELEASE, Outcome, is_release
from harness.record.tables import Record, load
from harness.shipped import version_of

_PACKAGES = ("softwake", "pyvisa", "pyvisa-py", "pyvisa-sim", "numpy")


class Output(StrEnum):
    """What became of the supply's output."""

    NEVER_ON = "never on"
    OFF = "off, confirmed"
    UNCONFIRMED = "may still be on"


@dataclass(frozen=True, slots=True, kw_only=True)
class RunInfo:
    """What the record says beside what was measured."""

    serial: str
    started: dt.datetime  # in UTC
    operator: str = ""
    rehearsal: bool = False
    fault: str | None = None  # on the simulated unit
    seed: int | None = None
    #: The unit's story, parts and assessment as plain data, where a unit file was given.
    unit_file: Mapping[str, Any] | None = None
    #: The unit model of a rehearsal: its title, name, SHA-256 and text; None for a unit typical of
    #: the nameplate.
    unit_model: Mapping[str, str] | None = None
    #: What earlier runs measured of the same unit, the newest first.
    earlier: tuple[EarlierFigure, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class RunResult:
    """How a run ended."""

    run_id: str  # name of the record
    outcome: Outcome
    verdict: Verdict  # the worst of all checks; undecided where only open points are left
    reason: str  # in a sentence; with open points that decide, each on a line of its own
    purpose: Purpose = RELEASE
    #: What keeps the unit from release beside the checks, each a whole sentence.
    open_points: tuple[str, ...] = ()
    trip: Trip | None = None
    signal: int | None = None  # that interrupted it
    duration_s: float = 0.0
    folder: Path | None = None  # None where no record was kept
    rehearsal: bool = False  # by simulated instruments: then no unit is released
    output: Output = Output.NEVER_ON
    off_confirmed: dt.datetime | None = None  # in UTC; None where never on, or perhaps still on
    warnings: tuple[str, ...] = ()  # what the reader must know about the bench
    #: Gives the record where it is kept in memory only, else None.
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
        """Whether the unit may go back into service; see :func:`~.run_summary.is_release`.

        A rehearsal follows the same rule; that it releases no unit, :attr:`rehearsal` says.
        """
        return is_release(
            self.outcome,
            self.verdict,
            [self.verdict],
            purpose=self.purpose,
            open_points=self.open_points,
        )

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
    """Return what ``run.json`` says of a run, with the answers to ``*IDN?`` by role.

    The recorder makes plain data of it and adds the files' hashes.
    """
    profile, bench, limits = plan.profile, plan.bench, plan.profile.limits_used
    instruments = {} if bench is None else bench.instruments
    return {
        "run_id": result.run_id,
        "serial": info.serial,
        "title": profile.title,
        "unit": profile.unit.model_dump(mode="json"),
        "envelope": profile.envelope.model_dump(mode="json"),
        "profile": {"source": profile.source, "sha256": profile.sha256, "text": profile.text},
        "bench": {} if bench is None else bench.model_dump(mode="json"),
        "identities": identities,
        "calibration": {
            role: table.calibration_due for role, table in instruments.items() if table.reads
        },
        "safety_tests": plan.safety,
        "testers": {
            name: {
                **tester.model_dump(mode="json"),
                "checks": [check.name for check in plan.checks if check.tester == name],
            }
            for name, tester in plan.testers.items()
        },
        "limits": None
        if limits is None
        else {
            "title": limits.title,
            "source": limits.source or "shipped with the program",
            "sha256": limits.sha256,
        },
        "warnings": result.warnings,
        "notes": plan.notes,
        "cautions": plan.cautions,
        "versions": {"python": platform.python_version()}
        | {package: version_of(package) for package in _PACKAGES},
        "operator": info.operator,
        "started_utc": info.started.isoformat(timespec="seconds"),
        "duration_s": result.duration_s,
        "fault": info.fault,
        "seed": info.seed,
        "unit_file": info.unit_file,
        "unit_model": info.unit_model,
        "outcome": result.outcome,
        "verdict": result.verdict,
        "purpose": result.purpose,
        "open_points": result.open_points,
        "settled_points": settled(plan.open_points, result.open_points),
        "released": result.released,
        "reason": result.reason,
        "trip": None if result.trip is None else result.trip.reason,
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


def sum_up(verdicts: Sequence[Verdict]) -> str:
    """Say in a sentence what the checks proved."""
    count = len(verdicts)
    if not count:
        return "nothing was checked"
    failed, undecided = verdicts.count(Verdict.FAIL), verdicts.count(Verdict.UNDECIDED)
    if count == 1:
        return f"the one check {'failed' if failed else 'is undecided' if undecided else 'passed'}"
    if failed:
        return f"{failed} of {count} checks failed"
    if undecided:
        return f"{undecided} of {count} checks undecided"
    return f"all {count} checks passed"
