"""What stands where: which meter and which load serve a step, and what is moved by hand (pure).

An instrument that is wired for good to an output serves what is asked of that output, and nobody
moves anything. One without a place of its own is moved, with power off alone; under power it has
one place in a step.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace

from harness.profile.bench_file import BenchFile
from harness.profile.check import Across, Check
from harness.profile.discharge_step import DischargeStep
from harness.profile.instruments import Meter
from harness.profile.measures import MEASURES, Situation
from harness.profile.step import AnyStep
from harness.unit.nameplate import Unit

#: What the dialects can do, by key of the instrument: ``measure_voltage_dc``.
Operations = Mapping[str, frozenset[str]]
#: What a meter reads by a probe, wherever its leads are.
_BY_PROBE = "temperature"


@dataclass(frozen=True, slots=True)
class MeterPlace:
    """Where a meter stands."""

    across: Across = "output"
    #: Name of the output, where the unit has several; else empty.
    output: str = ""
    series: bool = False  # in series with it, for its current

    @property
    def named(self) -> str:
        """The place by its name, after *the*."""
        return f"{self.across} {self.output}" if self.output else self.across

    @property
    def text(self) -> str:
        """Where it stands, after *stands*."""
        return f"in series with the {self.named}" if self.series else f"at the {self.named}"


#: Across the one output there is, or whichever it is.
AT_OUTPUT = MeterPlace()


@dataclass(frozen=True, slots=True, kw_only=True)
class Wiring:
    """What serves one step."""

    #: Key of the meter that reads a quantity at a place.
    meters: Mapping[tuple[MeterPlace, str], str] = field(default_factory=dict)
    #: Why nothing on the bench reads it there.
    problems: Mapping[tuple[MeterPlace, str], str] = field(default_factory=dict)
    #: Where the meter without a place of its own has to stand under power; None: anywhere.
    meter_at: MeterPlace | None = None
    load: str = ""  # key of the electronic load that is set; empty: none
    #: Keys of the loads at other outputs that are set meanwhile, by output; empty: none is there.
    others: Mapping[str, str] = field(default_factory=dict)
    #: Output to which the load without a place of its own is connected by hand; empty: it is there.
    load_at: str = ""
    #: Whether only a later step wants it so, and power need not go off for it then.
    early: bool = False

    def readings(self, made_of: Iterable[str], place: MeterPlace) -> tuple[str, ...]:
        """Return the readings with the keys of the instruments that give them."""
        return tuple(self._reading(name, place) for name in made_of)

    def all_readings(self, made_of: Iterable[str], place: MeterPlace) -> tuple[str, ...]:
        """Return them, and in a figure of output power that of the loads at other outputs too."""
        names = self.readings(made_of, place)
        beside = [f"{key}.power" for key in self.others.values() if key]
        return (*names, *beside) if len(names) > 1 and f"{self.load}.power" in names else names

    def _reading(self, name: str, place: MeterPlace) -> str:
        role, _, quantity = name.partition(".")
        if role == "load":
            return f"{self.load or role}.{quantity}"
        if role == "meter":
            return f"{self.meters.get((seen_from(place, quantity), quantity), role)}.{quantity}"
        return name


def seen_from(place: MeterPlace, quantity: str) -> MeterPlace:
    """Return where a meter stands that reads a quantity there: for a current, in series."""
    return replace(place, series=quantity == "current_dc")


def place_of(check: Check, step: AnyStep, unit: Unit) -> MeterPlace:
    """Return where a check asks a meter to read."""
    across = step.across if isinstance(step, DischargeStep) else check.across
    if across != "output" or len(unit.output) < 2:
        return MeterPlace(across)
    named: str | None = check.output or getattr(step, "output", None)
    return MeterPlace(across, named or next(iter(unit.output)))


def places_of(check: Check, step: AnyStep, unit: Unit) -> tuple[MeterPlace, ...]:
    """Return every place where a check asks a meter to read, the one it names first."""
    place = place_of(check, step, unit)
    return (place,) if check.after is None else (place, MeterPlace("output", check.after))


def wiring_of(
    step: AnyStep,
    checks: Iterable[Check],
    unit: Unit,
    bench: BenchFile,
    operations: Operations | None,
) -> Wiring:
    """Return what of a bench serves a step of a unit."""
    checks = tuple(checks)
    meters: dict[tuple[MeterPlace, str], str] = {}
    problems: dict[tuple[MeterPlace, str], str] = {}
    moved: MeterPlace | None = None
    powered = _is_powered(step)
    read = any(map(reads_in_dip, checks))
    load, load_at = _load_for(step, unit, bench, read=read)
    for check in checks:
        quantities = _quantities(check, has_load=bool(load))
        asked = itertools.product(quantities, places_of(check, step, unit))
        for quantity, at in asked:
            place = seen_from(at, quantity)
            known = meters.get((place, quantity)) or _meter_at(
                place, quantity, unit, bench, operations
            )
            by_hand = bool(known) and bench.all_meters[known].at is None
            if powered and by_hand and quantity != _BY_PROBE:
                if moved is not None and moved != place:
                    problems[place, quantity] = (
                        f"the meter stands {moved.text} in this step, and its leads are "
                        "moved with power off alone: give the bench a meter there, or the check a "
                        "step of its own"
                    )
                    continue
                moved = place
            if known:
                meters[place, quantity] = known
            else:
                problems[place, quantity] = _why_none(place, quantity, bench)
    wired = {each.at: key for key, each in bench.all_loads.items() if each.at is not None}
    others = {output: wired.get(output, "") for output in getattr(step, "others", ())}
    return Wiring(
        meters=meters,
        problems=problems,
        meter_at=moved,
        load=load,
        load_at=load_at,
        others=others,
    )


def _quantities(check: Check, *, has_load: bool) -> Iterator[str]:
    measure = MEASURES[check.measure]
    otherwise = (measure.otherwise,) if measure.otherwise and not has_load else ()
    for name in dict.fromkeys((*measure.made_of, *measure.readings(has_meter=True), *otherwise)):
        role, _, quantity = name.partition(".")
        if role == "meter":
            yield quantity


def _meter_at(
    place: MeterPlace, quantity: str, unit: Unit, bench: BenchFile, operations: Operations | None
) -> str:
    """Return the key of the meter for a quantity at a place: one that is wired there goes first."""
    can = [
        (key, meter)
        for key, meter in bench.all_meters.items()
        if operations is None or f"measure_{quantity}" in operations.get(key, ())
    ]
    for key, meter in can:
        if meter.at is not None and (quantity == _BY_PROBE or _is_at(meter, place, unit)):
            return key
    return next((key for key, meter in can if meter.at is None), "")


def _is_at(meter: Meter, place: MeterPlace, unit: Unit) -> bool:
    if place.series is not (meter.wired_for == "current"):
        return False
    if place.across != "output":
        return meter.at == place.across
    return meter.at in (place.output or next(iter(unit.output), "output"), place.output or "output")


def _why_none(place: MeterPlace, quantity: str, bench: BenchFile) -> str:
    if not bench.all_meters:
        return "this bench has no meter"
    if bench.meter is not None and bench.meter.at is None:
        return f"dialect {bench.meter.dialect} of the meter has no measure_{quantity}"
    return f"no meter of this bench reads {quantity.replace('_', ' ')} {place.text}"


def _load_for(step: AnyStep, unit: Unit, bench: BenchFile, *, read: bool) -> tuple[str, str]:
    """Return the key of the load of a step, and where it is connected by hand, if it is.

    It is set, or ``read`` alone: with its input off it is a quick voltmeter at the output.
    """
    if not unit.output or not (read or sets_load(step)):
        return "", ""
    output = getattr(step, "output", None) or next(iter(unit.output))
    for key, load in bench.all_loads.items():
        if load.at == output:
            return key, ""
    free = next((key for key, load in bench.all_loads.items() if load.at is None), "")
    return free, output if free and len(unit.output) > 1 else ""


def reads_in_dip(check: Check) -> bool:
    """Whether a check is made of what is read at the output while the input drops."""
    measure = MEASURES[check.measure]
    return Situation.DIPPED in measure.situations and "load.voltage" in measure.made_of


def sets_load(step: AnyStep) -> bool:
    """Whether a step sets an electronic load."""
    return bool(getattr(step, "points", ()) or getattr(step, "point", None))


def wirings_of(
    steps: Iterable[tuple[AnyStep, Iterable[Check]]],
    unit: Unit,
    bench: BenchFile,
    operations: Operations | None,
) -> list[Wiring]:
    """Return what of a bench serves each step of a unit.

    What is moved by hand stands from the first power on at the output where it is wanted first.
    """
    listed = list(steps)
    wirings = [wiring_of(step, checks, unit, bench, operations) for step, checks in listed]
    under_power = [n for n, (step, _) in enumerate(listed) if _is_powered(step)]
    if under_power:
        later = [wirings[number] for number in under_power]
        wanted = [each.meter_at for each in later]
        wirings[under_power[0]] = replace(
            later[0],
            early=later[0].meter_at is None,
            meter_at=later[0].meter_at
            or next((at for at in wanted if at is not None and at.across == "output"), None),
            load_at=next((each.load_at for each in later if each.load_at), ""),
        )
    return wirings


def _is_powered(step: AnyStep) -> bool:
    return Situation.COLD not in step.situations


@dataclass(frozen=True, slots=True)
class Stands:
    """Where what is moved by hand stands, as a plan goes on; None: anywhere."""

    meter: MeterPlace | None = None
    load: str = ""
    powered: bool = False
    pulled: bool = False  # the enable input, by hand

    def moved(self, step: AnyStep, wiring: Wiring, *, pulled: bool) -> tuple[Stands, bool]:
        """Return where it stands in a step, and whether something is moved under way to it."""
        if not _is_powered(step):
            return replace(self, meter=None), False
        meter, load = wiring.meter_at or self.meter, wiring.load_at or self.load
        wanted = Stands(meter, load, powered=True, pulled=pulled)
        return wanted, self.powered and wanted != self
