"""How bad a fault can be, and from where on the unit that has it is clearly faulty.

Clearly faulty is a unit with a part past the end of its life by the part's own standard or by the
practice of its data sheets, and a unit that does not keep to its nameplate. Whether any profile can
see it plays no part: that is what a campaign counts.
"""

from __future__ import annotations

from harness.rehearse.fault import Border, Severity
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.formulas import valley_at_constant_power_v
from harness.unit.nameplate import Unit

# --- from where on it is clearly faulty

#: Draw with nothing on the outputs, against the nameplate's.
_DRAW = 1.1
#: Capacitance left, of the printed one.
_LEFT = 0.8
#: Series resistance, in times of the usual one: twice the most its sheet allows. A sheet states the
#: most; half of it more than the usual one is what campaigns draw for a healthy part.
_RESISTANCE = 2.0 * 1.5
#: Leakage current in amperes for each farad printed and volt it works at.
_LEAK_A_PER_FV = 0.05
#: Output voltage off the nameplate's.
_OFF = 0.05
#: Varistor voltage lost, of the printed one.
_DRIFT = 0.1
#: Loss at full load and ripple, in times of the usual ones.
_LOSS, _RIPPLE = 2.0, 2.0
#: The line that bridges the shorter half-cycle: a converter that gives in there does so at 50 Hz.
_LINE_HZ = 60.0

#: Heat that a varistor bears for ever: rated average dissipation of the usual 14 mm disc, of the
#: low-voltage series and of the mains series (common practice of sheets, from memory).
RATED_HEAT_W = {"dc": 0.1, "ac": 0.6}


def _draws_much(model: UnitModel, unit: Unit) -> bool:
    leak_w = model.converter.nominal_bulk_v**2 / model.defects.bulk_leak_ohm
    return leak_w + model.converter.idle_power_w >= _DRAW * unit.input.idle_power_w


def _is_worn(model: UnitModel, unit: Unit) -> bool:
    bulk, usual = model.bulk, typical_model(unit).bulk
    lost = bulk.capacitance_f <= _LEFT * bulk.nominal_capacitance_f
    return lost or bulk.series_resistance_ohm >= _RESISTANCE * usual.series_resistance_ohm


def _leaks(model: UnitModel, _unit: Unit) -> bool:
    working_v = model.converter.nominal_bulk_v
    leak_a = working_v / model.defects.bulk_leak_ohm
    return leak_a >= _LEAK_A_PER_FV * model.bulk.nominal_capacitance_f * working_v


def _is_off(model: UnitModel, unit: Unit) -> bool:
    """Against the nameplate; a unit that names no output is held to the typical one."""
    named = (output.nominal_v for output in unit.output.values())
    nominal_v = next(named, None) or typical_model(unit).converter.output_v
    return abs(model.converter.output_v - nominal_v) >= _OFF * nominal_v


def loaded_valley_v(model: UnitModel, line_peak_v: float) -> float:
    """Return the lowest bulk voltage under nominal load: at 60 Hz, or on DC the voltage itself."""
    peak_v, converter = line_peak_v - model.rectifier.drop_v, model.converter
    if model.input_kind == "dc":
        return peak_v
    power_w = converter.input_power_w(converter.output_nominal_w)
    return valley_at_constant_power_v(peak_v, _LINE_HZ, model.bulk.capacitance_f, power_w)


def _gives_in_low(model: UnitModel, unit: Unit) -> bool:
    lowest_v = unit.input.lowest_v * unit.input.peak_factor
    return model.converter.gives_in_below_v >= loaded_valley_v(model, lowest_v)


def _gives_in_high(model: UnitModel, unit: Unit) -> bool:
    highest_v = unit.input.highest_v * unit.input.peak_factor - model.rectifier.drop_v
    return model.converter.gives_in_above_v <= highest_v


def _has_drifted(model: UnitModel, unit: Unit) -> bool:
    """Against the voltage printed on it, which is that of the usual one."""
    printed = typical_model(unit).varistor
    if printed is None or model.varistor is None:
        return False
    return model.varistor.voltage_at_1ma_v <= (1.0 - _DRIFT) * printed.voltage_at_1ma_v


def _sags(model: UnitModel, _unit: Unit) -> bool:
    converter = model.converter
    fall_v = converter.output_resistance_ohm * converter.output_nominal_a
    return fall_v >= _OFF * converter.output_v


def _loses_much(model: UnitModel, unit: Unit) -> bool:
    return model.converter.loss_w >= _LOSS * typical_model(unit).converter.loss_w


def _ripples(model: UnitModel, unit: Unit) -> bool:
    usual_v = typical_model(unit).converter.switching_ripple_v
    return model.converter.switching_ripple_v >= _RIPPLE * usual_v


def always(source: str) -> Border:
    """Return the border of a fault that makes every unit clearly faulty, for this reason."""
    return Border("always", source)


WORN = Border(
    "80 % or less of the printed capacitance, or three times the usual series resistance, or more",
    "end of the endurance test: 20 % of the capacitance lost (IEC 60384-4), tan delta or series "
    "resistance twice the sheet's limit (common practice; both from memory)",
    _is_worn,
)
LEAKS = Border(
    "leakage current of 0.05 C V or more (C printed, V it works at)",
    "limit of leakage for general-purpose aluminium electrolytics, which holds at the end of the "
    "endurance test as well (IEC 60384-4, from memory)",
    _leaks,
)
DRAWS_MUCH = Border(
    "1.1 times the nameplate's idle power or more",
    "input at most 10 % above the rated one (IEC 62368-1, B.2.5, from memory)",
    _draws_much,
)
OUTPUT_OFF = Border(
    "5 % or more off the nameplate",
    "the usual tolerance of a 5 V or 24 V rail where the nameplate names none (common practice)",
    _is_off,
)

