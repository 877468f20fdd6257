"""How bad a fault can be, and from where on the unit that has it is clearly faulty.

Clearly faulty is a unit with a part past the end of its life by the part's own standard or by the
practice of its data sheets, and a unit that does not keep to its nameplate. Whether any profile can
see it plays no part: that is what a campaign counts.
"""

from __future__ import annotations

from harness.rehearse.fault import Border, Severity
from harness.rehearse.unit_model import UnitModel, typical_model
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
