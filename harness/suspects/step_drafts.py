"""What a bench can do with a unit that the profile of its run does not, each in a few keys."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

from harness.profile.bench_file import BenchFile
from harness.profile.plan_notes import WARM_S
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.quantity import format_quantity
from harness.unit.charger_output import ChargerOutput
from harness.unit.fixed_output import FixedOutput

#: How much more a step under power takes for what it can do to whoever stands there, as cold
#: measurements have it: below the converter's start, at nominal voltage, where a hand comes near
#: stored charge.
LOW, NOMINAL, STORED = 4.0, 6.0, 10.0
#: Work beside what the holds take: to wire the bench, to move a meter or connect a resistor.
WIRE_MIN, MOVE_MIN = 3.0, 4.0
#: Time in which the slow level fills the bulk capacitor, and a discharge empties it (assumption).
_FILL_S, _DRAIN_S = 0.1, 2.0
_DWELL = "1 s"

Table = Mapping[str, Any]


@dataclass(frozen=True, kw_only=True, slots=True)
class Draft:
    """What a further step adds to the start of the run's profile."""

    name: str
    how: str
    work_min: float  # beside what the holds take
    danger: float
    steps: tuple[Table, ...] = ()  # none: the start alone
    start: Table | None = None  # what changes in it
    never_with: frozenset[str] = frozenset()  # suspects with which it is not made


#: What makes one, of the run's profile, its bench and its start; None: it was made, or cannot be.
Make = Callable[[Profile, BenchFile, StartStep], Draft | None]


@dataclass(frozen=True, kw_only=True, slots=True)
class FullLoad:
    """How all outputs of a unit are loaded at once, at no more than it may give."""

    main_a: float
    others: Mapping[str, str]  # by output, what its own electronic load takes
    resistor: str  # empty: the bench's load is at the main output

    @property
    def keys(self) -> Table:
        """The keys of a step that is held at this load."""
        by = {"load": self.resistor} if self.resistor else {"current": amps(self.main_a)}
        return {**by, **self.beside}

    @property
    def beside(self) -> Table:
        """The key of what is loaded beside the main output."""
        return {"others": dict(self.others)} if self.others else {}

    @property
    def by(self) -> str:
        """By what, in a few words."""
        if self.resistor:
            return f"the output at full load by a {self.resistor.replace(' ', ' of ', 1)}"
        return "all outputs at full load" if self.others else "the output at full load by the load"

    @property
    def move_min(self) -> float:
        """Work to connect it by hand."""
        return MOVE_MIN if self.resistor else 0.0


# --- what they are made of


def amps(current_a: float) -> str:
    """Write a current into a profile."""
    return format_quantity(current_a, "A", 4)


def ends(profile: Profile) -> list[str]:
    """Return both ends of the line, as shares of nominal."""
    tolerance = profile.unit.input.tolerance_frac
    return [format_quantity(1.0 + one, "%") for one in (-tolerance, tolerance)]


def _fixed(profile: Profile) -> dict[str, FixedOutput]:
    """Return the outputs that a load can be put on; none for a charger."""
    outputs = profile.unit.output.items()
    return {name: one for name, one in outputs if isinstance(one, FixedOutput) and one.kind == "dc"}


def full_load(profile: Profile, bench: BenchFile) -> FullLoad | None:
    """Return the full load of a unit by what this bench has; None: nothing to be loaded."""
    outputs = _fixed(profile)
    if not outputs or not bench.all_meters:
        return None
    most_w = sum(one.nominal_v * one.current_a for one in outputs.values())
    share = min(1.0, profile.unit.output_power_w / most_w)
    (_, main), *others = outputs.items()
    main_a = share * main.current_a
    if not bench.all_loads:
        ohm = format_quantity(main.nominal_v / main_a, "ohm", 3)
        return FullLoad(main_a=main_a, others={}, resistor=f"resistor {ohm}")
    beside = {name: amps(share * one.current_a) for name, one in others}
    return FullLoad(main_a=main_a, others=beside, resistor="")


def _rails(profile: Profile) -> list[dict[str, str]]:
    """Checks that nothing fails: what they measure is compared, and no limit is known."""
    found = []
    outputs = _fixed(profile)
    for name, one in outputs.items():
        high = format_quantity(2.0 * one.nominal_v, "V")
        where = {"output": name} if len(outputs) > 1 else {}
        rail, ripple = (name, f"{name} ripple") if where else ("output", "ripple")
        volts = {"name": rail, "measure": "meter.voltage_dc", "low": f"-{high}", "high": high}
        found += [volts | where]
        found += [{"name": ripple, "measure": "meter.voltage_ac", "high": high} | where]
    return found


def _warmth(bench: BenchFile) -> list[dict[str, str]]:
    if not any("temperature" in meter.accuracy for meter in bench.all_meters.values()):
        return []
    case = {"name": "case temperature", "measure": "meter.temperature", "figure": "end"}
    return [case | {"high": "200 degC"}]


def _powered(profile: Profile) -> Table:
    """The key of a held step in which all outputs are on."""
    return {} if profile.unit.enable is None else {"enable": True}


