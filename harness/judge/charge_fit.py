"""The circuit of a DC start, fitted to its levels, and the budget of what was fitted.

What is known beforehand (the supply's own capacitance, its offset, the moments of its readings)
enters as an observation of its own, so that each has its share in the uncertainty and stands in the
budget by its name.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from harness.judge.ascent import Ascent, Rows, joined
from harness.judge.charging import Charging
from harness.judge.least_squares import fit
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
#: Slope of a DC supply's voltage with its current: some tens of milliohms (common practice).
_SLOPE_OHM = 0.02
#: So far beyond its bounds a parameter may come by accident.
_BEYOND = 1.2
#: A series resistance that drops this share of the level is as good as unknown.
_DROP_FRAC = 0.5
#: What is known to be zero has this standard deviation, as a share of its scale.
_NONE_FRAC = 1e-6
#: Contributions below this share of the largest are left out of a budget.
_TRIFLE_FRAC = 1e-3
#: What a series resistance is off by since one resistor stands for all that drops, and the more for
#: each time constant that a reading takes: then one or two readings show the whole of the tail. By
#: comparison with circuits that have each part by itself.
_SIMPLE_FRAC, _SHORT_FRAC = 0.03, 0.15
#: Fewest readings on the way up that show whether neighbours are alike.
_FEWEST_ALIKE = 8

#: Parameters that all levels have in common, by their places; each level has three more: the time
#: of its corner, its limit, and its voltage at rest.
BULK_F, _LEAK_S, _STEADY_A, SERIES_OHM, _EMISSION, _OWN_F, _LAG_S, _REGULATION = range(8)
_SHARED, _OF_LEVEL = 8, 3


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
    rows: tuple[tuple[Rows, Rows], ...]  # of each level: voltage and current
    known: tuple[_Known, ...]
    values: FloatArray  # of all parameters, (p,)
    response: FloatArray  # of each to every row, and what was known beforehand: (p, n)
    variance: float  # mean square of the residuals
    voltage: ReadingError
    current: ReadingError
    reading_s: float  # that a reading takes ...
    window_s: float  # ... and that it is averaged over

    def model(self, number: int) -> Charging:
        """Return the fitted curve of one level."""
        return _model(self.values, number)

    @property
    def capacitance(self) -> Estimate:
        """The unit's capacitance with the causes of its uncertainty."""
        causes = (*self._causes(self.response[BULK_F], "F"), self._leak_law(self.bulk_f))
        return _without_trifles(self.bulk_f, causes)

    @property
    def resistance(self) -> Estimate:
        """The resistance in series with the causes of its uncertainty."""
        ohm = float(self.values[SERIES_OHM])
        causes = (*self._causes(self.response[SERIES_OHM], "ohm"), self._simplicity(ohm))
        return _without_trifles(ohm, causes)

    @property
    def time_constant(self) -> Estimate:
        """The time constant of what follows the corner with the causes of its uncertainty.

        Both factors come of one fit, so that what they have in common adds with its sign.

        Source: R C, textbook; JCGM 100:2008, 5.2.2 (correlated inputs).
        """
        ohm, farad = float(self.values[SERIES_OHM]), self.bulk_f
        response = farad * self.response[SERIES_OHM] + ohm * self.response[BULK_F]
        tail_s = self._tail_s
        causes = (
            *self._causes(response, "s"),
            self._leak_law(tail_s),
            self._simplicity(tail_s),
        )
        return _without_trifles(tail_s, causes)

    def _causes(self, response: FloatArray, unit: str) -> Iterator[Contribution]:
        """Yield what a figure is off by that answers the rows like this."""
        readings = self._rows
        scattered = math.sqrt(float(response[:readings] @ response[:readings]))
        yield Contribution(
            name="scatter about the fitted curve",
            standard=scattered * self._inflation,
            dof=self._dof,
            unit=unit,
            distribution="t",
        )
        for number, known in enumerate(self.known, readings):
            yield Contribution(
                name=known.name,
                standard=known.deviation,
                sensitivity=float(response[number]) / known.deviation,
                unit=known.unit,
                distribution="normal" if known.place == SERIES_OHM else "rectangular",
            )
        yield from self._systematic(response)

    def _systematic(self, response: FloatArray) -> Iterator[Contribution]:
        """Yield what all readings of one quantity are off by together, with its sensitivity.

        Source: JCGM 100:2008, 5.2.2: what is common to several inputs adds with its sign.
        """
        gain_v = offset_v = gain_a = digit_a = 0.0
        begin = 0
        for each, (volts, amperes) in zip(self.ascents, self.rows, strict=True):
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

    def _leak_law(self, value: float) -> Contribution:
        """Return what a capacitance, or what goes with it, is off by through the law of the leak.

        A steady draw and one in proportion to the voltage are told apart by a trifle of curvature;
        what any other takes on the way up lies between nothing and what it takes at rest.
        """
        first = self.ascents[0]
        law = rectangular("law of the leak", 0.5 * abs(first.rest_a), unit="A")
        return replace(law, sensitivity=-value / first.limit_a)

    def _simplicity(self, value: float) -> Contribution:
        """Return what a resistance, or what goes with it, is off by in a circuit so simple.

        Its time constant is R C, textbook.
        """
        tail_s = self._tail_s
        short = self.reading_s / tail_s if tail_s > 0.0 else math.inf
        simple = rectangular(
            "circuit simpler than the unit", _SIMPLE_FRAC + _SHORT_FRAC * short, unit="1"
        )
        return replace(simple, sensitivity=value)

    @property
    def _tail_s(self) -> float:
        return float(self.values[SERIES_OHM]) * self.bulk_f

    @property
    def _rows(self) -> int:
        return sum(volts.values.size + amperes.values.size for volts, amperes in self.rows)

    @property
    def _dof(self) -> float:
        return float(sum(each.up_s.size - 2 for each in self.ascents))

    @property
    def _inflation(self) -> float:
        """What the scatter is larger by than the weights say, and readings that are alike count."""
        larger = max(self.variance, 1.0)
        for number in range(len(self.ascents)):
            left = self.left_v(number)
            if left.size >= _FEWEST_ALIKE:
                larger = max(larger, left.size / effective_number(left, 2))
        return math.sqrt(larger)

    @property
    def total_f(self) -> float:
        """The unit's and the supply's own capacitance together."""
        return self.bulk_f + float(self.values[_OWN_F])

    @property
    def bulk_f(self) -> float:
        """The unit's capacitance."""
        return float(self.values[BULK_F])

    @property
    def is_possible(self) -> bool:
        """Whether the readings were taken when they can have been, the diode is one, and they show.

        A tail, R C (textbook), that is over within a reading cannot be told from a diode's.
        """
        if self._tail_s < self.reading_s:
            return False
        lag_s, emission_v = float(self.values[_LAG_S]), float(self.values[_EMISSION])
        most_s, most_v = _BEYOND * self.reading_s, _BEYOND * _EMISSION_V
        return abs(lag_s) <= most_s and abs(emission_v - _EMISSION_V) <= most_v

    def corner_s(self, number: int) -> float:
        """Return when one level had risen, from its first reading on."""
        return float(_of_level(self.values, number)[0])

    def left_v(self, number: int) -> FloatArray:
        """Return by how much readings on the way up lie above the curve."""
        each = self.ascents[number]
        curve_v = self.model(number).voltage_v(each.up_s - self.corner_s(number), self.window_s)
        return each.up_v - curve_v


