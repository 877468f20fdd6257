"""Faults by name: each turns a healthy unit into one a technician has met."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from harness.rehearse.unit_model import Intermittence, UnitModel

__all__ = ["FAULTS", "Fault"]

_Change = Callable[[UnitModel], UnitModel]


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: What ``--fault`` takes.
        summary: What a technician would call it.
        kinds: Kinds of input it applies to: ``dc``, ``ac``.
        needs_load: True if it only shows with a load on the output.
        change: Makes the faulty unit.
    """

    name: str
    summary: str
    kinds: frozenset[str] = frozenset({"dc", "ac"})
    needs_load: bool = False
    change: _Change

    def apply(self, model: UnitModel) -> UnitModel:
        """Return ``model`` with this fault in it.

        Raises:
            ValueError: The fault does not exist in a unit with this kind of input.
        """
        if model.input_kind not in self.kinds:
            raise ValueError(f"{self.name} does not apply to a unit with {model.input_kind} input")
        return self.change(model)


def _shorted_input(model: UnitModel) -> UnitModel:
    """Solder bridge or crushed lead behind the fuse: 0.1 ohm."""
    return replace(model, defects=replace(model.defects, input_short_ohm=0.1))


def _shorted_varistor(model: UnitModel) -> UnitModel:
    """A varistor that met too high a line fails short, at some tenths of an ohm."""
    return replace(model, varistor=None, defects=replace(model.defects, input_short_ohm=0.4))


def _shorted_switch(model: UnitModel) -> UnitModel:
    """Switch shorted: winding and tracks remain across the bulk capacitor; nothing switches."""
    return replace(
        model,
        converter=replace(model.converter, starts=False),
        defects=replace(model.defects, bulk_short_ohm=0.3),
    )


def _switch_breakdown(model: UnitModel) -> UnitModel:
    """A weakened switch breaks over at 70 % of nominal bulk voltage and stays shorted."""
    level_v = 0.7 * model.converter.nominal_bulk_v
    return replace(model, defects=replace(model.defects, breakdown_v=level_v, breakdown_ohm=0.4))


def _open_fuse(model: UnitModel) -> UnitModel:
    """The fuse was blown by the event, and not found."""
    return replace(model, fuse=replace(model.fuse, is_open=True))


def _leaky_bulk(model: UnitModel) -> UnitModel:
    """A capacitor that has seen too high a voltage: it would draw as much as full load does."""
    converter = model.converter
    nominal_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)
    leak_ohm = converter.nominal_bulk_v**2 / nominal_w
    return replace(model, defects=replace(model.defects, bulk_leak_ohm=leak_ohm))


def _weak_bulk(model: UnitModel) -> UnitModel:
    """A dried-out capacitor: 8 % of its capacitance left, twelve times the series resistance."""
    bulk = replace(
        model.bulk,
        capacitance_f=0.08 * model.bulk.nominal_capacitance_f,
        series_resistance_ohm=12.0 * model.bulk.series_resistance_ohm,
    )
    return replace(model, bulk=bulk)


def _open_diode(model: UnitModel) -> UnitModel:
    """DC: the series diode is open. AC: one leg of the bridge, so half-wave rectification."""
    rectifier = model.rectifier
    if model.input_kind == "dc":
        return replace(model, rectifier=replace(rectifier, conducts_positive=False))
    return replace(model, rectifier=replace(rectifier, conducts_negative=False))


def _output_by(factor: float) -> _Change:
    """Return a change of the output voltage: a drifted divider or reference."""

    def change(model: UnitModel) -> UnitModel:
        converter = replace(model.converter, output_v=factor * model.converter.output_v)
        return replace(model, converter=converter)

    return change


def _folded_limit(model: UnitModel) -> UnitModel:
    """The current sense drifted: the output gives in at 60 % of its nominal current."""
    limit_a = 0.6 * model.converter.output_nominal_a
    return replace(model, converter=replace(model.converter, output_limit_a=limit_a))


def _no_start(model: UnitModel) -> UnitModel:
    """Start-up resistor open or controller dead: input charges, output never comes."""
    return replace(model, converter=replace(model.converter, starts=False))


def _intermittent(model: UnitModel) -> UnitModel:
    """A cracked joint in the input line: opens about once a second, for long enough to be seen."""
    bad = Intermittence(closed_s=0.5, open_s=(0.3, 1.0))
    return replace(model, defects=replace(model.defects, intermittence=bad))


def _over_consumption(model: UnitModel) -> UnitModel:
    """A part heats without doing harm yet: four times the idle power."""
    converter = replace(model.converter, idle_power_w=4.0 * model.converter.idle_power_w)
    return replace(model, converter=converter)


def _by_name(faults: Iterable[Fault]) -> Mapping[str, Fault]:
    return MappingProxyType({fault.name: fault for fault in faults})


#: Every fault, by the name ``--fault`` takes.
FAULTS: Mapping[str, Fault] = _by_name(
    (
        Fault(
            name="shorted-input",
            summary="input shorted behind the fuse",
            change=_shorted_input,
        ),
        Fault(
            name="shorted-varistor",
            summary="varistor failed short",
            change=_shorted_varistor,
        ),
        Fault(
            name="shorted-switch",
            summary="switching transistor shorted",
            change=_shorted_switch,
        ),
        Fault(
            name="switch-breakdown",
            summary="switching transistor breaks over at 70 % of nominal voltage",
            change=_switch_breakdown,
        ),
        Fault(
            name="open-fuse",
            summary="fuse open",
            change=_open_fuse,
        ),
        Fault(
            name="leaky-bulk-capacitor",
            summary="bulk capacitor leaks",
            change=_leaky_bulk,
        ),
        Fault(
            name="weak-bulk-capacitor",
            summary="bulk capacitor lost its capacitance",
            change=_weak_bulk,
        ),
        Fault(
            name="open-rectifier-diode",
            summary="rectifier diode open",
            change=_open_diode,
        ),
        Fault(
            name="output-low",
            summary="output 6 % low",
            change=_output_by(0.94),
        ),
        Fault(
            name="output-high",
            summary="output 6 % high",
            change=_output_by(1.06),
        ),
        Fault(
            name="current-limit-folded-back",
            summary="output gives in at 60 % of its nominal current",
            needs_load=True,
            change=_folded_limit,
        ),
        Fault(
            name="no-start",
            summary="converter does not start",
            change=_no_start,
        ),
        Fault(
            name="intermittent-contact",
            summary="contact in the input line opens now and then",
            change=_intermittent,
        ),
        Fault(
            name="idle-over-consumption",
            summary="draws four times the usual power at idle",
            change=_over_consumption,
        ),
    )
)