OVERHEATED_VARISTOR = (
    "more heat than its rated average dissipation (common practice of sheets), from a varistor "
    "voltage far more than 10 % down (IEC 61051-1); both from memory"
)
DRIFTED = Border(
    "voltage at 1 mA 10 % or more below the printed one",
    "end of the endurance test (IEC 61051-1, from memory)",
    _has_drifted,
)
GIVES_IN_LOW = Border(
    "nominal load not carried at the nameplate's lowest line voltage",
    "the nameplate",
    _gives_in_low,
)
GIVES_IN_HIGH = Border(
    "nominal load not carried at the nameplate's highest line voltage",
    "the nameplate",
    _gives_in_high,
)
SAGS = Border(
    "5 % or more lower under nominal load",
    "the usual tolerance of a 5 V or 24 V rail where the nameplate names none (common practice)",
    _sags,
)
LOSES_MUCH = Border(
    "twice the usual loss at full load, or more",
    "rise of temperature goes with the loss (textbook); sheets have no room for twice of it "
    "(common practice)",
    _loses_much,
)
RIPPLES = Border(
    "twice the usual switching ripple or more",
    "ripple goes with the series resistance of the output capacitor (textbook), which has reached "
    "the end of its life at twice its limit (common practice of sheets)",
    _ripples,
)

# --- how bad


def short(what: str, usual_ohm: float) -> Severity:
    """From 0.05 ohm, a solder bridge, to some ohms, where copper or a die still limits."""
    return Severity(what, "ohm", (5.0, usual_ohm, 0.05), within=(0.02, 20.0), by_decades=True)


#: From well inside a rail's tolerance to what kills its load.
OFF_BY = Severity("output voltage off by", "%", (0.03, 0.06, 0.3), within=(0.0, 0.9))
BREAKS_AT = Severity(
    "voltage it breaks over at, of nominal bulk voltage", "%", (0.95, 0.7, 0.3), within=(0.01, 2.0)
)
#: From about the leakage its sheet allows.
LEAK = Severity(
    "power in the leak at nominal voltage, of full-load input power",
    "%",
    (0.001, 1.0, 2.0),
    within=(1e-4, 10.0),
    by_decades=True,
)
#: From the end of its life.
CAPACITANCE = Severity(
    "capacitance left, of the printed one", "%", (_LEFT, 0.08, 0.02), within=(0.005, 1.0)
)
GIVES = Severity("output current it gives, of nominal", "%", (0.95, 0.6, 0.2), within=(0.01, 1.2))
OPEN_FOR = Severity(
    "mean time the contact is open", "s", (0.02, 0.65, 1.0), within=(0.001, 100.0), by_decades=True
)
DRAWS = Severity(
    "idle power, times the healthy one", "1", (1.5, 4.0, 8.0), within=(1.0, 1000.0), by_decades=True
)
HEAT = Severity(
    "heat in it at a line 10 % above nominal, of its rated average dissipation",
    "1",
    (1.0, 3.0, 10.0),
    within=(0.01, 100.0),
    by_decades=True,
)
#: From what its standard allows to where it begins to leak.
DRIFT = Severity("varistor voltage lost", "%", (0.08, 0.12, 0.16), within=(0.0, 0.9))
LIMITER_LEFT = Severity(
    "resistance left, of the printed one",
    "%",
    (0.3, 0.02, 0.002),
    within=(1e-4, 1.0),
    by_decades=True,
)
RESISTANCE = Severity(
    "series resistance, times the healthy one",
    "1",
    (2.0, 5.0, 20.0),
    within=(1.0, 1000.0),
    by_decades=True,
)
#: Within 10 % of nominal, the usual tolerance of a line.
LOWEST_LINE = Severity(
    "line voltage below which it gives in to nominal load, of nominal",
    "%",
    (0.92, 0.95, 0.99),
    within=(0.5, 1.0),
)
HIGHEST_LINE = Severity(
    "line voltage above which it gives in to nominal load, of nominal",
    "%",
    (1.06, 1.04, 1.01),
    within=(1.0, 2.0),
)
UNLIMITED = Severity(
    "output current it gives, of nominal",
    "%",
    (1.6, 3.0, 10.0),
    within=(1.0, 100.0),
    by_decades=True,
)
SAG = Severity(
    "fall of the output from no load to full load", "%", (0.03, 0.1, 0.4), within=(0.0, 0.9)
)
LOSS = Severity(
    "loss at full load, times the healthy one", "1", (1.5, 3.0, 6.0), within=(1.0, 100.0)
)
#: From half the rise of temperature that doubles the usual one, to what moves by itself.
AIR = Severity("air left, of the usual amount", "%", (0.4, 0.2, 0.02), within=(0.0, 1.0))
RISE = Severity(
    "rise of the case for each watt, times the healthy one",
    "1",
    (2.0, 3.0, 6.0),
    within=(1.0, 100.0),
)
RIPPLE = Severity(
    "switching ripple, times the healthy one",
    "1",
    (2.0, 3.0, 10.0),
    within=(1.0, 1000.0),
    by_decades=True,
)
