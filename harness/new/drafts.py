"""First files, each a template filled in with a few answers, and figures derived from them."""

from __future__ import annotations

import itertools
import math
import re
import textwrap
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cache
from importlib import resources
from typing import Any, Literal

import jinja2

from harness.files.text_file import quoted
from harness.profile.ac_readings import ac_fill_s
from harness.profile.cautions import HAZARDOUS_V
from harness.profile.level import Level
from harness.profile.start_levels import SuggestedStart, suggest_start
from harness.quantity import format_quantity
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import AcInput, Input, Output, Unit

#: Envelope over nominal current and power: what a healthy unit at full load stays below.
#: Source: common practice.
_ENVELOPE = 1.25
#: Limit of the start of a unit with a boost stage, of nominal current (common practice).
_BOOSTING = 0.9
#: Limits of the idle power over its nominal, and the power from which on a lower one is asked for:
#: below, reading errors cover it.
_IDLE_LOW, _IDLE_HIGH, _LEAST_IDLE_W = 0.3, 2.0, 0.5
#: Limits of an output over its nominal voltage, and of its ripple, which is not asked to be less
#: than what any converter has.
_OUTPUT_LOW, _OUTPUT_HIGH, _RIPPLE, _LEAST_RIPPLE_V = 0.97, 1.03, 0.01, 0.02
#: Of a charger: how far the current of a charge may be off, what is left of it once it has ended,
#: and what it may draw from a battery without mains (common practice).
_CHARGE_OFF, _ENDED, _DRAIN_A = 0.1, 0.1, 5e-3
#: Readings that fall into the smallest gain of an AC unit that is to be weighed, and the least
#: limit an AC source holds (common practice).
_WEIGHED, _LEAST_SLOW_A = 15.0, 0.010
#: Readings below which the file says that a short is found later.
_FEW_READINGS = 3.0

#: Width of a comment, its mark left aside.
_WIDTH = 76
#: A longer value has its comment right behind it, and does not push those of the others away.
_LONGEST_ALIGNED = 24

#: Stands in a draft where the nameplate goes: that is laid out already, by us or by its author.
_NAMEPLATE_HERE = "@nameplate@"

_KEY = re.compile(
    r"(?P<mark>#?)(?P<key>\w+) = "
    r"""(?P<value>(?:"(?:\\.|[^"\\])*"|[^"#])+?)(?:  # (?P<comment>.*))?"""
)


@dataclass(frozen=True, kw_only=True, slots=True)
class Nameplate:
    """What stands on the unit, and what the circuit diagram adds; None where nobody knows."""

    title: str  #: one line that names the kind of unit
    kind: Literal["dc", "ac"]  #: of the input; voltages and currents of ``ac`` are rms
    nominal_v: float  #: nominal input voltage, the highest of a range
    tolerance_frac: float
    current_a: float  #: nominal, of the input
    frequency_hz: tuple[float, ...] = ()  #: line frequencies, the usual one first; empty for DC
    bulk_capacitance_f: float | None = None  #: capacitance behind the input
    idle_power_w: float | None = None  #: draw with nothing on the output
    busy_power_w: float | None = None  #: the most that a unit without an output draws by itself
    boot_time_s: float | None = None  #: how long it boots, at most
    start_threshold_v: float | None = None  #: input voltage at which the unit begins to work
    low_nominal_v: float | None = None  #: the lowest of a nominal range; None for one voltage
    boosted_v: float | None = None  #: of the bulk capacitor, where a boost stage holds it
    output_v: float | None = None  #: nominal output voltage (DC); None for a unit without an output
    output_a: float | None = None  #: nominal output current
    protection_class: Literal["I", "II", "III"] = "II"  #: IEC 61140 class


def unit_of(nameplate: Nameplate) -> Unit:
    """Return the nameplate as the draft's reader will see it, rounding and defaults included.

    Raises:
        pydantic.ValidationError: The answers contradict each other.
    """
    text = _written("nameplate", **_nameplate_fields(nameplate))
    return Unit.model_validate(tomllib.loads(text)["unit"])


def draft_profile(nameplate: Nameplate, *, sample_s: float, load: bool = False) -> str:
    """Return a profile that loads and plans as it stands.

    ``sample_s`` is the time between two readings of the supply; an electronic load gives a unit
    with an output a load step.

    Raises:
        pydantic.ValidationError: The answers contradict each other.
    """
    text = _written("nameplate", **_nameplate_fields(nameplate))
    return profile_draft(nameplate.title, text, sample_s=sample_s, load=load)