def fit_charge(
    ascents: tuple[Ascent, ...], errors: SupplyErrors, total_f: float, *, tail: bool = False
) -> ChargeFit | None:
    """Fit the circuit to the levels that could be followed; None where that does not succeed.

    ``total_f`` is about what the unit's and the supply's own capacitor come to together. Without
    the ``tail`` the way up and rest alone are fitted: what the corner looks like, and when each
    reading was taken, has no say in the capacitance then. With it the series resistance comes in.
    """
    assert errors.voltage is not None
    assert errors.current is not None
    known = _known_before(ascents[0], errors, errors.current, tail=tail)
    rows = tuple(
        (each.voltage, joined(each.current, each.tail_a) if tail else each.current)
        for each in ascents
    )
    start, scales = _begin(ascents, known, total_f)
    free = np.flatnonzero(scales > 0.0)

    def residuals(found: FloatArray) -> FloatArray:
        values = start.copy()
        values[free] = found
        parts: list[FloatArray] = []
        for number, (volts, amperes) in enumerate(rows):
            model = _model(values, number)
            corner_s = _of_level(values, number)[0]
            read_v = model.voltage_v(volts.times_s - corner_s, volts.windows_s)
            at_s = amperes.times_s + values[_LAG_S] - corner_s
            read_a = model.current_a(at_s, amperes.windows_s)
            parts.append((read_v - volts.values) / volts.deviations)
            parts.append((read_a - amperes.values) / amperes.deviations)
        beside = [(values[one.place] - one.value) / one.deviation for one in known]
        return np.concatenate([*parts, np.array(beside)])

    found = fit(residuals, start[free], scales[free])
    if found is None:
        return None
    values, response = start.copy(), np.zeros((start.size, found.residuals.size))
    values[free], response[free] = found.values, found.response
    return ChargeFit(
        ascents=ascents,
        rows=rows,
        known=known,
        values=values,
        response=response,
        variance=found.variance,
        voltage=errors.voltage,
        current=errors.current,
        reading_s=errors.reading_s,
        window_s=errors.window_s,
    )