def has(profile: Profile, kind: str, *, loaded: bool | None = None) -> bool:
    """Whether a profile has a step of a kind, loaded or not where that is asked."""
    for step in profile.steps:
        if step.kind != kind:
            continue
        is_loaded = bool(getattr(step, "load", None) or getattr(step, "current_a", None))
        if loaded is None or is_loaded == loaded:
            return True
    return False


# --- what there is


def _slow_start(profile: Profile, _bench: BenchFile, start: StartStep) -> Draft | None:
    """Weigh the bulk capacitor of a DC unit below the voltage at which its converter starts."""
    line = profile.unit.input
    farad = line.bulk_capacitance_f
    if line.kind != "dc" or farad is None or start.slow_limit_a is not None:
        return None
    below = [one for one in start.levels_frac if one * line.nominal_v < line.start_threshold_v]
    if len(below) < 2:
        return None
    limit_a = min(farad * below[0] * line.nominal_v / _FILL_S, 0.5 * start.current_limit_a)
    return Draft(
        name="slow start",
        how="the lowest levels alone, the first so slow that its readings weigh the bulk capacitor",
        work_min=WIRE_MIN,
        danger=LOW,
        start={
            "levels": [format_quantity(one, "%") for one in below],
            "slow_limit": format_quantity(limit_a, "A", 2),
        },
    )


def _line(profile: Profile, _bench: BenchFile, start: StartStep) -> Draft | None:
    """Both ends of the line, without load."""
    if has(profile, "line", loaded=False) or profile.unit.input.tolerance_frac <= 0.0:
        return None
    step = {
        "kind": "line",
        "voltages": ends(profile),
        "current_limit": amps(start.current_limit_a),
        "dwell": _DWELL,
        "checks": _rails(profile),
    }
    return Draft(
        name="line without load",
        how="both ends of the line voltage, nothing connected to the output",
        work_min=WIRE_MIN,
        danger=NOMINAL,
        steps=({**step, **_powered(profile)},),
    )


def _load(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """None, half and full load at nominal voltage."""
    loaded = full_load(profile, bench)
    if loaded is None or loaded.resistor or has(profile, "load"):
        return None
    step = {
        "kind": "load",
        "currents": [amps(share * loaded.main_a) for share in (0.0, 0.5, 1.0)],
        "dwell": _DWELL,
        "checks": _rails(profile),
    }
    rest = ", the others at full load" if loaded.others else ""
    main = f"the output {next(iter(loaded.others and _fixed(profile)), '')}".strip()
    return Draft(
        name="load",
        how=f"nominal voltage; {main} at no load, half load and full load{rest}",
        work_min=WIRE_MIN,
        danger=NOMINAL,
        steps=({**step, **loaded.beside, **_powered(profile)},),
    )


def _line_loaded(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """Both ends of the line at full load, by the loads of the bench or a resistor."""
    loaded = full_load(profile, bench)
    if loaded is None or has(profile, "line", loaded=True):
        return None
    step = {
        "kind": "line",
        "voltages": ends(profile),
        "dwell": _DWELL,
        "checks": _rails(profile),
    }
    return Draft(
        name="line at full load",
        how=f"both ends of the line voltage, {loaded.by}",
        work_min=WIRE_MIN + loaded.move_min,
        danger=NOMINAL,
        steps=({**step, **loaded.keys, **_powered(profile)},),
    )


def _soak(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """Nominal voltage until the unit is warm, at full load where it has an output."""
    if has(profile, "soak") or any(
        isinstance(one, ChargerOutput) for one in profile.unit.output.values()
    ):
        return None
    loaded = full_load(profile, bench)
    duration = format_quantity(WARM_S, "s")
    step = {"kind": "soak", "duration": duration, "checks": _rails(profile) + _warmth(bench)}
    by = ", " + loaded.by if loaded else ""
    return Draft(
        name="soak",
        how=f"nominal voltage for {WARM_S / 60.0:.0f} min{by}; somebody stays with it",
        work_min=WIRE_MIN + (loaded.move_min if loaded else 0.0),
        danger=NOMINAL,
        steps=({**step, **(loaded.keys if loaded else {}), **_powered(profile)},),
    )


def _discharge(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """The fall of the stored charge through a known resistor weighs the bulk capacitor."""
    line = profile.unit.input
    if line.bulk_capacitance_f is None or not bench.all_meters or has(profile, "discharge"):
        return None
    ohm = _DRAIN_S / line.bulk_capacitance_f
    step = {
        "kind": "discharge",
        "across": "bulk",
        "below": format_quantity(min(0.3 * line.nominal_v, 30.0), "V", 2),
        "within": format_quantity(10.0 * _DRAIN_S, "s"),
        "resistor": format_quantity(ohm, "ohm", 2),
    }
    return Draft(
        name="discharge through a resistor",
        how="power off, meter and resistor across the bulk capacitor, its fall followed",
        work_min=WIRE_MIN + 2.0 * MOVE_MIN,
        danger=STORED,
        steps=(step,),
    )


#: Every one but a charger's.
DRAFTS: tuple[Make, ...] = (_slow_start, _line, _load, _line_loaded, _soak, _discharge)
