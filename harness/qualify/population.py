"""The units of a campaign: healthy and faulty in turn, each made from its number alone."""

from __future__ import annotations

import math
from collections.abc import Container, Mapping, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

from harness.qualify.unit_result import HEALTHY
from harness.rehearse.faults import FAULTS, fault_of_unit, faults_of_unit
from harness.rehearse.laws import Laws
from harness.rehearse.model_file import UnitModelFile
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.nameplate import Unit

#: Enough that no two units of a campaign share a seed, and a whole number in JSON everywhere.
_SEED_BITS = 53


@dataclass(frozen=True, slots=True)
class Tolerance:
    """How far a component value may be from the typical one, in times of it."""

    least: float
    most: float
    source: str


def _around(frac: float, source: str) -> Tolerance:
    return Tolerance(1.0 - frac, 1.0 + frac, source)


_PRACTICE = "common practice"

_OF_A_CONVERTER: Mapping[str, Tolerance] = {
    "start_v": Tolerance(1.0, 1.1, f"{_PRACTICE}: the nameplate states the lowest threshold"),
    "restart_delay_s": _around(0.3, f"{_PRACTICE}: an electrolytic and a resistor"),
    "soft_start_s": _around(0.3, f"{_PRACTICE}: a capacitor and a current source"),
    "idle_power_w": _around(0.2, f"{_PRACTICE}: the nameplate states the highest draw"),
    "proportional_loss_frac": _around(0.15, _PRACTICE),
    "square_loss_frac": _around(0.15, _PRACTICE),
    "output_v": _around(0.01, f"{_PRACTICE}: a reference of 0.5 % and a divider of 1 % parts"),
    "output_limit_a": _around(0.1, f"{_PRACTICE}: threshold of the current sense"),
    "output_resistance_ohm": _around(0.3, _PRACTICE),
    "output_capacitance_f": _around(0.2, "letter M of IEC 60062"),
    "output_bleed_ohm": _around(0.05, "letter J of IEC 60062"),
    "line_regulation_frac": _around(0.5, _PRACTICE),
    "line_rejection_frac": _around(0.3, _PRACTICE),
    "switching_ripple_v": _around(0.25, f"{_PRACTICE}: series resistance of the output filter"),
}

#: Part and field of the unit model, to its tolerance. Inside it every value is as likely as any
#: other: where only bounds are known, that is what can be said (JCGM 100:2008, 4.3.7).
TOLERANCES: Mapping[str, Mapping[str, Tolerance]] = {
    "fuse": {
        "melting_i2t_a2s": _around(0.2, f"{_PRACTICE}: melting integrals are typical figures"),
        "resistance_ohm": _around(0.2, f"{_PRACTICE}: cold resistance of fuse-links"),
    },
    "varistor": {
        "voltage_at_1ma_v": _around(0.1, "letter K of IEC 60062, usual for varistors (IEC 61051)"),
    },
    "rectifier": {
        "drop_v": _around(0.1, f"{_PRACTICE}: about 2 mV a kelvin, and the current's decade"),
        "resistance_ohm": _around(0.2, "letter M of IEC 60062, usual for inrush limiters"),
        "cold_limiter_ohm": _around(0.2, "letter M of IEC 60062, usual for inrush limiters"),
    },
    "bulk": {
        "capacitance_f": _around(0.2, "letter M of IEC 60062, usual for aluminium electrolytics"),
        "series_resistance_ohm": _around(0.5, f"{_PRACTICE}: sheets state maxima, parts lie below"),
        "leakage_ohm": Tolerance(0.8, 5.0, f"{_PRACTICE}: sheets state maxima, bleeders are 5 %"),
    },
    "boost": {
        "held_v": _around(0.02, f"{_PRACTICE}: a reference of 1.5 % and a divider of 1 % parts"),
        "start_v": Tolerance(1.0, 1.1, f"{_PRACTICE}: the nameplate states the lowest threshold"),
        "delay_s": _around(0.3, f"{_PRACTICE}: an electrolytic and a resistor"),
        "soft_start_s": _around(0.3, f"{_PRACTICE}: a capacitor and a current source"),
        "loss_frac": _around(0.15, _PRACTICE),
        "filter_f": _around(0.2, "letter M of IEC 60062, usual for X capacitors (IEC 60384-14)"),
    },
    "work": {
        "reset_s": _around(0.2, f"{_PRACTICE}: a supervisor's delay by a capacitor"),
        "boot_s": _around(0.15, _PRACTICE),
        "boot_w": _around(0.15, _PRACTICE),
        "steady_w": _around(0.15, _PRACTICE),
        "burst_w": _around(0.15, _PRACTICE),
        "burst_s": _around(0.1, _PRACTICE),
        "period_s": _around(0.02, f"{_PRACTICE}: a timer by a ceramic resonator or better"),
    },
    "converter": _OF_A_CONVERTER,
    "standby": _OF_A_CONVERTER,  # made of the same parts
    "charger": {
        "current_a": _around(0.04, f"{_PRACTICE}: threshold of the current sense"),
        "voltage_v": _around(0.005, f"{_PRACTICE}: a reference of 0.5 %"),
        "resistance_ohm": _around(0.3, _PRACTICE),
        "wake_v": _around(0.05, _PRACTICE),
        "wake_delay_s": _around(0.3, f"{_PRACTICE}: a capacitor and a current source"),
        "end_current_a": _around(0.08, _PRACTICE),
        "drain_ohm": _around(0.2, _PRACTICE),
    },
}


