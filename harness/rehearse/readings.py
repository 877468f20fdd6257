"""What instruments read: the true value where a meter's leads stand, and what they make of it."""

from __future__ import annotations

import math
import random
from collections.abc import Callable

from harness.profile.accuracy import Accuracy
from harness.rehearse.circuit import Circuit
from harness.rehearse.unit_model import UnitModel

#: Ranges of an ohmmeter and the test current in each (common practice).
_RANGES = ((1e3, 1e-3), (1e4, 1e-4), (1e5, 1e-5), (1e8, 1e-6))
#: A junction drops 60 mV less for each tenth of the current (textbook, ideal diode at 300 K).
_DECADE_V = 0.06
#: A junction the wrong way round (common practice for a rectifier diode in the cold).
_REVERSE_OHM = 20e6
#: What is left across an ohmmeter spoils its reading from here on.
_CHARGED_V = 0.1

#: Share of the stated accuracy that goes to a systematic error at most; noise stays below the rest.
_SYSTEMATIC = 0.6
_NOISE = 0.05


def place_voltage_v(circuit: Circuit, where: str) -> float:
    """Return the DC voltage where the meter's leads stand."""
    is_dc = circuit.source.kind == "dc"
    match where:
        case "input" | "input reversed":
            across_v = circuit.source_voltage_v() if is_dc else 0.0
            return across_v if (where == "input") != circuit.backwards else -across_v
        case "bulk":
            return circuit.bulk_v
        case "fuse" | "limiter":
            return 0.0
    return circuit.output_voltage_v()


def cold_resistance_ohm(circuit: Circuit, where: str) -> float:
    """Return what an ohmmeter shows; infinite where it shows overload, as it does under voltage."""
    charged = abs(circuit.bulk_v) > _CHARGED_V or circuit.source_on
    model = circuit.model
    match where:
        case "input" | "input reversed":
            if charged:
                return math.inf
            return _input_ohm(model, reverse=where != "input", fuse_open=circuit.fuse.is_open)
        case "fuse":
            open_now = circuit.source_on or circuit.fuse.is_open
            return math.inf if open_now else model.fuse.resistance_ohm
        case "limiter":
            return math.inf if charged else _limiter_ohm(circuit)
        case "bulk":
            return math.inf if charged else _bulk_ohm(model)
    if model.charger is not None:
        charged = abs(circuit.output_voltage_v()) > _CHARGED_V
        return math.inf if charged else model.charger.drain_ohm
    live = abs(circuit.output_voltage_v()) > _CHARGED_V
    return math.inf if live else model.converter.output_bleed_ohm


def _limiter_ohm(circuit: Circuit) -> float:
    """Return the inrush limiter's resistance at its temperature now; zero where none is there."""
    rectifier = circuit.model.rectifier
    if rectifier.limiter is None:
        return rectifier.cold_limiter_ohm
    return rectifier.limiter.resistance_ohm(circuit.changes.limiter_degc)


def _bulk_ohm(model: UnitModel) -> float:
    """Everything across the bulk capacitor, once the ohmmeter has charged it."""
    bulk, defects = model.bulk, model.defects
    siemens = 1.0 / bulk.leakage_ohm + 1.0 / defects.bulk_short_ohm + 1.0 / defects.bulk_leak_ohm
    return 1.0 / siemens


def _input_ohm(model: UnitModel, *, reverse: bool, fuse_open: bool) -> float:
    """Fuse, then a short across the input beside the rectifier and what is behind it."""
    if fuse_open:
        return math.inf
    leg = model.rectifier.conducts_positive
    if reverse:  # only a bridge has another path for it
        leg = model.input_kind == "ac" and model.rectifier.conducts_negative
    behind_ohm = _through_junctions_ohm(model) if leg else _REVERSE_OHM
    siemens = 1.0 / behind_ohm + 1.0 / model.defects.input_short_ohm
    return model.fuse.resistance_ohm + 1.0 / siemens


def _through_junctions_ohm(model: UnitModel) -> float:
    """Return what an ohmmeter makes of junctions and a resistance, in the range it ends up in."""
    junctions = 2 if model.input_kind == "ac" else 1
    behind_ohm = model.rectifier.resistance_ohm + _bulk_ohm(model)
    for range_ohm, test_a in _RANGES:
        drop_v = model.rectifier.drop_v + junctions * _DECADE_V * math.log10(test_a)
        shown_ohm = behind_ohm + max(drop_v, 0.02) / test_a
        if shown_ohm <= range_ohm:
            return shown_ohm
    return math.inf


def inaccurate(accuracy: Accuracy | None, rng: random.Random) -> Callable[[float], float]:
    """Return what one instrument makes of the true value of one quantity; None is exact.

    Gain, offset and noise stay inside the stated accuracy. They are drawn from a stream of its own,
    so that other readings do not matter.
    """
    stated = accuracy or Accuracy(0.0, 0.0)
    gain = 1.0 + stated.reading_frac * rng.uniform(-_SYSTEMATIC, _SYSTEMATIC)
    offset = stated.fixed * rng.uniform(-_SYSTEMATIC, _SYSTEMATIC)
    noise, most = _NOISE * stated.fixed, (1.0 - _SYSTEMATIC) * stated.fixed

    def read(true: float) -> float:
        drawn = rng.gauss(0.0, noise) if noise else 0.0
        # beyond eight standard deviations: not in a lifetime
        return true * gain + offset + max(-most, min(drawn, most))

    return read
