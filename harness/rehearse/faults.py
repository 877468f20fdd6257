"""Faults by name: each turns a healthy unit into one a technician has met, as badly as you like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import Any

from harness.errors import UsageError, did_you_mean
from harness.rehearse import degrees
from harness.rehearse.boost_faults import BOOST_FAULTS
from harness.rehearse.charger_faults import CHARGER_FAULTS
from harness.rehearse.degrees import always, short
from harness.rehearse.fault import AC, DC, Fault, Remedy, changed, has_of, unit_words
from harness.rehearse.needs import NOMINAL_LOAD
from harness.rehearse.rail_faults import RAIL_FAULTS
from harness.rehearse.unit_model import Intermittence, UnitModel, typical_model
from harness.rehearse.work_faults import WORK_FAULTS
from harness.rehearse.worn_faults import WORN_FAULTS
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit


def _leaky_bulk(model: UnitModel, share: float) -> UnitModel:
    """A capacitor that has seen too high a voltage: its leak takes a share of full-load power."""
    converter = model.converter
    nominal_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)
    leak_ohm = converter.nominal_bulk_v**2 / (share * nominal_w)
    return changed(model, "defects", bulk_leak_ohm=leak_ohm)


def _open_diode(model: UnitModel, _: float) -> UnitModel:
    """DC: the series diode is open. AC: one leg of the bridge, so half-wave rectification."""
    half = "conducts_positive" if model.input_kind == "dc" else "conducts_negative"
    return changed(model, "rectifier", **{half: False})


def _output_off(model: UnitModel, off: float) -> UnitModel:
    """A drifted divider or reference."""
    return changed(model, "converter", output_v=(1.0 + off) * model.converter.output_v)


def _intermittent(model: UnitModel, open_s: float) -> UnitModel:
    """A cracked joint in the input line: opens about once a second."""
    contact = Intermittence(closed_s=0.5, open_s=(0.5 * open_s, 1.5 * open_s))
    return changed(model, "defects", intermittence=contact)


# --- what would show it

_BUDGET = Remedy(
    "start",
    why="with bulk_capacitance on the nameplate, current that raises no voltage cuts power",
    needs_capacitance=True,
)
_NO_OUTPUT = Remedy("nominal", "meter.voltage_dc", "low", "the output stays at zero")
_HEAVY = Remedy("nominal", "supply.power", "high", "it draws more than a healthy unit")
_CONDUCTS_LONGER = Remedy(
    "load", "power_factor", "high", "at full load the rectifier conducts for longer", kinds=AC
)
_HALF_WAVE = Remedy(
    "load", "power_factor", "low", "at full load one half of the line does all the work", kinds=AC
)
_MORE_CURRENT = Remedy(
    "load",
    "supply.current",
    "high",
    "the same power in half the time takes more current",
    kinds=AC,
)
_GIVES_WAY = Remedy(
    "load", "meter.voltage_dc", "low", "loaded with its nominal current, the output gives way"
)

_ALL = (
    Fault(
        name="shorted-input",
        summary="input shorted behind the fuse",
        border=always("ohms across the supply: an input has kilohms (common practice)"),
        shown_by="ohmmeter across the input",
        severity=short("resistance across the input", 0.1),
        onset="input_short_ohm",
        change=lambda model, ohm: changed(model, "defects", input_short_ohm=ohm),
        remedies=(_BUDGET,),
    ),
    Fault(
        name="shorted-varistor",
        summary="varistor failed short",
        border=always("its voltage at 1 mA has moved by 10 % or more (IEC 61051-1, from memory)"),
        shown_by="ohmmeter across the varistor, one lead lifted",
        severity=short("resistance of the varistor", 0.4),
        onset="input_short_ohm",
        change=lambda model, ohm: changed(
            replace(model, varistor=None), "defects", input_short_ohm=ohm
        ),
        remedies=(_BUDGET,),
    ),
    Fault(
        name="shorted-switch",
        summary="switching transistor shorted",
        border=always("off, a transistor passes microamperes (common practice of sheets)"),
        shown_by="ohmmeter across the transistor",
        severity=short("resistance across the bulk capacitor", 0.3),
        onset="bulk_short_ohm",
        # winding and tracks remain across the bulk capacitor; nothing switches
        change=lambda model, ohm: changed(
            changed(model, "converter", starts=False), "defects", bulk_short_ohm=ohm
        ),
        remedies=(_BUDGET, _NO_OUTPUT),
    ),
    Fault(
        name="switch-breakdown",
        summary="switching transistor breaks over at 70 % of nominal voltage",
        border=always("its breakdown voltage is below the voltage it works at"),
        shown_by="breakdown test of the transistor, lifted, with its current limited",
        severity=degrees.BREAKS_AT,
        # once weakened it stays shorted
        change=lambda model, share: changed(
            model, "defects", breakdown_v=share * model.converter.nominal_bulk_v, breakdown_ohm=0.4
        ),
        remedies=(
            _BUDGET,
            Remedy("start", why="levels close below 100 %: it breaks over on the way up"),
        ),
    ),
    Fault(
        name="open-fuse",
        summary="fuse open",
        border=always("a fuse-link that is open has operated (IEC 60127-1)"),
        shown_by="ohmmeter across the fuse",
        change=lambda model, _: changed(model, "fuse", is_open=True),
        remedies=(_NO_OUTPUT,),
    ),
    Fault(
        name="leaky-bulk-capacitor",
        summary="bulk capacitor leaks",
        border=degrees.LEAKS,
        shown_by="its leakage current after 5 min at rated voltage, lifted",
        severity=degrees.LEAK,
        onset="bulk_leak_ohm",
        laws=("idle_share", "loss_by_line"),
        change=_leaky_bulk,
        remedies=(_HEAVY, _BUDGET),
    ),
    Fault(
        name="weak-bulk-capacitor",
        summary="bulk capacitor lost its capacitance",
        border=degrees.WORN,
        shown_by="capacitance and tan delta at 100 Hz or 120 Hz, lifted",
        severity=degrees.CAPACITANCE,
        laws=(
            *("ageing", "input_path", "idle_share", "start_margin", "stop_share", "loss_by_line"),
            *("output_energy", "ripple", "ripple_at_idle", "ripple_by_bulk", "line_rejection"),
        ),
        change=lambda model, left: replace(model, bulk=model.bulk.aged(left)),
        remedies=(
            Remedy("start", "start.bulk_capacitance", "low", "weighed below the threshold, slowly"),
            _CONDUCTS_LONGER,
            Remedy("load", "meter.voltage_ac", "high", "at full load more ripple comes through"),
        ),
    ),
    Fault(
        name="open-rectifier-diode",
        summary="rectifier diode open",
        border=always("a diode that does not conduct forward (common practice)"),
        shown_by="diode test of each diode",
        laws=("input_path",),
        change=_open_diode,
        remedies=(
            _HALF_WAVE,
            _MORE_CURRENT,
            Remedy("nominal", "meter.voltage_dc", "low", "nothing gets through", kinds=DC),
        ),
    ),
    Fault(
        name="output-low",
        charges=False,
        summary="output 6 % low",
        border=degrees.OUTPUT_OFF,
        shown_by="voltmeter at the output",
        severity=degrees.OFF_BY,
        laws=("droop", "line_regulation"),
        change=lambda model, off: _output_off(model, -off),
        remedies=(Remedy("nominal", "meter.voltage_dc", "low", "the output is read"),),
    ),
    Fault(
        name="output-high",
        charges=False,
        summary="output 6 % high",
        border=degrees.OUTPUT_OFF,
        shown_by="voltmeter at the output",
        severity=degrees.OFF_BY,
        laws=("droop", "line_regulation"),
        change=_output_off,
        remedies=(Remedy("nominal", "meter.voltage_dc", "high", "the output is read"),),
    ),
    Fault(
        name="current-limit-folded-back",
        charges=False,
        summary="output gives in at 60 % of its nominal current",
        border=always("it does not give the current on its nameplate"),
        shown_by="nominal current drawn from the output",
        need=NOMINAL_LOAD,
        severity=degrees.GIVES,
        laws=("droop",),
        # the current sense drifted
        change=lambda model, share: changed(
            model, "converter", output_limit_a=share * model.converter.output_nominal_a
        ),
        remedies=(_GIVES_WAY,),
    ),
    Fault(
        name="no-start",
        summary="converter does not start",
        border=always("it does not give the voltage on its nameplate"),
        shown_by="voltmeter at the output",
        change=lambda model, _: changed(model, "converter", starts=False),
        remedies=(_NO_OUTPUT,),
    ),
    Fault(
        name="intermittent-contact",
        summary="contact in the input line opens now and then",
        border=always("a contact may not open for a microsecond (IEC 60512-2-5, from memory)"),
        shown_by="voltage across the contact on an oscilloscope, while it is moved and tapped",
        severity=degrees.OPEN_FOR,
        laws=("stop_share", "output_energy", "output_bleed"),
        change=_intermittent,
        remedies=(
            Remedy("nominal", why="a longer dwell: a contact that opens seldom needs more time"),
        ),
    ),
    Fault(
        name="idle-over-consumption",
        summary="draws four times the usual power at idle",
        border=degrees.DRAWS_MUCH,
        shown_by="power meter at the input, outputs open",
        severity=degrees.DRAWS,
        laws=("idle_share", "loss_by_line"),
        # a part heats without doing harm yet
        change=lambda model, times: changed(
            model, "converter", idle_power_w=times * model.converter.idle_power_w
        ),
        remedies=(_HEAVY,),
    ),
    Fault(
        name="shorted-bridge-diode",
        summary="diode of the bridge shorted",
        border=always("a diode that conducts in reverse (common practice)"),
        shown_by="diode test of each diode",
        kinds=AC,
        severity=short("resistance of the diode", 0.1),
        change=lambda model, ohm: changed(model, "defects", shorted_leg_ohm=ohm),
        remedies=(_BUDGET,),
    ),
)

#: Every fault, by the name ``--fault`` takes.
FAULTS: Mapping[str, Fault] = {
    fault.name: fault
    for fault in (*_ALL, *WORN_FAULTS, *BOOST_FAULTS, *CHARGER_FAULTS, *RAIL_FAULTS, *WORK_FAULTS)
}


def faults_of(
    kind: str,
    *,
    boosted: bool = False,
    charges: bool = False,
    has: frozenset[str] = frozenset(),
) -> tuple[str, ...]:
    """Return the names of the faults that a unit with this kind of input can have."""
    return tuple(
        name
        for name, fault in FAULTS.items()
        if fault.fits(kind, boosted=boosted, charges=charges, has=has)
    )


def faults_of_unit(unit: Unit) -> tuple[str, ...]:
    """Return the names of the faults that a unit with this nameplate can have."""
    return faults_of(**_traits(unit))


def fault_of_unit(name: str, unit: Unit) -> Fault:
    """Return a fault of a unit with this nameplate; UsageError: there is none so named."""
    known = faults_of_unit(unit)
    if name not in known:
        hint = did_you_mean(name, known) or f"; there are {', '.join(sorted(known))}"
        traits = _traits(unit)
        del traits["has"]
        what = unit_words(**{**traits, "kind": traits["kind"].upper()})
        raise UsageError(f"{what} has no fault {name!r}{hint}")
    return FAULTS[name]


def _traits(unit: Unit) -> dict[str, Any]:
    """Return what of a nameplate decides which faults a unit can have."""
    line, first = unit.input, next(iter(unit.output.values()), None)
    return {
        "kind": line.kind,
        "boosted": line.boosted_v is not None,
        "charges": isinstance(first, ChargerOutput),
        "has": has_of(typical_model(unit)),
    }