def _start(line: Input, sample_s: float) -> SuggestedStart:
    """Return the start of a draft: of a nominal range at its lower end.

    A boost stage needs what its energy takes in the time of its soft start, and a source that folds
    back would stop it: its limit is near nominal current.
    """
    at_low = line.at(line.low_nominal_v) if line.has_range else line
    start = suggest_start(at_low, sample_s=sample_s)
    if line.boosted_v is None:
        return start
    limit_a = max(start.current_limit_a, rounded_down(_BOOSTING * line.current_a))
    return replace(start, current_limit_a=limit_a)


def _slow_ac_a(line: Input, start: SuggestedStart, sample_s: float) -> float | None:
    """Return a limit at which the gains below the threshold of an AC unit are slow enough to weigh.

    None where fewer than two levels lie below it, no capacitance is known, or the input is DC.

    Source: pulses whose rms is the limit, every other half-cycle; see
        :func:`harness.profile.ac_readings.ac_fill_s`.
    """
    if not isinstance(line, AcInput) or line.bulk_capacitance_f is None:
        return None
    line = line.at(line.low_nominal_v)
    volts = [line.nominal_v * share for share in start.levels_frac]
    below = [voltage_v for voltage_v in volts if voltage_v < line.start_threshold_v]
    if len(below) < 2:
        return None
    fill_s = min(
        ac_fill_s(Level(label="", voltage_v=to_v, current_limit_a=1.0, dwell_s=0.0), from_v, line)
        for from_v, to_v in itertools.pairwise(below)
    )
    slow_a = float(f"{fill_s / (_WEIGHED * sample_s):.2g}")
    return slow_a if _LEAST_SLOW_A <= slow_a < start.current_limit_a else None


def profile_draft(
    title: str,
    nameplate: str,
    *,
    sample_s: float,
    load: bool = False,
    cold: Iterable[Mapping[str, Any]] = (),
) -> str:
    """Return a profile for a nameplate that is written as a file has it, ``[unit]`` and all.

    ``cold`` has the cold checks to begin with, as :mod:`harness.new.cold_checks` drafts them.

    Raises:
        pydantic.ValidationError: The nameplate contradicts itself.
    """
    unit = Unit.model_validate(tomllib.loads(nameplate)["unit"])
    line = unit.input
    start = _start(line, sample_s)
    idle_w = line.idle_power_w
    # Where the idle power is only assumed, a frugal unit is none that does not run.
    told = idle_w >= _LEAST_IDLE_W and line.idle_power is not None
    first = next(iter(unit.output.values()), None)
    charger = _charger_limits(first) if isinstance(first, ChargerOutput) else None
    written = _written(
        "profile",
        title=title,
        unit=unit,
        ac=line.kind == "ac",
        cold=tuple(cold),
        busy_w=line.busy_power_w,
        boot_s=line.boot_time_s,
        least_idle_w=_IDLE_LOW * idle_w if told else None,
        most_idle_w=_IDLE_HIGH * idle_w,
        hazardous=line.kind == "ac" or line.nominal_v > HAZARDOUS_V,
        envelope={
            "voltage_v": max(rounded_down(line.highest_v), line.nominal_v),
            "current_a": _ENVELOPE * line.current_a,
            "power_w": _ENVELOPE * line.apparent_va,
        },
        start=start,
        slow_ac_a=_slow_ac_a(line, start, sample_s),
        corners_frac=_corners_frac(line),
        sample_s=sample_s,
        few_readings=start.readings is not None and start.readings < _FEW_READINGS,
        output=None
        if charger is not None
        else next(map(_output_limits, unit.output.values()), None),
        charger=charger,
        load=load,
        discharge=line.peak_factor * line.nominal_v > HAZARDOUS_V,
    )
    return written.replace(_NAMEPLATE_HERE, nameplate.strip(), 1)


def draft_bench(answers: Mapping[str, Any]) -> str:
    """Return a bench file that loads as it stands; an answer is None where the user knows none."""
    return _written("bench", bench=answers, ac=answers["kind"] == "ac")


def draft_unit(nameplate: Nameplate, answers: Mapping[str, Any]) -> str:
    """Return a unit file that can be assessed as it stands, None as for a bench file."""
    return _written("unit", **_nameplate_fields(nameplate), unit=answers)


