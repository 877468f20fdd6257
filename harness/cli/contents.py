"""What the documents of ``--json`` hold: a plan, a bench, runs, each as plain data."""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any

from harness.bench.discover import Found
from harness.bench.finding import Finding, Inspection
from harness.profile.check import Check
from harness.profile.forecast import Forecast
from harness.profile.level import Level, LoadPoint
from harness.profile.plan import Plan, PlannedStep
from harness.profile.proposal import proposal
from harness.record.examine import Examined
from harness.record.figures import figures_of_events, numbered
from harness.record.tables import Record
from harness.run.result import RunResult, output_entry
from harness.unit.nameplate import Input, RectifiedInput

#: What a run's document has of ``run.json``.
_OF_RUN = (
    *("run_id", "serial", "title", "operator", "started_utc", "duration_s", "rehearsal", "fault"),
    *("purpose", "outcome", "verdict", "released", "reason", "trip", "output", "off_confirmed_utc"),
    *("open_points", "warnings"),
)
#: What a list has of each run.
_OF_LISTED = (
    *("run_id", "serial", "title", "started_utc", "rehearsal", "purpose"),
    *("outcome", "verdict", "released", "output"),
)
#: SI unit of a load point, as its key ends.
_POINT_UNITS = {
    "current": "current_a",
    "resistance": "resistance_ohm",
    "power": "power_w",
    "voltage": "voltage_v",
}

Content = Mapping[str, Any]


def of_plan(plan: Plan, warnings: Iterable[str] = (), refused: Iterable[str] = ()) -> Content:
    """Return a plan, with what pre-flight warns of and refuses it for."""
    envelope = plan.profile.envelope
    return {
        "title": plan.profile.title,
        "profile": plan.profile.source,
        "purpose": plan.profile.purpose,
        "bench": None if plan.bench is None else plan.bench.name,
        "envelope": {
            name: getattr(envelope, name) for name in ("voltage_v", "current_a", "power_w")
        },
        "steps": [_step(step, plan.profile.fed.input) for step in plan.steps],
        "holds_s": plan.duration_s,
        "can_release": not plan.cannot_release,
        "open_points": [
            {"text": point.text, "proved_by": point.proved_by or None} for point in plan.open_points
        ],
        "forecasts": [_forecast(forecast) for forecast in plan.forecasts],
        "refused": list(refused),
        "notes": plan.notes,
        "warnings": list(warnings),
        "cautions": plan.cautions,
    }


def _forecast(forecast: Forecast) -> Content:
    return {
        "check": forecast.check.name,
        "measure": forecast.check.measure,
        "step": forecast.step,
        "unit": forecast.check.unit,
        "expected": _finite(forecast.expected),
        "uncertainty": _finite(forecast.expanded),
        "distance": _finite(forecast.room),
        "good_enough": forecast.good_enough,
        "why_not": forecast.why_not or None,
        "proposal": proposal(forecast) or None,
    }


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _step(step: PlannedStep, line: Input) -> Content:
    return {
        "number": step.number,
        "name": step.name,
        "step": step.kind,
        "levels": [_level(level, line) for level in step.levels],
        "restart": [_level(level, line) for level in step.restart],
        "checks": [_check(step, check) for check in step.checks],
        "dropped": [{"check": check.name, "why": why} for check, why in step.dropped],
    }


def _level(level: Level, line: Input) -> Content:
    budget = None
    if level.budget is not None:
        unit = "c" if level.budget.kind == "charge" else "j"
        budget = {
            "of": level.budget.kind,
            f"fills_{unit}": level.budget.healthy,
            f"slack_{unit}": level.budget.slack(level.current_limit_a),
        }
    return {
        "label": level.label,
        "voltage_v": level.voltage_v,
        "frequency_hz": level.frequency_hz,
        "as_rms_v": line.rms_v(level.voltage_v) if isinstance(line, RectifiedInput) else None,
        "current_limit_a": level.current_limit_a,
        "dwell_s": level.dwell_s,
        "load": None if level.load is None else _point(level.load),
        "budget": budget,
        "time_at_limit_s": level.time_at_limit_s,
    }


def _point(point: LoadPoint) -> Content:
    return {_POINT_UNITS[point.mode]: point.value}


