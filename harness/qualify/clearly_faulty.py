"""From where on a faulty unit is clearly faulty.

That is said here without a look at any profile: it is what a technician who saw the part, or
measured it alone, would send back without a doubt. Whether a profile finds it is the question that
a campaign answers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from types import MappingProxyType

from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.nameplate import Unit

__all__ = ["BORDERS", "is_clearly_faulty"]

#: A unit that draws so many times its nameplate's idle power is rejected, whatever the cause.
_REJECTED_DRAW = 1.5
#: So much of the printed capacitance left is beyond doubt, whatever the part's own tolerance.
#: Sheets call one worn out at 20 to 30 % lost (endurance, IEC 60384-4, from memory): in between it
#: works, and is found with a capacitance meter on the bench rather than at first power.
_REJECTED_LEFT = 0.25
#: So far off, and the output is wrong whatever it feeds: 5 % is the usual tolerance of a 5 V or
#: 24 V rail (common practice).
_REJECTED_OFF = 0.05
#: A contact that opens for so long is seen by the eye on any panel meter (common practice).
_REJECTED_OPEN_S = 0.1


def is_clearly_faulty(kind: str, model: UnitModel, unit: Unit) -> bool:
    """Return whether a technician would reject a unit without a doubt.

    Args:
        kind: Name of its fault.
        model: The faulty unit.
        unit: The nameplate.
    """
    border = BORDERS.get(kind)
    return border is None or border(model, unit)


def _heavy(model: UnitModel, unit: Unit) -> bool:
    """Idle draw and leak together."""
    leak_w = model.converter.nominal_bulk_v**2 / model.defects.bulk_leak_ohm
    drawn_w = leak_w + model.converter.idle_power_w
    return drawn_w >= _REJECTED_DRAW * unit.input.idle_power_w


def _dried_out(model: UnitModel, _unit: Unit) -> bool:
    return model.bulk.capacitance_f <= _REJECTED_LEFT * model.bulk.nominal_capacitance_f


def _off(model: UnitModel, unit: Unit) -> bool:
    """Against the nameplate; a unit that names no output is held to the typical one."""
    named = (output.nominal_v for output in unit.output.values())
    nominal_v = next(named, None) or typical_model(unit).converter.output_v
    return abs(model.converter.output_v - nominal_v) >= _REJECTED_OFF * nominal_v


def _open_for_long(model: UnitModel, _unit: Unit) -> bool:
    contact = model.defects.intermittence
    return contact is not None and sum(contact.open_s) >= 2.0 * _REJECTED_OPEN_S


#: Where clearly faulty begins, by the name of the fault. One that is not here is always clear: a
#: few ohms across the supply, a part that is open or breaks over below the voltage it works at, an
#: output that cannot give the current on its nameplate.
BORDERS: Mapping[str, Callable[[UnitModel, Unit], bool]] = MappingProxyType(
    {
        "leaky-bulk-capacitor": _heavy,
        "weak-bulk-capacitor": _dried_out,
        "output-low": _off,
        "output-high": _off,
        "intermittent-contact": _open_for_long,
        "idle-over-consumption": _heavy,
    }
)