def _healthy(typical: UnitModel, seed: int, stated: Mapping[str, Container[str]]) -> UnitModel:
    """Draw every value inside its tolerance, but for fields that are stated, by their part.

    What is printed on a part stays what it is. The stop threshold moves with the start threshold:
    one divider makes both.
    """
    changed = {}
    for part, tolerances in TOLERANCES.items():
        values = getattr(typical, part)
        if values is None:  # a part this unit does not have
            continue
        known = stated.get(part, ())
        factors = {
            name: stream(seed, part, name).uniform(one.least, one.most)
            for name, one in tolerances.items()
            if name not in known
        }
        if "start_v" in factors and "stop_v" not in known:
            factors["stop_v"] = factors["start_v"]
        scaled = {name: factor * getattr(values, name) for name, factor in factors.items()}
        changed[part] = replace(values, **scaled)
    return replace(typical, **changed)


class Mix(StrEnum):
    """Which classes take turns."""

    BOTH = "both"  #: a healthy unit before each faulty one
    HEALTHY = "healthy"
    FAULTY = "faulty"


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """One unit, drawn; the fields are those of :class:`harness.qualify.unit_result.UnitResult`."""

    index: int
    kind: str
    severity: float
    clear: bool
    seed: int
    model: UnitModel


class Population:
    """Draws units by number: the same number gives the same unit, whoever asks and when.

    Even numbers are healthy units; odd ones take the faults in turn, those named or every one such
    a unit can have. A ``mix`` of one sort has no other. What the ``model`` of the very unit states
    stands, or is drawn inside the tolerance it states; without one, units are typical of the
    nameplate. All are so under the ``laws``: what is assumed of every unit.

    UsageError: such a unit has no such fault. FileError: the unit model does not fit the nameplate,
    or lists faults of its own.
    """

    def __init__(
        self,
        unit: Unit,
        *,
        seed: int,
        faults: Sequence[str] = (),
        model: UnitModelFile | None = None,
        laws: Laws = Laws(),  # noqa: B008 - it is frozen
        mix: Mix = Mix.BOTH,
    ) -> None:
        for name in faults:
            fault_of_unit(name, unit)
        self.faults = tuple(dict.fromkeys(faults)) or faults_of_unit(unit)
        self._turns = {
            Mix.BOTH: tuple(one for fault in self.faults for one in (HEALTHY, fault)),
            Mix.HEALTHY: (HEALTHY,),
            Mix.FAULTY: self.faults,
        }[mix]
        self._unit = unit
        self._seed = seed
        self._model = model
        self._laws = laws
        self._typical = typical_model(unit, laws)
        self._stated = {} if model is None else model.stated
        if model is not None:
            model.refuse_faults(
                "a campaign puts one fault at a time on units that are healthy without it; leave "
                "[[faults]] out of the unit model, and choose faults with --fault"
            )
            model.unit(unit)

    def kind_of(self, index: int) -> str:
        """Return the class of a unit by its number."""
        return self._turns[index % len(self._turns)]

    def draw(self, index: int) -> Drawn:
        """Return a unit by its number, from 0.

        It follows from the campaign's seed, its class and its place in that class: the faults
        beside it decide how many there are of each, and change none.
        """
        kind = self.kind_of(index)
        whole, rest = divmod(index, len(self._turns))
        place = whole * self._turns.count(kind) + self._turns[:rest].count(kind)
        seed = stream(self._seed, kind, place).getrandbits(_SEED_BITS)
        healthy = self._healthy(seed, self._laws)
        if kind == HEALTHY:
            return Drawn(
                index=index, kind=kind, severity=math.nan, clear=False, seed=seed, model=healthy
            )
        fault = FAULTS[kind]
        severity = None
        if fault.severity is not None:
            severity = fault.severity.at(stream(seed, kind, "severity").random())
        # Whether it is clearly faulty, the usual laws say: others change what is seen of it.
        usual = fault.apply(self._healthy(seed, Laws()), severity=severity)
        return Drawn(
            index=index,
            kind=kind,
            severity=math.nan if severity is None else severity,
            clear=fault.is_clear(usual, self._unit),
            seed=seed,
            model=fault.apply(healthy, severity=severity),
        )

    def _healthy(self, seed: int, laws: Laws) -> UnitModel:
        typical = self._typical if laws == self._laws else typical_model(self._unit, laws)
        if self._model is not None:
            typical = self._model.unit(self._unit, seed=seed, laws=laws)
        return _healthy(typical, seed, self._stated)
