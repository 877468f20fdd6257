"""Faults of units that work: worn parts, lost protections, trouble at load or line alone."""

from __future__ import annotations

import math
from dataclasses import replace

from harness.rehearse import degrees, needs
from harness.rehearse.cooling_faults import COOLING_FAULTS
from harness.rehearse.degrees import always
from harness.rehearse.fault import AC, Fault, Remedy, changed
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Varistor

#: Line voltage at which a leak of the varistor is stated, of nominal: the usual tolerance.
_HIGH_LINE = 1.1
#: Resistance that a warm inrush limiter has of the input path's (common practice).
_LIMITER_SHARE = 0.6


def _line_peak_v(model: UnitModel) -> float:
    """Return the peak of nominal line voltage, or the DC voltage."""
    if model.boost is not None:
        return model.boost.line_peak_v
    return model.converter.nominal_bulk_v + model.rectifier.drop_v


def _leaky_varistor(model: UnitModel, times: float) -> UnitModel:
    """Its voltage at 1 mA has come down until at high line it takes so much heat.

    Source: P = V I with I = K V^a; over a sine the mean of |sin|^(a + 1) is
    G(a / 2 + 1) / (sqrt(pi) G(a / 2 + 3 / 2)): textbook.
    """
    varistor = model.varistor or Varistor(voltage_at_1ma_v=1.0)
    peak_v, exponent = _HIGH_LINE * _line_peak_v(model), varistor.exponent
    mean = 1.0
    if model.input_kind == "ac":
        half = 0.5 * exponent
        mean = math.exp(math.lgamma(half + 1.0) - math.lgamma(half + 1.5)) / math.sqrt(math.pi)
    peak_a = times * degrees.RATED_HEAT_W[model.input_kind] / (peak_v * mean)
    at_1ma_v = peak_v * (1e-3 / peak_a) ** (1.0 / exponent)
    return replace(model, varistor=replace(varistor, voltage_at_1ma_v=at_1ma_v))


def _drifted_varistor(model: UnitModel, share: float) -> UnitModel:
    varistor = model.varistor or Varistor(voltage_at_1ma_v=1.2 * _HIGH_LINE * _line_peak_v(model))
    drifted_v = (1.0 - share) * varistor.voltage_at_1ma_v
    return replace(model, varistor=replace(varistor, voltage_at_1ma_v=drifted_v))


def _gives_in_low(model: UnitModel, share: float) -> UnitModel:
    """A threshold against low line, or a controller's own supply, has drifted up."""
    below_v = degrees.loaded_valley_v(model, share * _line_peak_v(model))
    return changed(model, "converter", gives_in_below_v=below_v)


def _gives_in_high(model: UnitModel, share: float) -> UnitModel:
    """A threshold against high line, or of the current sense there, has drifted down."""
    above_v = share * _line_peak_v(model) - model.rectifier.drop_v
    return changed(model, "converter", gives_in_above_v=above_v)


def _unlimited(model: UnitModel, share: float) -> UnitModel:
    return changed(model, "converter", output_limit_a=share * model.converter.output_nominal_a)


def _sagging(model: UnitModel, fall: float) -> UnitModel:
    """A feedback lead that broke ahead of the output filter, or a bad joint in the output."""
    converter = model.converter
    ohm = fall * converter.output_v / converter.output_nominal_a
    return changed(model, "converter", output_resistance_ohm=ohm)


def _lossy(model: UnitModel, times: float) -> UnitModel:
    """A winding with shorted turns, a slow switch, a tired rectifier: all its loss grows."""
    converter = model.converter
    more_frac = (times - 1.0) * converter.loss_w / converter.output_nominal_w
    return changed(
        model,
        "converter",
        proportional_loss_frac=converter.proportional_loss_frac + more_frac,
    )


def _rippling(model: UnitModel, times: float) -> UnitModel:
    return changed(
        model, "converter", switching_ripple_v=times * model.converter.switching_ripple_v
    )


def _bridged_limiter(model: UnitModel, left: float) -> UnitModel:
    """Some of the limiter's resistance is left, cold or warm."""
    rectifier = model.rectifier
    if rectifier.limiter is not None:
        limiter = replace(rectifier.limiter, cold_ohm=left * rectifier.limiter.cold_ohm)
        return changed(model, "rectifier", limiter=limiter)
    return changed(
        model,
        "rectifier",
        cold_limiter_ohm=left * rectifier.cold_limiter_ohm,
        resistance_ohm=(1.0 - (1.0 - left) * _LIMITER_SHARE) * rectifier.resistance_ohm,
    )


def _resistive_bulk(model: UnitModel, times: float) -> UnitModel:
    ohm = times * model.bulk.series_resistance_ohm
    return changed(model, "bulk", series_resistance_ohm=ohm)