def _check(step: PlannedStep, check: Check) -> Content:
    points = [level.load for level in step.levels if level.load is not None]
    point = next((point for point in points if point.value == check.at), None)
    at = {"level_frac": check.at} if check.level else point and _point(point)
    return {
        "check": check.name,
        "measure": check.measure,
        "low": check.low,
        "high": check.high,
        "unit": check.unit,
        "rule": check.rule,
        "figure": check.figure,
        "at": at,
        "source": check.source,
    }


def of_bench(
    name: str, visa: str, seen: Sequence[Inspection], wiring: Iterable[Finding] | None
) -> Content:
    """Return what a look at a bench found, and what its wiring showed; None: nobody looked."""
    return {
        "name": name,
        "visa": visa,
        "instruments": [
            {
                "role": one.role,
                "resource": one.resource,
                "well": one.well,
                "findings": _findings(one.findings),
            }
            for one in seen
        ],
        "ready": all(one.well for one in seen),
        "wiring": None if wiring is None else _findings(wiring),
    }


def of_connected(seen: Sequence[Found]) -> Content:
    """Return what is connected, with the dialects that fit."""
    return {"instruments": [one._asdict() for one in seen]}


def _findings(findings: Iterable[Finding]) -> list[Content]:
    return [
        {
            "mark": one.mark.value.lower(),
            "check": one.check,
            "text": one.text,
            "remedy": one.remedy or None,
            "write": one.write,
        }
        for one in findings
    ]


def of_runs(folder: str, seen: Iterable[Examined], *, older: int) -> Content:
    """Return the runs of a results folder, newest first, and how many older ones there are."""
    runs = [
        {
            "folder": str(one.folder),
            **{key: one.facts.get(key) for key in _OF_LISTED},
            "whole": one.whole,
            "renamed_from": one.renamed_from or None,
        }
        for one in seen
    ]
    return {"results": folder, "runs": runs, "older": older}


def of_verification(found: Examined) -> Content:
    """Return what a look at every byte of a record found."""
    return {
        "folder": str(found.folder),
        "run_id": found.facts["run_id"],
        "whole": found.whole,
        "problems": found.problems,
        "findings": found.findings,
        "renamed_from": found.renamed_from or None,
    }


def of_record(record: Record) -> Content:
    """Return a run as its record has it."""
    return {
        "folder": None if record.folder is None else str(record.folder),
        "whole": record.whole,
        "problems": record.problems,
        **{key: record.run.get(key) for key in _OF_RUN},
        "checks": [
            {**row, "rule": row["rule"] or None}
            for row in record.checks.drop(columns=["run_id", "serial"]).to_dict(orient="records")
        ],
        "figures": list(_figures(record)),
        "suspects": _explanation(record),
    }


def _explanation(record: Record) -> Content | None:
    """Return what is kept beside a record of what most likely explains its run."""
    # pydantic's models: a second of imports that few commands need
    from harness.record.explanation import kept_explanation

    told = None if record.folder is None else kept_explanation(record.folder)
    return None if told is None else told.model_dump()


def _figures(record: Record) -> Iterator[Content]:
    events = record.events
    found, known = figures_of_events(zip(events["kind"], events["detail"], strict=True))
    for of, told in numbered(found):
        for one in told.figures:
            yield {
                "of": told.of,
                "measure": one.measure,
                "level": one.level or None,
                "unit": one.unit,
                "value": one.value,
                "uncertainty": one.expanded,
                "why_not": one.why_not or None,
                "nameplate": known.nameplate.get(one.measure),
                "earlier": [
                    {
                        "run_id": each.run,
                        "date": each.date,
                        "value": each.value,
                        "uncertainty": each.expanded,
                    }
                    for each in known.before(of, one)
                ],
            }


def of_lost_record(result: RunResult, problem: str) -> Content:
    """Return a run whose record cannot be read, by what the run itself knows."""
    known = {
        "run_id": result.run_id,
        "duration_s": result.duration_s,
        "purpose": result.purpose,
        "outcome": result.outcome,
        "verdict": result.verdict,
        "released": False,
        "reason": result.reason,
        "trip": None if result.trip is None else result.trip.reason,
        "open_points": result.open_points,
        "warnings": result.warnings,
        **output_entry(result),
    }
    return {
        "folder": None if result.folder is None else str(result.folder),
        "whole": False,
        "problems": [problem],
        **{key: known.get(key) for key in _OF_RUN},
        "checks": [],
        "figures": [],
        "suspects": None,
    }
