"""Faults by name: each turns a healthy unit into one a technician has met, as badly as you like."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.errors import UsageError, did_you_mean
from harness.rehearse.fault import Border, Fault, Remedy, Severity
from harness.rehearse.unit_model import Intermittence, UnitModel, typical_model
from harness.unit.nameplate import Unit

_AC, _DC = frozenset({"ac"}), frozenset({"dc"})


def _with(model: UnitModel, part: str, **values: object) -> UnitModel:
    """Return a unit with other values in one of its parts."""
    return replace(model, **{part: replace(getattr(model, part), **values)})


def _leaky_bulk(model: UnitModel, share: float) -> UnitModel:
    """A capacitor that has seen too high a voltage: its leak takes a share of full-load power."""
    converter = model.converter
    nominal_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)
    leak_ohm = converter.nominal_bulk_v**2 / (share * nominal_w)
    return _with(model, "defects", bulk_leak_ohm=leak_ohm)


def _open_diode(model: UnitModel, _: float) -> UnitModel:
    """DC: the series diode is open. AC: one leg of the bridge, so half-wave rectification."""
    half = "conducts_positive" if model.input_kind == "dc" else "conducts_negative"
    return _with(model, "rectifier", **{half: False})


def _output_off(model: UnitModel, off: float) -> UnitModel:
    """A drifted divider or reference."""
    return _with(model, "converter", output_v=(1.0 + off) * model.converter.output_v)


def _intermittent(model: UnitModel, open_s: float) -> UnitModel:
    """A cracked joint in the input line: opens about once a second."""
    contact = Intermittence(closed_s=0.5, open_s=(0.5 * open_s, 1.5 * open_s))
    return _with(model, "defects", intermittence=contact)


# --- from where on it is clearly faulty

_REJECTED_DRAW, _REJECTED_LEFT, _REJECTED_OFF, _REJECTED_OPEN_S = 1.5, 0.25, 0.05, 0.1


def _draws_much(model: UnitModel, unit: Unit) -> bool:
    leak_w = model.converter.nominal_bulk_v**2 / model.defects.bulk_leak_ohm
    return leak_w + model.converter.idle_power_w >= _REJECTED_DRAW * unit.input.idle_power_w


def _is_dried_out(model: UnitModel, _unit: Unit) -> bool:
    return model.bulk.capacitance_f <= _REJECTED_LEFT * model.bulk.nominal_capacitance_f


def _is_off(model: UnitModel, unit: Unit) -> bool:
    """Against the nameplate; a unit that names no output is held to the typical one."""
    named = (output.nominal_v for output in unit.output.values())
    nominal_v = next(named, None) or typical_model(unit).converter.output_v
    return abs(model.converter.output_v - nominal_v) >= _REJECTED_OFF * nominal_v


def _is_open_for_long(model: UnitModel, _unit: Unit) -> bool:
    contact = model.defects.intermittence
    return contact is not None and 0.5 * sum(contact.open_s) >= _REJECTED_OPEN_S


#: What it draws. Source: rejected whatever the cause (common practice).
_DRAW = Border(
    "leak and idle draw together 1.5 times the nameplate's idle power or more", _draws_much
)
#: What is left of a capacitance. Source: beyond doubt, whatever the part's own tolerance: sheets
#: call one worn out at 20 to 30 % lost (endurance, IEC 60384-4, from memory); in between it works,
#: and is found with a capacitance meter on the bench rather than at first power.
_LEFT = Border("a quarter or less left", _is_dried_out)
#: An output off its value. Source: the usual tolerance of a 5 V or 24 V rail (common practice).
_OFF = Border("5 % or more off the nameplate", _is_off)
#: Time a contact is open. Source: seen by the eye on any panel meter (common practice).
_OPEN = Border("0.1 s or longer", _is_open_for_long)

# --- how bad


def _short(what: str, usual_ohm: float) -> Severity:
    """From 0.05 ohm, a solder bridge, to some ohms, where copper or a die still limits."""
    return Severity(what, "ohm", (5.0, usual_ohm, 0.05), within=(0.02, 20.0), by_decades=True)


#: From the edge of a rail's tolerance to what kills its load.
_OFF_BY = Severity("output voltage off by", "%", (0.03, 0.06, 0.3), within=(0.0, 0.9))
_BREAKS_AT = Severity(
    "voltage it breaks over at, of nominal bulk voltage", "%", (0.95, 0.7, 0.3), within=(0.01, 2.0)
)
_LEAKS = Severity(
    "power in the leak at nominal voltage, of full-load input power",
    "%",
    (0.02, 1.0, 2.0),
    within=(0.001, 10.0),
    by_decades=True,
)
_CAPACITANCE = Severity(
    "capacitance left, of the printed one", "%", (0.6, 0.08, 0.02), within=(0.005, 1.0)
)
_GIVES = Severity("output current it gives, of nominal", "%", (0.95, 0.6, 0.2), within=(0.01, 1.2))
_OPEN_FOR = Severity(
    "mean time the contact is open", "s", (0.02, 0.65, 1.0), within=(0.001, 100.0), by_decades=True
)
_DRAWS = Severity(
    "idle power, times the healthy one", "1", (1.5, 4.0, 8.0), within=(1.0, 1000.0), by_decades=True
)

# --- what would show it

_BUDGET = Remedy(
    "start",
    why="with bulk_capacitance on the nameplate, current that raises no voltage cuts power",
    needs_capacitance=True,
)
_NO_OUTPUT = Remedy("nominal", "meter.voltage_dc", "low", "the output stays at zero")
_HEAVY = Remedy("nominal", "supply.power", "high", "it draws more than a healthy unit")
_CONDUCTS_LONGER = Remedy(
    "load", "power_factor", "high", "at full load the rectifier conducts for longer", kinds=_AC
)
_HALF_WAVE = Remedy(
    "load", "power_factor", "low", "at full load one half of the line does all the work", kinds=_AC
)
_MORE_CURRENT = Remedy(
    "load",
    "supply.current",
    "high",
    "the same power in half the time takes more current",
    kinds=_AC,
)
_GIVES_WAY = Remedy(
    "load", "meter.voltage_dc", "low", "loaded with its nominal current, the output gives way"
)

_ALL = (
    Fault(
        name="shorted-input",
        summary="input shorted behind the fuse",
        severity=_short("resistance across the input", 0.1),
        onset="input_short_ohm",
        change=lambda model, ohm: _with(model, "defects", input_short_ohm=ohm),
        remedies=(_BUDGET,),
    ),
    Fault(
        name="shorted-varistor",
        summary="varistor failed short",
        severity=_short("resistance of the varistor", 0.4),
        onset="input_short_ohm",
        change=lambda model, ohm: _with(
            replace(model, varistor=None), "defects", input_short_ohm=ohm
        ),
        remedies=(_BUDGET,),
    ),
    Fault(
        name="shorted-switch",
        summary="switching transistor shorted",
        severity=_short("resistance across the bulk capacitor", 0.3),
        onset="bulk_short_ohm",
        # winding and tracks remain across the bulk capacitor; nothing switches
        change=lambda model, ohm: _with(
            _with(model, "converter", starts=False), "defects", bulk_short_ohm=ohm
        ),
        remedies=(_BUDGET, _NO_OUTPUT),
    ),
    Fault(
        name="switch-breakdown",
        summary="switching transistor breaks over at 70 % of nominal voltage",
        severity=_BREAKS_AT,
        # once weakened it stays shorted
        change=lambda model, share: _with(
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
        change=lambda model, _: _with(model, "fuse", is_open=True),
        remedies=(_NO_OUTPUT,),
    ),
    Fault(
        name="leaky-bulk-capacitor",
        summary="bulk capacitor leaks",
        severity=_LEAKS,
        border=_DRAW,
        onset="bulk_leak_ohm",
        change=_leaky_bulk,
        remedies=(_HEAVY, _BUDGET),
    ),
    Fault(
        name="weak-bulk-capacitor",
        summary="bulk capacitor lost its capacitance",
        severity=_CAPACITANCE,
        border=_LEFT,
        change=lambda model, left: replace(model, bulk=model.bulk.aged(left)),
        remedies=(
            _CONDUCTS_LONGER,
            Remedy("load", "meter.voltage_ac", "high", "at full load more ripple comes through"),
        ),
    ),
    Fault(
        name="open-rectifier-diode",
        summary="rectifier diode open",
        change=_open_diode,
        remedies=(
            _HALF_WAVE,
            _MORE_CURRENT,
            Remedy("nominal", "meter.voltage_dc", "low", "nothing gets through", kinds=_DC),
        ),
    ),
    Fault(
        name="output-low",
        summary="output 6 % low",
        severity=_OFF_BY,
        border=_OFF,
        change=lambda model, off: _output_off(model, -off),
        remedies=(Remedy("nominal", "meter.voltage_dc", "low", "the output is read"),),
    ),
    Fault(
        name="output-high",
        summary="output 6 % high",
        severity=_OFF_BY,
        border=_OFF,
        change=_output_off,
        remedies=(Remedy("nominal", "meter.voltage_dc", "high", "the output is read"),),
    ),
    Fault(
        name="current-limit-folded-back",
        summary="output gives in at 60 % of its nominal current",
        needs_load=True,
        severity=_GIVES,
        # the current sense drifted
        change=lambda model, share: _with(
            model, "converter", output_limit_a=share * model.converter.output_nominal_a
        ),
        remedies=(_GIVES_WAY,),
    ),
    Fault(
        name="no-start",
        summary="converter does not start",
        change=lambda model, _: _with(model, "converter", starts=False),
        remedies=(_NO_OUTPUT,),
    ),
    Fault(
        name="intermittent-contact",
        summary="contact in the input line opens now and then",
        severity=_OPEN_FOR,
        border=_OPEN,
        change=_intermittent,
        remedies=(
            Remedy("nominal", why="a longer dwell: a contact that opens seldom needs more time"),
        ),
    ),
    Fault(
        name="idle-over-consumption",
        summary="draws four times the usual power at idle",
        severity=_DRAWS,
        border=_DRAW,
        # a part heats without doing harm yet
        change=lambda model, times: _with(
            model, "converter", idle_power_w=times * model.converter.idle_power_w
        ),
        remedies=(_HEAVY,),
    ),
    Fault(
        name="shorted-bridge-diode",
        summary="diode of the bridge shorted",
        kinds=_AC,
        severity=_short("resistance of the diode", 0.1),
        change=lambda model, ohm: _with(model, "defects", shorted_leg_ohm=ohm),
        remedies=(_BUDGET,),
    ),
)

#: Every fault, by the name ``--fault`` takes.
FAULTS: Mapping[str, Fault] = {fault.name: fault for fault in _ALL}


def faults_of(kind: str) -> tuple[str, ...]:
    """Return the names of the faults that a unit with this kind of input can have."""
    return tuple(name for name, fault in FAULTS.items() if kind in fault.kinds)


def fault_named(name: str, kind: str) -> Fault:
    """Return a fault of a unit with this kind of input; UsageError: there is none so named."""
    known = faults_of(kind)
    if name not in known:
        hint = did_you_mean(name, known) or f"; there are {', '.join(sorted(known))}"
        raise UsageError(f"a unit with {kind.upper()} input has no fault {name!r}{hint}")
    return FAULTS[name]
