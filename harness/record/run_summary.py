"""What ``run.json`` says, and the one rule for a release."""

from __future__ import annotations

import dataclasses
import datetime as dt
import math
from collections.abc import Collection, Iterable, Mapping, Sequence
from enum import Enum, StrEnum
from pathlib import Path
from typing import Any

from harness.judge.verdict import Verdict, overall
from harness.profile.schema import Purpose
from harness.record.sink import CheckRow
from harness.unit.assessment import Assessment, as_plain

#: The purpose that can end in a release.
RELEASE: Purpose = "release"

#: Keys that hold a table, and keys that hold a list.
TABLES = ("unit", "profile", "bench", "identities", "calibration", "versions")
LISTS = ("warnings", "notes", "cautions", "open_points")

#: Keys that every ``run.json`` has beside ``files`` and ``seal``.
NEEDED = (
    *("run_id", "serial", "title", "unit", "profile", "bench", "identities", "calibration"),
    *("warnings", "versions", "operator", "started_utc", "duration_s", "rehearsal", "fault"),
    *("outcome", "verdict", "released", "reason", "notes", "cautions", "purpose", "open_points"),
)


class Outcome(StrEnum):
    """How a run ended."""

    COMPLETED = "completed"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"
    REFUSED = "refused"


def is_release(
    outcome: object,
    verdict: object,
    verdicts: Iterable[object],
    *,
    purpose: object,
    open_points: Collection[object],
) -> bool:
    """Whether the unit may go back into service: the one rule for it (safety rule 11).

    Only after a completed run whose profile is for a release, without an open point and with at
    least one check, where the verdict of the run and of every check (``verdicts``) is ``pass``. A
    rehearsal follows the same rule, and is marked as one wherever it is shown.
    """
    seen = list(verdicts)
    passed = verdict == "pass" and bool(seen) and all(each == "pass" for each in seen)
    meant = purpose == RELEASE and not open_points
    return outcome == Outcome.COMPLETED and passed and meant


def run_verdict(
    verdicts: Iterable[Verdict],
    *,
    outcome: object,
    purpose: object,
    open_points: Collection[object],
) -> Verdict:
    """Return the verdict of a run: the worst of its checks, and no ``pass`` that proves too little.

    A run that was cut short has passed nothing. With a point open a release is undecided; a
    pre-check passes all the same, since it releases nothing.
    """
    worst = overall(verdicts)
    unsettled = purpose == RELEASE and bool(open_points)
    if worst is Verdict.PASS and (outcome != Outcome.COMPLETED or unsettled):
        return Verdict.UNDECIDED
    return worst


def open_words(points: Sequence[object]) -> str:
    """Say how many points are open, as the end of a sentence."""
    return "one point is open" if len(points) == 1 else f"{len(points)} points are open"


def completed_facts(
    run: Mapping[str, object], checks: Iterable[CheckRow], *, run_id: str, serial: str
) -> dict[str, Any]:
    """Return what ``run.json`` says, with verdict and release worked out from the checks.

    The run's verdict can only get worse by this, never better; where the engine's claim and the
    checks differ, a warning says so. ``run`` is the engine's account, with every key of
    :data:`NEEDED`; ``run_id``, ``serial`` and ``released`` may be left out.

    Raises:
        ValueError: A key is missing, or outcome or verdict is none of the known ones.
    """
    missing = sorted(set(NEEDED) - set(run) - {"run_id", "serial", "released"})
    if missing:
        raise ValueError(f"a run's account needs {', '.join(missing)}")
    Outcome(str(run["outcome"]))
    claimed = Verdict(str(run["verdict"]))
    judged = [Verdict(row.verdict) for row in checks]
    ended: dict[str, Any] = {key: run[key] for key in ("outcome", "purpose", "open_points")}
    verdict = run_verdict([claimed, overall(judged)], **ended)
    released = is_release(verdict=verdict, verdicts=judged, **ended)
    facts: dict[str, Any] = plain(run)
    facts |= {"run_id": run_id, "serial": serial, "verdict": verdict.value, "released": released}
    if run.get("released", released) != released or (judged and verdict != claimed):
        facts["warnings"] = [
            *facts["warnings"],
            f"the run was reported as {claimed.value}, its checks say {verdict.value}",
        ]
    return facts


def unfinished_facts(run_id: str, serial: str, reason: str) -> dict[str, Any]:
    """Return what can be said of a run whose end is not known: every needed key, no pass."""
    return {
        **dict.fromkeys(NEEDED),
        **{key: {} for key in TABLES},
        **{key: [] for key in LISTS},
        "run_id": run_id,
        "serial": serial,
        "title": "",
        "duration_s": 0.0,
        "rehearsal": False,
        "purpose": RELEASE,
        "outcome": Outcome.INTERRUPTED.value,
        "verdict": Verdict.UNDECIDED.value,
        "released": False,
        "reason": reason,
    }


def unit_entry(assessment: Assessment, *, source: str, sha256: str, text: str) -> dict[str, Any]:
    """Return what ``run.json`` says of the unit's story and parts, under ``unit_file``.

    The assessment's fields, and name, hash (hex) and text of the unit file it was worked out from.
    """
    return {**plain(as_plain(assessment)), "source": source, "sha256": sha256, "text": text}


def plain(value: object) -> Any:
    """Return a value as JSON has it: tables, lists, text, numbers, true, false, null.

    Not-a-number and infinity, which JSON does not know, become null and text.
    """
    match value:
        case Enum():
            return plain(value.value)
        case None | int():  # true and false are whole numbers to Python
            return value
        case float():
            return None if math.isnan(value) else str(value) if math.isinf(value) else float(value)
        case dt.datetime() if value.tzinfo is not None:
            return value.astimezone(dt.UTC).isoformat().replace("+00:00", "Z")
        case dt.date() | dt.time():
            return value.isoformat()
        case Path():
            return value.as_posix()
        case Mapping():
            return {str(key): plain(item) for key, item in value.items()}
        case list() | tuple() | set() | frozenset():
            return [plain(item) for item in value]
        case _ if dataclasses.is_dataclass(value) and not isinstance(value, type):
            fields = dataclasses.fields(value)
            return {field.name: plain(getattr(value, field.name)) for field in fields}
        case _:
            return str(value)
