"""Further steps on the bench of a run, each a short pre-check of its own for the same unit.

They are made of the run's own profile: its nameplate, its envelope and its start stay what they
are, so that nothing is set that the nameplate does not bear, and every rule of a run holds in them.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import tomlkit

from harness.errors import FileError
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.quantity import format_quantity
from harness.unit.nameplate import Output

#: How much more a step under power takes for what it can do to whoever stands there, as cold
#: measurements have it: below the converter's start, at nominal voltage, where a hand comes near
#: stored charge.
_LOW, _NOMINAL, _STORED = 4.0, 6.0, 10.0
#: Work beside what the holds take: to wire the bench, to move a meter or connect a resistor.
_WIRE_MIN, _MOVE_MIN = 3.0, 4.0
#: Time in which the slow level fills the bulk capacitor, and a discharge empties it (assumption).
_FILL_S, _DRAIN_S = 0.1, 2.0
_DWELL = "1 s"
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
    profile: Profile

    @property
    def text(self) -> str:
        """The profile as a file: it can be looked at, planned, rehearsed and run as any other."""
        return self.profile.text


@dataclass(frozen=True, kw_only=True, slots=True)
class _Draft:
    """What a step adds to the start of the run's profile."""

    name: str
    how: str
    work_min: float
    danger: float
    step: Mapping[str, Any] | None = None  # None: the start alone
    start: Mapping[str, Any] | None = None  # what changes in it


def further_steps(profile: Profile, bench: BenchFile) -> Iterator[FurtherStep]:
    """Yield what this bench can do that the profile of the run does not."""
    start = profile.steps[0] if isinstance(profile.steps[0], StartStep) else None
    start = start or next((one for one in profile.steps if isinstance(one, StartStep)), None)
    if start is None or profile.feed is not None or bench.supply.kind != profile.unit.input.kind:
        return
    for make in _DRAFTS:
        draft = make(profile, bench, start)
        made = None if draft is None else _profile_of(profile, draft)
        if draft is not None and made is not None:
            yield FurtherStep(
                name=draft.name,
                how=draft.how,
                work_min=draft.work_min,
                danger=draft.danger,
                profile=made,
            )


def _profile_of(profile: Profile, draft: _Draft) -> Profile | None:
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
    if draft.step is not None:
        steps.append(tomlkit.item(dict(draft.step)))
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


# --- what there is


def _slow_start(profile: Profile, _bench: BenchFile, start: StartStep) -> _Draft | None:
    """Weigh the bulk capacitor of a DC unit below the voltage at which its converter starts."""
    line = profile.unit.input
    farad = line.bulk_capacitance_f
    if line.kind != "dc" or farad is None or start.slow_limit_a is not None:
        return None
    below = [one for one in start.levels_frac if one * line.nominal_v < line.start_threshold_v]
    if len(below) < 2:
        return None
    limit_a = min(farad * below[0] * line.nominal_v / _FILL_S, 0.5 * start.current_limit_a)
    return _Draft(
        name="slow start",
        how="the lowest levels alone, the first so slow that its readings weigh the bulk capacitor",
        work_min=_WIRE_MIN,
        danger=_LOW,
        start={
            "levels": [format_quantity(one, "%") for one in below],
            "slow_limit": format_quantity(limit_a, "A", 2),
        },
    )


def _ends(profile: Profile) -> list[str]:
    tolerance = profile.unit.input.tolerance_frac
    return [format_quantity(1.0 + one, "%") for one in (-tolerance, tolerance)]


def _output(profile: Profile, bench: BenchFile) -> Output | None:
    """Return the one DC output that can be loaded and measured; None: it is another unit."""
    outputs = list(profile.unit.output.values())
    if len(outputs) != 1 or outputs[0].kind != "dc" or not bench.all_meters:
        return None
    return outputs[0]


