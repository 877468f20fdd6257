"""How bad a fault is: its range of degrees, and from which one on a technician rejects the unit.

What counts as clearly faulty is said here without a look at any profile: it is what a technician
who saw the part, or measured it alone, would send back. Whether a profile finds it is the question
that a campaign answers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from harness.rehearse.unit_model import Intermittence, UnitModel
from harness.unit.nameplate import Unit

__all__ = ["SEVERITIES", "Severity"]

_Apply = Callable[[UnitModel, float, Unit], UnitModel]
_Clear = Callable[[UnitModel, float, Unit], bool]


@dataclass(frozen=True, kw_only=True, slots=True)
class Severity:
    """The degrees of one fault.

    Attributes:
        what: What the number is.
        unit: Its SI unit; ``1`` for a plain ratio.
        low: Least number drawn.
        high: Greatest number drawn.
        by_decades: True if every decade is as likely as any other, False if every number is.
        clear_when: When the unit is clearly faulty, in words.
        apply: Makes the faulty unit from a healthy one, the number and the nameplate.
        clear: Says whether it is clearly faulty, from the faulty unit, the number and the
            nameplate.
    """

    what: str
    unit: str
    low: float
    high: float
    by_decades: bool = False
    clear_when: str
    apply: _Apply
    clear: _Clear

    def at(self, share_frac: float) -> float:
        """Return the number at a share of the range, from 0 (``low``) to 1 (``high``)."""
        if self.by_decades:
            return float(self.low * (self.high / self.low) ** share_frac)
        return self.low + (self.high - self.low) * share_frac


def _always(_model: UnitModel, _number: float, _unit: Unit) -> bool:
    return True


def _input_short(model: UnitModel, ohm: float, _unit: Unit) -> UnitModel:
    return replace(model, defects=replace(model.defects, input_short_ohm=ohm))


def _varistor_short(model: UnitModel, ohm: float, unit: Unit) -> UnitModel:
    return _input_short(replace(model, varistor=None), ohm, unit)


def _switch_short(model: UnitModel, ohm: float, _unit: Unit) -> UnitModel:
    return replace(
        model,
        converter=replace(model.converter, starts=False),
        defects=replace(model.defects, bulk_short_ohm=ohm),
    )


def _leg_short(model: UnitModel, ohm: float, _unit: Unit) -> UnitModel:
    return replace(model, defects=replace(model.defects, shorted_leg_ohm=ohm))


def _breakdown(model: UnitModel, share: float, _unit: Unit) -> UnitModel:
    level_v = share * model.converter.nominal_bulk_v
    return replace(model, defects=replace(model.defects, breakdown_v=level_v))


def _leak(model: UnitModel, share: float, _unit: Unit) -> UnitModel:
    converter = model.converter
    full_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)
    leak_ohm = converter.nominal_bulk_v**2 / (share * full_w)
    return replace(model, defects=replace(model.defects, bulk_leak_ohm=leak_ohm))


def _clear_leak(model: UnitModel, _share: float, unit: Unit) -> bool:
    leak_w = model.converter.nominal_bulk_v**2 / model.defects.bulk_leak_ohm
    return leak_w + model.converter.idle_power_w >= _REJECTED_DRAW * unit.input.idle_power_w


def _lost_capacitance(model: UnitModel, left: float, _unit: Unit) -> UnitModel:
    """Series resistance rises as the electrolyte dries: in proportion to what is lost."""
    bulk = model.bulk
    aged = replace(
        bulk,
        capacitance_f=left * bulk.nominal_capacitance_f,
        series_resistance_ohm=bulk.series_resistance_ohm / left,
    )
    return replace(model, bulk=aged)


def _output_off(sign: float) -> _Apply:
    def apply(model: UnitModel, off: float, unit: Unit) -> UnitModel:
        nominal_v = next((one.nominal_v for one in unit.output.values()), model.converter.output_v)
        output_v = (1.0 + sign * off) * nominal_v
        return replace(model, converter=replace(model.converter, output_v=output_v))

    return apply


def _folded(model: UnitModel, share: float, _unit: Unit) -> UnitModel:
    limit_a = share * model.converter.output_nominal_a
    return replace(model, converter=replace(model.converter, output_limit_a=limit_a))


def _idle(model: UnitModel, times: float, unit: Unit) -> UnitModel:
    idle_w = times * unit.input.idle_power_w
    return replace(model, converter=replace(model.converter, idle_power_w=idle_w))


def _contact(model: UnitModel, open_s: float, _unit: Unit) -> UnitModel:
    bad = Intermittence(closed_s=0.5, open_s=(0.5 * open_s, 1.5 * open_s))
    return replace(model, defects=replace(model.defects, intermittence=bad))


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


def _short(what: str, apply: _Apply) -> Severity:
    return Severity(
        what=what,
        unit="ohm",
        low=0.05,
        high=5.0,
        by_decades=True,
        clear_when="always: a few ohms across the supply are a short",
        apply=apply,
        clear=_always,
    )


def _off(sign: float) -> Severity:
    return Severity(
        what="output voltage off by",
        unit="%",
        low=0.02,
        high=0.30,
        clear_when="from 5 % on, the usual tolerance of a supply rail",
        apply=_output_off(sign),
        clear=lambda _model, off, _unit: off >= _REJECTED_OFF,
    )


#: Degrees by the name of the fault. One that is not here is taken as the simulation has it: there
#: or not, or from usual to severe; and then it is clear.
SEVERITIES: Mapping[str, Severity] = MappingProxyType(
    {
        "shorted-input": _short("resistance across the input", _input_short),
        "shorted-varistor": _short("resistance of the varistor", _varistor_short),
        "shorted-switch": _short("resistance across the bulk capacitor", _switch_short),
        "shorted-bridge-diode": _short("resistance of the diode", _leg_short),
        "switch-breakdown": Severity(
            what="voltage at which it breaks over, of nominal bulk voltage",
            unit="%",
            low=0.30,
            high=0.95,
            clear_when="always: it breaks over below the voltage it works at",
            apply=_breakdown,
            clear=_always,
        ),
        "leaky-bulk-capacitor": Severity(
            what="power in the leak at nominal voltage, of full-load input power",
            unit="%",
            low=0.02,
            high=1.00,
            by_decades=True,
            clear_when="leak and idle draw together from 1.5 times the nameplate's idle power on",
            apply=_leak,
            clear=_clear_leak,
        ),
        "weak-bulk-capacitor": Severity(
            what="capacitance left, of the printed one",
            unit="%",
            low=0.02,
            high=0.60,
            clear_when="a quarter or less left: beyond any tolerance and any wear",
            apply=_lost_capacitance,
            clear=lambda _model, left, _unit: left <= _REJECTED_LEFT,
        ),
        "output-low": _off(-1.0),
        "output-high": _off(+1.0),
        "current-limit-folded-back": Severity(
            what="output current it gives, of the nameplate's",
            unit="%",
            low=0.20,
            high=0.95,
            clear_when="always: it cannot give the current on its nameplate",
            apply=_folded,
            clear=_always,
        ),
        "intermittent-contact": Severity(
            what="time the contact is open, about twice a second",
            unit="s",
            low=0.005,
            high=1.0,
            by_decades=True,
            clear_when="open for a tenth of a second or longer: any panel meter shows it",
            apply=_contact,
            clear=lambda _model, open_s, _unit: open_s >= _REJECTED_OPEN_S,
        ),
        "idle-over-consumption": Severity(
            what="idle draw, times the nameplate's",
            unit="1",
            low=1.3,
            high=8.0,
            by_decades=True,
            clear_when="from 1.5 times the nameplate's idle power on",
            apply=_idle,
            clear=lambda _model, times, _unit: times >= _REJECTED_DRAW,
        ),
    }
)