def _without_trifles(value: float, causes: Sequence[Contribution]) -> Estimate:
    most = max(cause.share for cause in causes)
    kept = tuple(cause for cause in causes if not cause.share < _TRIFLE_FRAC * most)
    return Estimate(value=value, contributions=kept)


def _known_before(
    first: Ascent, errors: SupplyErrors, current: ReadingError, *, tail: bool
) -> tuple[_Known, ...]:
    """Return what is known of the parameters before any reading."""
    assert errors.own_capacitance_f is not None
    root = math.sqrt(3.0)  # of a half-width that is rectangular
    own = errors.own_capacitance_f
    offset_a = max(current.offset, _NONE_FRAC * first.limit_a)
    own_error = max(errors.own_capacitance_error_f, _NONE_FRAC * first.limit_a / first.slope)
    known = (
        _Known("supply current offset", _STEADY_A, 0.0, offset_a / root, "A"),
        _Known("diode at the input", _EMISSION, _EMISSION_V, _EMISSION_V / root, "V"),
        _Known("supply's own capacitance", _OWN_F, own, own_error / root, "F"),
    )
    if not tail:
        return known
    most_ohm = _DROP_FRAC * first.rest_v / first.limit_a
    lag_s = max(errors.reading_s, _NONE_FRAC * first.rise_s)
    return (
        *known,
        _Known("moments of the readings", _LAG_S, 0.0, lag_s / root, "s"),
        _Known("regulation of the supply", _REGULATION, _SLOPE_OHM, _SLOPE_OHM / root, "ohm"),
        _Known("series resistance hardly shows", SERIES_OHM, 0.0, most_ohm, "ohm"),
    )


def _begin(
    ascents: tuple[Ascent, ...], known: tuple[_Known, ...], total_f: float
) -> tuple[FloatArray, FloatArray]:
    """Return where the fit begins, and the scales of the parameters; zero for one that is fixed."""
    first = ascents[0]
    start = np.zeros(_SHARED + _OF_LEVEL * len(ascents))
    scales = np.zeros_like(start)
    for one in known:
        start[one.place], scales[one.place] = one.value, one.deviation
    start[BULK_F] = scales[BULK_F] = total_f - start[_OWN_F]
    start[SERIES_OHM] = 1e-2 * scales[SERIES_OHM]
    scales[_LEAK_S] = first.limit_a / first.rest_v
    for number, each in enumerate(ascents):
        place = _SHARED + _OF_LEVEL * number
        start[place : place + _OF_LEVEL] = each.corner_s, each.limit_a, each.rest_v
        scales[place : place + _OF_LEVEL] = each.rise_s, each.limit_a, each.rest_v
    return start, scales


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
        regulation_ohm=float(values[_REGULATION]),
        limit_a=limit_a,
        rest_v=rest_v,
    )
