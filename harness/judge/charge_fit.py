"""The circuit of a DC start, fitted to its levels, and the budget of what was fitted.

What is known beforehand (the supply's own capacitance, its offset, the moments of its readings)
enters as an observation of its own, so that each has its share in the uncertainty and stands in the
budget by its name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from harness.judge.ascent import Ascent
from harness.judge.charging import Charging
from harness.judge.least_squares import Fit, fit
from harness.judge.propagate import Estimate
from harness.judge.start_curve import ReadingError, SupplyErrors
from harness.judge.uncertainty import (
    Contribution,
    FloatArray,
    effective_number,
    rectangular,
)

#: n k T / q of the diode at an input: none, or up to two for n at 300 K (textbook).
_EMISSION_V = 0.026
#: A series resistance that drops this share of the level is as good as unknown.
_DROP_FRAC = 0.5
#: What is known to be zero has this standard deviation, as a share of its scale.
_NONE_FRAC = 1e-6
#: Contributions below this share of the largest are left out of a budget.
_TRIFLE_FRAC = 1e-3
#: Fewest readings on the way up that show whether neighbours are alike.
_FEWEST_ALIKE = 8

#: Parameters that all levels have in common, by their places; each level has three more: the time
#: of its corner, its limit, and its voltage at rest.
BULK_F, _LEAK_S, _STEADY_A, SERIES_OHM, _EMISSION, _OWN_F, _LAG_S = range(7)
_SHARED, _OF_LEVEL = 7, 3
_UNITS = {BULK_F: "F", SERIES_OHM: "ohm"}


@dataclass(frozen=True, slots=True)
class _Known:
    """What is known of a parameter beforehand: an observation beside the readings."""

    name: str
    place: int
    value: float
    deviation: float
    unit: str


@dataclass(frozen=True, slots=True, kw_only=True)
class ChargeFit:
    """The circuit fitted to the levels that could be followed."""

    ascents: tuple[Ascent, ...]
    known: tuple[_Known, ...]
    found: Fit
    voltage: ReadingError
    current: ReadingError
    window_s: float  # of a reading

    def model(self, number: int) -> Charging:
        """Return the fitted curve of one level."""
        return _model(self.found.values, number)

    def estimate(self, place: int) -> Estimate:
        """Return a parameter with the causes of its uncertainty."""
        response, readings = self.found.response[place], self._rows
        scattered = math.sqrt(float(response[:readings] @ response[:readings]))
        causes = [
            Contribution(
                name="scatter about the fitted curve",
                standard=scattered * self._inflation,
                dof=self._dof,
                unit=_UNITS[place],
                distribution="t",
            )
        ]
        for number, known in enumerate(self.known, readings):
            sensitivity = float(response[number]) / known.deviation
            shape = "normal" if known.place == SERIES_OHM else "rectangular"
            causes.append(
                Contribution(
                    name=known.name,
                    standard=known.deviation,
                    sensitivity=sensitivity,
                    unit=known.unit,
                    distribution=shape,
                )
            )
        causes += self._systematic(response)
        if place == BULK_F:
            causes.append(self._leak_law())
        most = max(cause.share for cause in causes)
        kept = tuple(cause for cause in causes if not cause.share < _TRIFLE_FRAC * most)
        return Estimate(value=float(self.found.values[place]), contributions=kept)

    def _systematic(self, response: FloatArray) -> Iterator[Contribution]:
        """Yield what all readings of one quantity are off by together, with its sensitivity.

        Source: JCGM 100:2008, 5.2.2: what is common to several inputs adds with its sign.
        """
        gain_v = offset_v = gain_a = digit_a = 0.0
        begin = 0
        for each in self.ascents:
            volts, amperes = each.voltage, each.current
            end = begin + volts.values.size
            per_volt = response[begin:end] / volts.deviations
            begin, end = end, end + amperes.values.size
            per_ampere = response[begin:end] / amperes.deviations
            begin = end
            gain_v += float(per_volt @ volts.values)
            offset_v += float(per_volt.sum())
            gain_a += float(per_ampere @ amperes.values)
            digit_a += float(per_ampere[: each.up_rows_a].sum())
        for name, half_width, sensitivity, unit in (
            ("supply voltage gain", self.voltage.gain_frac, gain_v, "1"),
            ("supply voltage offset", self.voltage.offset, offset_v, "V"),
            ("supply current gain", self.current.gain_frac, gain_a, "1"),
            ("supply current resolution", 0.5 * self.current.digit, digit_a, "A"),
        ):
            yield Contribution(
                name=name,
                standard=half_width / math.sqrt(3.0),
                sensitivity=sensitivity,
                unit=unit,
                distribution="rectangular",
            )

    def _leak_law(self) -> Contribution:
        """Return what the capacitance is off by where a leak goes by another law than both assumed.

        A steady draw and one in proportion to the voltage are told apart by a trifle of curvature;
        what any other takes on the way up lies between nothing and what it takes at rest.
        """
        first = self.ascents[0]
        value = float(self.found.values[BULK_F])
        law = rectangular("law of the leak", 0.5 * abs(first.rest_a), unit="A")
        return replace(law, sensitivity=-value / first.limit_a)

    @property
    def _rows(self) -> int:
        return sum(each.voltage.values.size + each.current.values.size for each in self.ascents)

    @property
    def _dof(self) -> float:
        return float(sum(each.up_s.size - 2 for each in self.ascents))

    @property
    def _inflation(self) -> float:
        """What the scatter is larger by than the weights say, and readings that are alike count."""
        larger = max(self.found.variance, 1.0)
        for number in range(len(self.ascents)):
            left = self.left_v(number)
            if left.size >= _FEWEST_ALIKE:
                larger = max(larger, left.size / effective_number(left, 2))
        return math.sqrt(larger)

    def corner_s(self, number: int) -> float:
        """Return when one level had risen, from its first reading on."""
        return float(_of_level(self.found.values, number)[0])

    def left_v(self, number: int) -> FloatArray:
        """Return by how much readings on the way up lie above the curve."""
        each = self.ascents[number]
        curve_v = self.model(number).voltage_v(each.up_s - self.corner_s(number), self.window_s)
        return each.up_v - curve_v


def fit_charge(
    ascents: tuple[Ascent, ...], errors: SupplyErrors, total_f: float
) -> ChargeFit | None:
    """Fit the circuit to the levels that could be followed; None where that does not succeed.

    ``total_f`` is about what the unit's and the supply's own capacitor come to together.
    """
    assert errors.voltage is not None
    assert errors.current is not None
    known = _known_before(ascents[0], errors, errors.current)
    found = _fitted(ascents, known, total_f)
    if found is None:
        return None
    return ChargeFit(
        ascents=ascents,
        known=known,
        found=found,
        voltage=errors.voltage,
        current=errors.current,
        window_s=errors.window_s,
    )


def _known_before(first: Ascent, errors: SupplyErrors, current: ReadingError) -> tuple[_Known, ...]:
    """Return what is known of the parameters before any reading."""
    assert errors.own_capacitance_f is not None
    root = math.sqrt(3.0)  # of a half-width that is rectangular
    most_ohm = _DROP_FRAC * first.rest_v / first.limit_a
    own = errors.own_capacitance_f
    offset_a = max(current.offset, _NONE_FRAC * first.limit_a)
    own_error = max(errors.own_capacitance_error_f, _NONE_FRAC * first.limit_a / first.slope)
    lag_s = max(errors.reading_s, _NONE_FRAC * first.rise_s)
    return (
        _Known("supply current offset", _STEADY_A, 0.0, offset_a / root, "A"),
        _Known("diode at the input", _EMISSION, _EMISSION_V, _EMISSION_V / root, "V"),
        _Known("supply's own capacitance", _OWN_F, own, own_error / root, "F"),
        _Known("moments of the readings", _LAG_S, 0.0, lag_s / root, "s"),
        _Known("series resistance hardly shows", SERIES_OHM, 0.0, most_ohm, "ohm"),
    )


def _fitted(ascents: tuple[Ascent, ...], known: tuple[_Known, ...], total_f: float) -> Fit | None:
    first = ascents[0]
    start = np.zeros(_SHARED + _OF_LEVEL * len(ascents))
    scales = np.ones_like(start)
    for one in known:
        start[one.place], scales[one.place] = one.value, one.deviation
    own_f = start[_OWN_F]
    start[BULK_F] = scales[BULK_F] = total_f - own_f
    start[SERIES_OHM] = 1e-2 * scales[SERIES_OHM]
    scales[_LEAK_S] = first.limit_a / first.rest_v
    for number, each in enumerate(ascents):
        place = _SHARED + _OF_LEVEL * number
        start[place : place + _OF_LEVEL] = each.corner_s, each.limit_a, each.rest_v
        scales[place : place + _OF_LEVEL] = each.rise_s, each.limit_a, each.rest_v

    def residuals(values: FloatArray) -> FloatArray:
        parts: list[FloatArray] = []
        for number, each in enumerate(ascents):
            model = _model(values, number)
            corner_s = _of_level(values, number)[0]
            volts, amperes = each.voltage, each.current
            read_v = model.voltage_v(volts.times_s - corner_s, volts.windows_s)
            at_s = amperes.times_s + values[_LAG_S] - corner_s
            read_a = model.current_a(at_s, amperes.windows_s)
            parts.append((read_v - volts.values) / volts.deviations)
            parts.append((read_a - amperes.values) / amperes.deviations)
        beside = [(values[one.place] - one.value) / one.deviation for one in known]
        return np.concatenate([*parts, np.array(beside)])

    return fit(residuals, start, scales)


def _of_level(values: FloatArray, number: int) -> FloatArray:
    begin = _SHARED + _OF_LEVEL * number
    return values[begin : begin + _OF_LEVEL]


def _model(values: FloatArray, number: int) -> Charging:
    _, limit_a, rest_v = map(float, _of_level(values, number))
    return Charging(
        bulk_f=float(values[BULK_F]),
        own_f=float(values[_OWN_F]),
        leak_siemens=float(values[_LEAK_S]),
        steady_a=float(values[_STEADY_A]),
        series_ohm=float(values[SERIES_OHM]),
        emission_v=float(values[_EMISSION]),
        limit_a=limit_a,
        rest_v=rest_v,
    )
