"""What ``run.json`` says of a run."""

from __future__ import annotations

import platform
from collections.abc import Mapping
from functools import cache
from importlib import metadata
from typing import Any

from harness.profile.bench_file import BenchFile
from harness.profile.plan import Plan
from harness.profile.schema import Profile
from harness.run.result import RunInfo, RunResult

__all__ = ["output_entry", "run_entry"]

_PACKAGES = ("softwake", "pyvisa", "pyvisa-py", "pyvisa-sim", "numpy")


def run_entry(
    plan: Plan, result: RunResult, info: RunInfo, identities: Mapping[str, str]
) -> dict[str, Any]:
    """Return the record's entry for a run; the recorder adds the files' hashes.

    Args:
        plan: The plan that was carried out.
        result: How it ended.
        info: What was said beside it.
        identities: Answers to ``*IDN?`` by role.
    """
    profile = plan.profile
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
        "limits": _limits(plan.profile),
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


def _limits(profile: Profile) -> dict[str, str] | None:
    """Return which table the named limits came from, or None where none was named."""
    used = profile.limits_used
    if used is None:
        return None
    source = used.source or "shipped with the program"
    return {"title": used.title, "source": source, "sha256": used.sha256}


def _calibration(bench: BenchFile) -> dict[str, str | None]:
    roles = {"supply": bench.supply, "meter": bench.meter, "load": bench.load}
    return {
        role: None if table.calibration_due is None else table.calibration_due.isoformat()
        for role, table in roles.items()
        if table is not None
    }


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