def rounded_down(value: float, digits: int = 4) -> float:
    """Cut a value to significant digits, never above it: for a bound that may not rise."""
    scale = 10.0 ** (digits - 1 - math.floor(math.log10(value)))
    return _rounded(math.floor(value * scale * (1 + 1e-12)) / scale)


def _rounded(value: float) -> float:
    """As it is written, in four digits, so that what is derived from it fits."""
    return float(f"{value:.4g}")


def _nameplate_fields(nameplate: Nameplate) -> dict[str, Any]:
    ac = nameplate.kind == "ac"
    low_v = nameplate.low_nominal_v or nameplate.nominal_v
    return {
        "nameplate": nameplate,
        "ac": ac,
        "assumed_idle_w": 0.1 * low_v * nameplate.current_a,
        "assumed_threshold_v": (0.5 if ac else 0.3) * low_v,
    }


def _corners_frac(line: Input) -> tuple[float, ...]:
    """Return the ends of a nominal range with its tolerance, over the voltage a start goes by."""
    ends_v = line.lowest_v, line.low_nominal_v, line.nominal_v, line.highest_v
    return tuple(rounded_down(end_v / line.low_nominal_v) for end_v in ends_v)


def _charger_limits(output: ChargerOutput) -> dict[str, float | None]:
    """Return limits of a charger by its nameplate; where it states no drain, a usual one."""
    return {
        "wake_v": output.wake_v,
        "least_v": output.lowest_v,
        "middle_v": _rounded(0.5 * (output.lowest_v + output.nominal_v)),
        "current_low_a": _rounded((1 - _CHARGE_OFF) * output.current_a),
        "current_high_a": _rounded((1 + _CHARGE_OFF) * output.current_a),
        "end_a": output.end_current_a or _rounded(_ENDED * output.current_a),
        "drain_a": output.drain_a or _DRAIN_A,
    }


def _output_limits(output: Output) -> dict[str, float]:
    return {
        "low_v": _rounded(_OUTPUT_LOW * output.nominal_v),
        "high_v": _rounded(_OUTPUT_HIGH * output.nominal_v),
        "ripple_v": max(_RIPPLE * output.nominal_v, _LEAST_RIPPLE_V),
        "current_a": output.current_a,
    }


def _written(name: str, **fields: Any) -> str:
    return _laid_out(_environment().get_template(f"{name}.toml.j2").render(fields))


@cache
def _environment() -> jinja2.Environment:
    here = resources.files(__package__)
    environment = jinja2.Environment(
        autoescape=False,  # noqa: S701 - TOML, quoted by its own filter
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        keep_trailing_newline=True,
        loader=jinja2.FunctionLoader(lambda name: here.joinpath(name).read_text(encoding="utf-8")),
    )
    environment.filters["quoted"] = quoted
    environment.filters["quantity"] = lambda *given: quoted(format_quantity(*given))
    environment.filters["shown"] = format_quantity
    return environment


def _laid_out(text: str) -> str:
    """Return the text of a template as people write TOML: wrapped, and keys and comments aligned.

    In it ``# text`` is prose, ``#key = value`` a key that is left out for the user to complete, and
    both are comments in the end.
    """
    lines: list[str] = []
    for kind, group in itertools.groupby(text.strip().splitlines(), _kind):
        if kind == "key":
            lines += _aligned(group)
        elif kind == "prose":
            prose = textwrap.wrap(" ".join(line.removeprefix("# ") for line in group), _WIDTH)
            lines += (f"# {line}" for line in prose)
        elif kind == "blank":
            lines.append("")  # one, however many a template leaves
        else:
            lines += (line.replace("#[", "# [", 1) for line in group)
    return "\n".join((*lines, ""))


def _kind(line: str) -> str:
    if not line:
        return "blank"
    if line.startswith("# "):
        return "prose"
    return "key" if _KEY.fullmatch(line) else "as it is"


def _aligned(lines: Iterable[str]) -> Iterator[str]:
    found = [match for line in lines if (match := _KEY.fullmatch(line))]
    width = max(len(match["key"]) for match in found)
    bodies = [
        f"{'# ' if match['mark'] else ''}{match['key']:{width}} = {match['value']}"
        for match in found
    ]
    aligned = (len(match["value"]) <= _LONGEST_ALIGNED for match in found)
    column = max(map(len, itertools.compress(bodies, aligned)), default=0)
    for match, body in zip(found, bodies, strict=True):
        yield f"{body:{column}}  # {match['comment']}" if match["comment"] else body
