"""Further steps on the bench of a run, each a short pre-check of its own for the same unit.

They are made of the run's own profile: its nameplate, its envelope and its start stay what they
are, so that nothing is set that the nameplate does not bear, and every rule of a run holds in them.
A profile that there is of the same nameplate, such as its full release, is one step as it stands.
"""

from __future__ import annotations

import datetime as dt
import tempfile
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from harness.api import plan_for
from harness.errors import FileError, UsageError
from harness.profile.bench_file import BenchFile
from harness.profile.hand_loads import is_battery
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.suspects.charger_drafts import CHARGER_DRAFTS, NO_BATTERY
from harness.suspects.step_drafts import DRAFTS, MOVE_MIN, NOMINAL, STORED, WIRE_MIN, Draft
from harness.unit.nameplate import Unit

#: Characters of a title at most.
_TITLE = 100
#: What a profile that is written begins with.
_HEAD = """\
# A further step for one question, made of a run's own profile by "softwake suspects --steps".
# It measures, and releases nothing; where its checks have limits, these are none of the unit's.
# Measure everything cold first; then plan it and rehearse it, and look at it as at any other.

"""


@dataclass(frozen=True, kw_only=True, slots=True)
class FurtherStep:
    """One further step that this bench can make."""

    name: str
    how: str
    work_min: float  # beside what the holds take
    danger: float
    never_with: frozenset[str]  # suspects with which it is not made
    profile: Profile


def further_steps(
    profile: Profile, bench: BenchFile, also: Sequence[Profile] = ()
) -> Iterator[FurtherStep]:
    """Yield what this bench can do that the profile of the run does not.

    Args:
        profile: Of the run.
        bench: Of the run.
        also: Profiles of the same nameplate, each a step as it stands.

    Raises:
        UsageError: One of these is for another nameplate, or this bench cannot run it.
    """
    for one in also:
        yield _whole(profile, bench, one)
    start = next((one for one in profile.steps if isinstance(one, StartStep)), None)
    if start is None or profile.feed is not None or bench.supply.kind != profile.unit.input.kind:
        return
    for make in (*DRAFTS, *CHARGER_DRAFTS):
        draft = make(profile, bench, start)
        made = None if draft is None else _profile_of(profile, draft)
        if draft is not None and made is not None and not _obstacles(made, bench):
            yield FurtherStep(
                name=draft.name,
                how=draft.how,
                work_min=draft.work_min,
                danger=draft.danger,
                never_with=draft.never_with,
                profile=made,
            )


def _obstacles(profile: Profile, bench: BenchFile) -> tuple[str, ...]:
    """Return what speaks against a profile on a bench; when instruments are due is no matter."""
    return preflight(plan_for(profile, bench), today=dt.date.min).reasons


def _whole(profile: Profile, bench: BenchFile, other: Profile) -> FurtherStep:
    """Return a profile that there is as one step."""
    obstacles = _obstacles(other, bench)
    if _named(other.unit) != _named(profile.unit):
        obstacles = ("The run's profile has another nameplate, in its input or outputs.",)
    if obstacles:
        raise UsageError(
            f"{other.title!r} is no further step for this run: {obstacles[0]}",
            where="--also",
            remedy="name a profile of the same nameplate that the bench of the run can carry out",
        )
    by_hand = [str(load) for step in other.steps if (load := getattr(step, "by_hand", None))]
    inside = any(one.across != "output" for step in other.steps for one in step.checks)
    purpose = "release" if other.purpose == "release" else "pre-check"
    return FurtherStep(
        name=other.title,
        how=f"the whole {purpose}, from its first step to its last",
        work_min=WIRE_MIN + MOVE_MIN * len(by_hand),
        danger=STORED if inside else NOMINAL,
        never_with=NO_BATTERY if any(map(is_battery, by_hand)) else frozenset(),
        profile=other,
    )


def _named(unit: Unit) -> dict[str, Any]:
    """Return what a nameplate says of input and outputs; a limit beyond nominal is a profile's."""
    told = unit.model_dump(include={"input", "output"})
    for output in told["output"].values():
        output.pop("limit_a", None)
    return told


def _profile_of(profile: Profile, draft: Draft) -> Profile | None:
    """Return a draft as a profile; None: it cannot be one, such as where a rule forbids it."""
    document = tomlkit.parse(profile.text)
    document["title"] = f"{profile.title[: _TITLE - len(draft.name) - 2]}: {draft.name}"
    document["purpose"] = "pre-check"
    document.pop("limits", None)
    steps: Any = document["steps"]
    first = next(one for one in steps if one.get("kind") == "start")
    first.pop("checks", None)
    for key, value in (draft.start or {}).items():
        first[key] = value
    while len(steps):
        steps.pop()
    steps.append(first)
    for step in draft.steps:
        steps.append(tomlkit.item(dict(step)))
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "further.toml"
        path.write_text(_HEAD + _headless(tomlkit.dumps(document)), encoding="utf-8", newline="\n")
        try:
            return load_profile(path)
        except FileError:
            return None


def _headless(text: str) -> str:
    """Return a file without the comments in front of its first key, which tell of another one."""
    lines = text.splitlines(keepends=True)
    while lines and (not lines[0].strip() or lines[0].startswith("#")):
        lines.pop(0)
    return "".join(lines)