#: What is not listed among the faults that stop a unit, in the order of the current's way.
WORN_FAULTS = (
    Fault(
        name="leaky-varistor",
        summary="varistor leaks at high line",
        border=always(degrees.OVERHEATED_VARISTOR),
        shown_by="its voltage at 1 mA DC, one lead lifted",
        need=needs.HIGH_LINE,
        severity=degrees.HEAT,
        laws=("varistor_exponent", "idle_share", "loss_by_line"),
        change=_leaky_varistor,
        remedies=(
            Remedy(
                "line",
                "input_power_rise",
                "high",
                "unloaded, from nominal to highest line: nothing else rises so steeply",
            ),
        ),
    ),
    Fault(
        name="drifted-varistor",
        summary="varistor has drifted, and does not leak yet",
        border=degrees.DRIFTED,
        shown_by="its voltage at 1 mA DC, one lead lifted",
        need=needs.PART_ALONE,
        severity=degrees.DRIFT,
        change=_drifted_varistor,
        remedies=(
            Remedy(
                "cold",
                "operator.value",
                "low",
                "its voltage at 1 mA DC, one lead lifted, asked for as a value",
            ),
        ),
    ),
    Fault(
        name="inrush-limiter-bridged",
        summary="inrush limiter missing or bridged",
        kinds=AC,
        border=always("zero-power resistance: 20 % (IEC 60539-1, letter M; from memory)"),
        shown_by="ohmmeter across the cold limiter; peak of the current at a switch-on at nominal "
        "voltage, discharged, on an oscilloscope with a current clamp",
        need=needs.LIMITER_MEASURED,
        severity=degrees.LIMITER_LEFT,
        change=_bridged_limiter,
        remedies=(
            Remedy("cold", "meter.resistance", "low", "the limiter is measured before power"),
        ),
    ),
    Fault(
        name="resistive-bulk-capacitor",
        summary="bulk capacitor's series resistance five times the usual one",
        border=degrees.WORN,
        shown_by="series resistance at 100 kHz, in circuit below 0.1 V or lifted",
        severity=degrees.RESISTANCE,
        laws=("bulk_resistance", "input_path", "ripple_by_bulk", "line_rejection"),
        change=_resistive_bulk,
        remedies=(
            Remedy(
                "cold",
                "operator.value",
                "high",
                "a tester of series resistance reads it in circuit, before power",
            ),
            Remedy(
                "load",
                "meter.voltage_ac",
                "high",
                "at full load more ripple comes through",
            ),
        ),
    ),
    Fault(
        name="gives-in-at-low-line",
        summary="converter gives up at low line under full load",
        border=degrees.GIVES_IN_LOW,
        boosted=False,
        shown_by="nominal load at the lowest line voltage",
        need=needs.LOADED_CORNERS,
        severity=degrees.LOWEST_LINE,
        laws=("input_path", "loss_by_line"),
        change=_gives_in_low,
        remedies=(
            Remedy("line", "meter.voltage_dc", "low", "loaded, at the lowest line it gives up"),
        ),
    ),
    Fault(
        name="gives-in-at-high-line",
        summary="converter gives up at high line under full load",
        border=degrees.GIVES_IN_HIGH,
        boosted=False,
        shown_by="nominal load at the highest line voltage",
        need=needs.LOADED_CORNERS,
        severity=degrees.HIGHEST_LINE,
        laws=("input_path",),
        change=_gives_in_high,
        remedies=(
            Remedy("line", "meter.voltage_dc", "low", "loaded, at the highest line it gives up"),
            Remedy(
                "line", "load.current", "low", "into the voltage of a battery it gives up there"
            ),
        ),
    ),
    Fault(
        name="output-unlimited",
        charges=False,
        summary="output has lost its current limit",
        border=always("sheets state a limit of 150 % of nominal at most (common practice)"),
        shown_by="output current while more than its limit is asked for, briefly",
        need=needs.OVERLOAD,
        severity=degrees.UNLIMITED,
        laws=("droop",),
        change=_unlimited,
        remedies=(
            Remedy("load", "meter.voltage_dc", "high", "at 150 % of nominal it does not give way"),
        ),
    ),
    Fault(
        name="sagging-output",
        charges=False,
        summary="output sags under load",
        border=degrees.SAGS,
        shown_by="voltmeter at the output under nominal load",
        need=needs.NOMINAL_LOAD,
        severity=degrees.SAG,
        laws=("droop",),
        change=_sagging,
        remedies=(
            Remedy("load", "load_regulation", "high", "it falls between no load and full load"),
            Remedy("load", "meter.voltage_dc", "low", "loaded with its nominal current it is low"),
        ),
    ),
    Fault(
        name="lost-efficiency",
        summary="converter loses three times what it should",
        border=degrees.LOSES_MUCH,
        shown_by="power meter at the input under nominal load; thermometer",
        need=needs.NOMINAL_LOAD,
        severity=degrees.LOSS,
        laws=("efficiency", "square_loss", "loss_by_line", "idle_share", "input_path"),
        change=_lossy,
        remedies=(
            Remedy("load", "efficiency", "low", "at full load it takes more for the same output"),
            Remedy("load", "supply.power", "high", "at full load it takes more"),
        ),
    ),
    *COOLING_FAULTS,
    Fault(
        name="rippling-output",
        charges=False,
        summary="output ripple three times the usual one",
        border=degrees.RIPPLES,
        shown_by="oscilloscope at the output; series resistance of its capacitor at 100 kHz",
        severity=degrees.RIPPLE,
        laws=("ripple", "ripple_at_idle", "ripple_by_bulk", "line_rejection"),
        change=_rippling,
        remedies=(
            Remedy("load", "meter.voltage_ac", "high", "with nothing on the output, and with load"),
            Remedy("nominal", "meter.voltage_ac", "high", "it is there without load"),
        ),
    ),
)