def _rail(output: Output) -> list[dict[str, str]]:
    """Checks that nothing fails: what they measure is compared, and no limit is known."""
    high = format_quantity(2.0 * output.nominal_v, "V")
    return [
        {"name": "output", "measure": "meter.voltage_dc", "low": f"-{high}", "high": high},
        {"name": "ripple", "measure": "meter.voltage_ac", "high": high},
    ]


def _has(profile: Profile, kind: str, *, loaded: bool | None = None) -> bool:
    for step in profile.steps:
        if step.kind != kind:
            continue
        is_loaded = bool(getattr(step, "load", None) or getattr(step, "current_a", None))
        if loaded is None or is_loaded == loaded:
            return True
    return False


def _line(profile: Profile, bench: BenchFile, start: StartStep) -> _Draft | None:
    """Both ends of the line, without load."""
    if _has(profile, "line", loaded=False) or profile.unit.input.tolerance_frac <= 0.0:
        return None
    output = _output(profile, bench)
    return _Draft(
        name="line without load",
        how="both ends of the line voltage, nothing connected to the output",
        work_min=_WIRE_MIN,
        danger=_NOMINAL,
        step={
            "kind": "line",
            "voltages": _ends(profile),
            "current_limit": format_quantity(start.current_limit_a, "A"),
            "dwell": _DWELL,
            "checks": [] if output is None else _rail(output),
        },
    )


def _load(profile: Profile, bench: BenchFile, _start: StartStep) -> _Draft | None:
    """Half and full load at nominal voltage."""
    output = _output(profile, bench)
    if output is None or _has(profile, "load") or "load" not in bench.instruments:
        return None
    points = [format_quantity(share * output.current_a, "A") for share in (0.0, 0.5, 1.0)]
    return _Draft(
        name="load",
        how="nominal voltage; the output at no load, half load and full load",
        work_min=_WIRE_MIN,
        danger=_NOMINAL,
        step={"kind": "load", "currents": points, "dwell": _DWELL, "checks": _rail(output)},
    )


def _line_loaded(profile: Profile, bench: BenchFile, _start: StartStep) -> _Draft | None:
    """Both ends of the line at full load, by the load of the bench or a resistor."""
    output = _output(profile, bench)
    if output is None or _has(profile, "line", loaded=True):
        return None
    step: dict[str, Any] = {
        "kind": "line",
        "voltages": [*_ends(profile)],
        "dwell": _DWELL,
        "checks": _rail(output),
    }
    if "load" in bench.instruments:
        step["current"] = format_quantity(output.current_a, "A")
        by = "the load"
    else:
        ohm = format_quantity(output.nominal_v / output.current_a, "ohm")
        step["load"] = f"resistor {ohm}"
        by = f"a resistor of {ohm}"
    return _Draft(
        name="line at full load",
        how=f"both ends of the line voltage, the output at full load by {by}",
        work_min=_WIRE_MIN + (_MOVE_MIN if "load" in step else 0.0),
        danger=_NOMINAL,
        step=step,
    )


def _discharge(profile: Profile, bench: BenchFile, _start: StartStep) -> _Draft | None:
    """The fall of the stored charge through a known resistor weighs the bulk capacitor."""
    line = profile.unit.input
    if line.bulk_capacitance_f is None or not bench.all_meters or _has(profile, "discharge"):
        return None
    ohm = _DRAIN_S / line.bulk_capacitance_f
    return _Draft(
        name="discharge through a resistor",
        how="power off, meter and resistor across the bulk capacitor, its fall followed",
        work_min=_WIRE_MIN + 2.0 * _MOVE_MIN,
        danger=_STORED,
        step={
            "kind": "discharge",
            "across": "bulk",
            "below": format_quantity(min(0.3 * line.nominal_v, 30.0), "V", 2),
            "within": format_quantity(10.0 * _DRAIN_S, "s"),
            "resistor": format_quantity(ohm, "ohm", 2),
        },
    )


_Make = Callable[[Profile, BenchFile, StartStep], _Draft | None]
_DRAFTS: tuple[_Make, ...] = (_slow_start, _line, _load, _line_loaded, _discharge)
