"""Faults by name: each turns a healthy unit into one a technician has met, as badly as you like."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, replace
from types import MappingProxyType

from harness.errors import UsageError, did_you_mean
from harness.rehearse.severity import Severity
from harness.rehearse.unit_model import Intermittence, Onset, UnitModel

__all__ = ["FAULTS", "Fault", "fault_named", "faults_of"]

#: A change made by how bad it is, in the fault's own measure.
_Change = Callable[[UnitModel, float], UnitModel]


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: What ``--fault`` takes.
        summary: What a technician would call it.
        kinds: Kinds of input it applies to: ``dc``, ``ac``.
        needs_load: True if it only shows with a load on the output.
        degree: How bad it can be; None where it is there or it is not.
        onset: Field of the defects that says when it shows; None where it is there from the
            beginning.
        change: Makes the faulty unit.
    """

    name: str
    summary: str
    kinds: frozenset[str] = frozenset({"dc", "ac"})
    needs_load: bool = False
    degree: Severity | None = None
    onset: str | None = None
    change: _Change

    def apply(
        self,
        model: UnitModel,
        *,
        severity: float | str | None = None,
        onset: Onset | None = None,
    ) -> UnitModel:
        """Return ``model`` with this fault in it.

        Args:
            model: The unit.
            severity: How bad, in the fault's own measure (:attr:`degree`), or by name; left out,
                as usual.
            onset: When it shows; left out, from the beginning.

        Raises:
            ValueError: The fault does not exist in a unit with this kind of input, cannot be that
                bad, or cannot come late.
        """
        if model.input_kind not in self.kinds:
            raise ValueError(f"{self.name} does not apply to a unit with {model.input_kind} input")
        if self.degree is None and severity is not None:
            raise ValueError(f"{self.name} is there or it is not: it has no severity")
        late = onset is not None and not onset.is_at_once
        if late and self.onset is None:
            raise ValueError(f"{self.name} is there from the beginning: it has no onset")
        faulty = self.change(
            model, math.nan if self.degree is None else self.degree.number(severity)
        )
        if not late:
            return faulty
        # Until then the part works, so nothing else of the unit may tell.
        defects = replace(faulty.defects, **{str(self.onset): onset})  # type: ignore[arg-type]
        return replace(
            faulty,
            converter=replace(faulty.converter, starts=model.converter.starts),
            varistor=model.varistor,
            defects=defects,
        )


def _shorted_input(model: UnitModel, ohm: float) -> UnitModel:
    """Solder bridge or crushed lead behind the fuse."""
    return replace(model, defects=replace(model.defects, input_short_ohm=ohm))


def _shorted_varistor(model: UnitModel, ohm: float) -> UnitModel:
    """A varistor that met too high a line fails short, at some tenths of an ohm."""
    return _shorted_input(replace(model, varistor=None), ohm)


def _shorted_switch(model: UnitModel, ohm: float) -> UnitModel:
    """Switch shorted: winding and tracks remain across the bulk capacitor; nothing switches."""
    return replace(
        model,
        converter=replace(model.converter, starts=False),
        defects=replace(model.defects, bulk_short_ohm=ohm),
    )


def _switch_breakdown(model: UnitModel, share: float) -> UnitModel:
    """A weakened switch breaks over below nominal bulk voltage and stays shorted."""
    level_v = share * model.converter.nominal_bulk_v
    return replace(model, defects=replace(model.defects, breakdown_v=level_v, breakdown_ohm=0.4))


def _open_fuse(model: UnitModel, _: float) -> UnitModel:
    """The fuse was blown by the event, and not found."""
    return replace(model, fuse=replace(model.fuse, is_open=True))


def _leaky_bulk(model: UnitModel, share: float) -> UnitModel:
    """A capacitor that has seen too high a voltage: its leak takes a share of full-load power."""
    converter = model.converter
    nominal_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)
    leak_ohm = converter.nominal_bulk_v**2 / (share * nominal_w)
    return replace(model, defects=replace(model.defects, bulk_leak_ohm=leak_ohm))


def _weak_bulk(model: UnitModel, left: float) -> UnitModel:
    """A dried-out capacitor: little of its capacitance left, series resistance up as much."""
    return replace(model, bulk=model.bulk.aged(left))


def _open_diode(model: UnitModel, _: float) -> UnitModel:
    """DC: the series diode is open. AC: one leg of the bridge, so half-wave rectification."""
    rectifier = model.rectifier
    if model.input_kind == "dc":
        return replace(model, rectifier=replace(rectifier, conducts_positive=False))
    return replace(model, rectifier=replace(rectifier, conducts_negative=False))


def _shorted_leg(model: UnitModel, ohm: float) -> UnitModel:
    """A diode of the bridge shorted: every second half of the line meets a short."""
    return replace(model, defects=replace(model.defects, shorted_leg_ohm=ohm))


def _output_by(sign: float) -> _Change:
    """Return a change of the output voltage: a drifted divider or reference."""

    def change(model: UnitModel, off: float) -> UnitModel:
        output_v = (1.0 + sign * off) * model.converter.output_v
        return replace(model, converter=replace(model.converter, output_v=output_v))

    return change


def _folded_limit(model: UnitModel, share: float) -> UnitModel:
    """The current sense drifted: the output gives in below its nominal current."""
    limit_a = share * model.converter.output_nominal_a
    return replace(model, converter=replace(model.converter, output_limit_a=limit_a))


