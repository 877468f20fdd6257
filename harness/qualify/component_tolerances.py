"""How far healthy units of one kind differ: each component value drawn inside its tolerance."""

from __future__ import annotations

from collections.abc import Container, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel

__all__ = ["TOLERANCES", "Tolerance", "healthy_unit"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Tolerance:
    """One component value and how far it may be from the typical one.

    Attributes:
        least: Lowest value, times the typical one.
        most: Highest value, times the typical one.
        source: Where the figures come from.
    """

    least: float
    most: float
    source: str


def _around(frac: float, source: str) -> Tolerance:
    return Tolerance(least=1.0 - frac, most=1.0 + frac, source=source)


_PRACTICE = "common practice"

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
    },
    "bulk": {
        "capacitance_f": _around(0.2, "letter M of IEC 60062, usual for aluminium electrolytics"),
        "series_resistance_ohm": Tolerance(
            least=0.5, most=1.5, source=f"{_PRACTICE}: sheets state a maximum, parts lie below"
        ),
        "leakage_ohm": Tolerance(
            least=0.8, most=5.0, source=f"{_PRACTICE}: sheets state a maximum, bleeders are 5 %"
        ),
    },
    "converter": {
        "start_v": Tolerance(
            least=1.0, most=1.1, source=f"{_PRACTICE}: the nameplate states the lowest threshold"
        ),
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
    },
}


def healthy_unit(
    typical: UnitModel, seed: int, stated: Mapping[str, Container[str]] = MappingProxyType({})
) -> UnitModel:
    """Return a healthy unit: the typical one with every value drawn anew inside its tolerance.

    What is printed on a part stays what it is, and so does what is known of this very unit. The
    stop threshold moves with the start threshold: one divider makes both.

    Args:
        typical: The unit as nameplate or unit model describe it.
        seed: The unit's seed; each value draws from the stream of its own name.
        stated: Fields that stay, by their part.
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