def _no_start(model: UnitModel, _: float) -> UnitModel:
    """Start-up resistor open or controller dead: input charges, output never comes."""
    return replace(model, converter=replace(model.converter, starts=False))


def _intermittent(model: UnitModel, open_s: float) -> UnitModel:
    """A cracked joint in the input line: opens about once a second."""
    bad = Intermittence(closed_s=0.5, open_s=(0.5 * open_s, 1.5 * open_s))
    return replace(model, defects=replace(model.defects, intermittence=bad))


def _over_consumption(model: UnitModel, times: float) -> UnitModel:
    """A part heats without doing harm yet: idle power several times what it was."""
    converter = replace(model.converter, idle_power_w=times * model.converter.idle_power_w)
    return replace(model, converter=converter)


#: Between 0.05 ohm, a solder bridge, and some ohms, where copper or a die still limits.
_SHORT_OHM = (0.02, 20.0)


def _short(what: str, usual_ohm: float) -> Severity:
    least, most = _SHORT_OHM
    return Severity(
        what=what,
        unit="ohm",
        mild=5.0,
        usual=usual_ohm,
        severe=0.05,
        least=least,
        most=most,
        by_decades=True,
    )


#: An output off by so much: from the edge of a rail's tolerance to what kills its load.
_OFF = Severity(
    what="output voltage off by",
    unit="%",
    mild=0.03,
    usual=0.06,
    severe=0.3,
    least=0.0,
    most=0.9,
)


def _by_name(faults: Iterable[Fault]) -> Mapping[str, Fault]:
    return MappingProxyType({fault.name: fault for fault in faults})


#: Every fault, by the name ``--fault`` takes.
FAULTS: Mapping[str, Fault] = _by_name(
    (
        Fault(
            name="shorted-input",
            summary="input shorted behind the fuse",
            degree=_short("resistance across the input", 0.1),
            onset="input_short_onset",
            change=_shorted_input,
        ),
        Fault(
            name="shorted-varistor",
            summary="varistor failed short",
            degree=_short("resistance of the varistor", 0.4),
            onset="input_short_onset",
            change=_shorted_varistor,
        ),
        Fault(
            name="shorted-switch",
            summary="switching transistor shorted",
            degree=_short("resistance across the bulk capacitor", 0.3),
            onset="bulk_short_onset",
            change=_shorted_switch,
        ),
        Fault(
            name="switch-breakdown",
            summary="switching transistor breaks over at 70 % of nominal voltage",
            degree=Severity(
                what="voltage it breaks over at, of nominal bulk voltage",
                unit="%",
                mild=0.95,
                usual=0.7,
                severe=0.3,
                least=0.01,
                most=2.0,
            ),
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
            degree=Severity(
                what="power in the leak at nominal voltage, of full-load input power",
                unit="%",
                mild=0.02,
                usual=1.0,
                severe=2.0,
                least=0.001,
                most=10.0,
                by_decades=True,
            ),
            onset="bulk_leak_onset",
            change=_leaky_bulk,
        ),
        Fault(
            name="weak-bulk-capacitor",
            summary="bulk capacitor lost its capacitance",
            degree=Severity(
                what="capacitance left, of the printed one",
                unit="%",
                mild=0.6,
                usual=0.08,
                severe=0.02,
                least=0.005,
                most=1.0,
            ),
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
            degree=_OFF,
            change=_output_by(-1.0),
        ),
        Fault(
            name="output-high",
            summary="output 6 % high",
            degree=_OFF,
            change=_output_by(+1.0),
        ),
        Fault(
            name="current-limit-folded-back",
            summary="output gives in at 60 % of its nominal current",
            needs_load=True,
            degree=Severity(
                what="output current it gives, of nominal",
                unit="%",
                mild=0.95,
                usual=0.6,
                severe=0.2,
                least=0.01,
                most=1.2,
            ),
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
            degree=Severity(
                what="mean time the contact is open",
                unit="s",
                mild=0.02,
                usual=0.65,
                severe=1.0,
                least=0.001,
                most=100.0,
                by_decades=True,
            ),
            change=_intermittent,
        ),
        Fault(
            name="idle-over-consumption",
            summary="draws four times the usual power at idle",
            degree=Severity(
                what="idle power, times the healthy one",
                unit="1",
                mild=1.5,
                usual=4.0,
                severe=8.0,
                least=1.0,
                most=1000.0,
                by_decades=True,
            ),
            change=_over_consumption,
        ),
        Fault(
            name="shorted-bridge-diode",
            summary="diode of the bridge shorted",
            kinds=frozenset({"ac"}),
            degree=_short("resistance of the diode", 0.1),
            change=_shorted_leg,
        ),
    )
)


def faults_of(kind: str) -> tuple[str, ...]:
    """Return the names of the faults that a unit with this kind of input can have."""
    return tuple(name for name, fault in FAULTS.items() if kind in fault.kinds)


def fault_named(name: str, kind: str) -> Fault:
    """Return a fault a user named, for a unit with this kind of input.

    Raises:
        UsageError: There is none of this name, or no such unit has it.
    """
    known = faults_of(kind)
    if name not in known:
        hint = did_you_mean(name, known) or f"; there are {', '.join(sorted(known))}"
        raise UsageError(f"a unit with {kind.upper()} input has no fault {name!r}{hint}")
    return FAULTS[name]
