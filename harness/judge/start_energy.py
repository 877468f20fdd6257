"""Bulk capacitance of an AC unit, from the energy it takes between two levels that were held.

An AC source tells no charge: its current is rms. But it reads real power, and what a rectifier
gives to its capacitor between two levels is half the capacitance times the gain of peak voltage
squared. So the readings of power are summed while the capacitor fills, above what the unit draws
at rest, where the same instrument read it: its offset cancels. Of the sum, diodes and series
resistance have taken a share, which is worked out and allowed for.

A converter that runs takes energy of its own, and one that starts on the way fills its output as
well: only levels below the threshold are used.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from harness.judge.power_sums import CREST, MOVING, RestingLevel, Spans
from harness.judge.propagate import Estimate
from harness.judge.start_curve import (
    Gained,
    LevelReadings,
    ReadingError,
    StartFigures,
    SupplyErrors,
)
from harness.judge.uncertainty import (
    Contribution,
    combine,
    rectangular,
)

#: Two junctions of a bridge: while they carry the charge, and once they carry next to nothing; with
#: half-widths. Source: silicon, 0.5 V to 0.95 V each by its current; common practice.
_CARRYING_V, _CARRYING_ERROR_V = 1.5, 0.4
_RESTING_V, _RESTING_ERROR_V = 1.25, 0.4
#: The crest of a source's line is that of a sine within this share: a distortion of 0.5 % (common
#: practice of sheets).
_CREST_FRAC = 0.005
#: Fewest readings while a capacitor fills.
_FEWEST = 4
#: The converter runs where the draw at rest has risen by this share of the idle power.
_RUNS_FRAC = 0.3
#: Levels agree where each capacitance lies within so many of its own standard uncertainties.
_AGREES = 4.0
#: A figure less certain than this says nothing.
_COARSEST_FRAC = 0.5

CAPACITANCE = "start.bulk_capacitance"


@dataclass(frozen=True, slots=True, kw_only=True)
class AcUnit:
    """What the nameplate says of an AC unit."""

    threshold_v: float  # input voltage (rms) at which it begins to work
    idle_power_w: float
    frequency_hz: float  # of the line
    #: Series resistance of the path is between none and this: cold, its limiter bounds the
    #: switch-on current.
    most_series_ohm: float
    bulk_f: float | None = None  # as it is printed; None: not known


@dataclass(frozen=True, slots=True, kw_only=True)
class Sum:
    """An integral over the time in which a capacitor fills, with what it may be off by."""

    value: float
    causes: tuple[Contribution, ...]


def weigh_ac(levels: Sequence[LevelReadings], errors: SupplyErrors, unit: AcUnit) -> StartFigures:
    """Weigh the bulk capacitor of an AC unit by the readings of its start.

    With the energy E above the draw at rest from the lowest level used to the highest, the charge
    squared over time J, the peaks B = sqrt(2) V less the diodes at rest, the diodes' drop D while
    they carry, and the series resistance R:
    C = (E - R J) / ((B2^2 - B1^2) / 2 + D (B2 - B1)).

    Source: energy of a capacitor, E = C V^2 / 2, and of a charge through a drop, E = Q V; heat
        R I^2 t: textbook. Uncertainty: JCGM 100:2008, 5.1.2 (first order), 4.3.7 (stated bounds).
    """
    try:
        return _weighed(levels, errors, unit)
    except NoFigure as reason:
        return StartFigures(why_not={CAPACITANCE: str(reason)})


class NoFigure(Exception):
    """Why the readings give no figure, as a whole sentence."""


def _weighed(levels: Sequence[LevelReadings], errors: SupplyErrors, unit: AcUnit) -> StartFigures:
    if errors.power is None or errors.voltage is None or errors.current is None:
        raise NoFigure(
            "The bench file states no accuracy of the supply's voltage, current and power."
        )
    if errors.window_s <= 0.0:
        raise NoFigure("Nobody states over which window the supply averages its readings.")
    resting = _below_threshold(levels, errors, unit)
    gains = [_Gain.of(*pair, errors, unit) for pair in itertools.pairwise(resting)]
    whole = _Gain.joined(gains)
    found = whole.capacitance(errors.voltage, unit)
    _require_agreement(gains, found, errors.voltage, unit)
    uncertainty = combine(found.contributions).expanded
    if not uncertainty < _COARSEST_FRAC * found.value:
        raise NoFigure(
            "The energy of the capacitor is too small beside what the readings of power may be off "
            "by: a higher level below the threshold tells more."
        )
    gained = (_Gain.joined(gains[: number + 1]) for number in range(len(gains)))
    return StartFigures(
        estimates={CAPACITANCE: found},
        gained=tuple(each.told(errors.voltage, unit) for each in gained if len(gains) > 1),
    )


def _below_threshold(
    levels: Sequence[LevelReadings], errors: SupplyErrors, unit: AcUnit
) -> list[RestingLevel]:
    """Return the levels at which no converter runs, from the lowest on."""
    resting: list[RestingLevel] = []
    for level in levels:
        if level.set_v >= unit.threshold_v:
            break
        found = RestingLevel.of(level, errors.window_s)
        if found is None:
            raise NoFigure(
                f"The readings at {level.label} do not rest for long enough: a longer dwell tells "
                "more."
            )
        if resting and found.power_w - resting[0].power_w >= _RUNS_FRAC * unit.idle_power_w:
            break  # it has begun to work before its threshold
        resting.append(found)
    if len(resting) < 2:
        raise NoFigure(
            "Fewer than two levels are held below the voltage at which the converter begins: there "
            "is no gain between them to weigh."
        )
    return resting


@dataclass(frozen=True, slots=True, kw_only=True)
class _Gain:
    """What the unit took between two levels that were held."""

    labels: tuple[str, str]
    from_v: float  # rms, at rest
    to_v: float
    energy: Sum  # J
    square: Sum  # A2s

    @classmethod
    def of(
        cls, before: RestingLevel, after: RestingLevel, errors: SupplyErrors, unit: AcUnit
    ) -> Self:
        """Sum what was read while the capacitor filled."""
        level, n = after.readings, after.moved
        assert errors.power is not None
        assert errors.current is not None
        spans = Spans.of(level, before.readings.times_s[-1], n, errors.window_s)
        filled_s, half_s = float(spans.weights_s.sum()), 0.5 / unit.frequency_hz
        if spans.interval_s - spans.window_s > 0.5 * half_s:
            raise NoFigure(
                "The supply answers more slowly than it averages: what the unit takes between two "
                "readings is not seen."
            )
        at_rest_w = 0.5 * (before.power_w + after.power_w)
        above_w = level.power_w[:n] - at_rest_w
        energy_j = spans.sum(above_w)
        clear = int(np.count_nonzero(above_w > MOVING * after.power_sd_w))
        if clear < _FEWEST:
            raise NoFigure(
                f"The capacitor has filled to {level.label} within {_few(clear)}: a lower current "
                "limit gives more of them."
            )
        if not filled_s * (after.power_w - before.power_w) < energy_j:
            raise NoFigure(f"At {level.label} a leak draws as much as the capacitor takes.")
        before_j = float(spans.gaps_s[0]) * CREST * level.limit_a * math.sqrt(2.0) * level.set_v
        causes = (
            Contribution(
                name=f"scatter of supply power, to {level.label}",
                standard=after.power_sd_w * math.sqrt(float(spans.weights_s @ spans.weights_s)),
                unit="J",
            ),
            *(
                Contribution(
                    name=f"{one.power_scatter.name}, {one.readings.label}",
                    standard=one.power_scatter.standard,
                    dof=one.power_scatter.dof,
                    sensitivity=0.5 * filled_s,
                    unit="W",
                    distribution="t",
                )
                for one in (before, after)
            ),
            rectangular(
                f"leak while it fills to {level.label}",
                0.5 * filled_s * abs(after.power_w - before.power_w),
                unit="J",
            ),
            Contribution(
                name=f"between readings, to {level.label}",
                standard=spans.unseen(above_w, half_s),
                unit="J",
            ),
            rectangular(f"before the first reading at {level.label}", 0.25 * before_j, unit="J"),
            rectangular("supply power gain", errors.power.gain_frac * energy_j, unit="J"),
        )
        square_a2 = level.current_a[:n] ** 2 - after.current_a**2
        read_a = np.abs(level.current_a[:n])  # a reading of nothing may lie below zero
        bound_a = errors.current.gain_frac * read_a + errors.current.offset
        off_a2s = spans.sum(2.0 * read_a * bound_a)
        seen_a2s = max(spans.sum(square_a2), 0.0)
        square = (
            rectangular("supply current accuracy", off_a2s, unit="A2s"),
            Contribution(
                name=f"current between readings, to {level.label}",
                standard=spans.unseen(square_a2, half_s),
                unit="A2s",
            ),
        )
        return cls(
            labels=(before.readings.label, level.label),
            from_v=before.voltage_v,
            to_v=after.voltage_v,
            energy=Sum(value=energy_j, causes=causes),
            square=Sum(value=seen_a2s, causes=square),
        )

    @classmethod
    def joined(cls, gains: Sequence[Self]) -> Self:
        """Return several gains, one after the other, as one."""
        return cls(
            labels=(gains[0].labels[0], gains[-1].labels[1]),
            from_v=gains[0].from_v,
            to_v=gains[-1].to_v,
            energy=_total([gain.energy for gain in gains]),
            square=_total([gain.square for gain in gains]),
        )

    @property
    def _peaks_v(self) -> tuple[float, float]:
        """Peaks of the line less what the diodes drop at rest, before and after."""
        crest = math.sqrt(2.0)
        return crest * self.from_v - _RESTING_V, crest * self.to_v - _RESTING_V

    @property
    def per_farad(self) -> float:
        """Energy that a farad would take, what goes into the diodes included, in J/F."""
        low_v, high_v = self._peaks_v
        return 0.5 * (high_v**2 - low_v**2) + _CARRYING_V * (high_v - low_v)

    def told(self, voltage: ReadingError, unit: AcUnit) -> Gained:
        """Return its point on the line whose slope is the capacitance."""
        alone = self.capacitance(voltage, unit)
        return Gained(
            label=self.labels[1],
            square_v2=self.per_farad,
            energy_j=alone.value * self.per_farad,
            expanded_j=combine(alone.contributions).expanded * self.per_farad,
        )

    def capacitance(self, voltage: ReadingError, unit: AcUnit) -> Estimate:
        """Return the capacitance that takes this energy for this gain of voltage."""
        crest = math.sqrt(2.0)
        low_v, high_v = self._peaks_v
        gained_v, per_farad = high_v - low_v, self.per_farad
        series_ohm = 0.5 * unit.most_series_ohm
        value = (self.energy.value - series_ohm * self.square.value) / per_farad
        by_share = crest * (
            (high_v + _CARRYING_V) * self.to_v - (low_v + _CARRYING_V) * self.from_v
        )

        def cause(name: str, half_width: float, sensitivity: float, its: str) -> Contribution:
            bound = rectangular(name, half_width, unit=its)
            return _scaled(bound, sensitivity)

        back = -value / per_farad
        return Estimate(
            value=value,
            contributions=(
                *(_scaled(one, 1.0 / per_farad) for one in self.energy.causes),
                *(_scaled(one, -series_ohm / per_farad) for one in self.square.causes),
                cause("series resistance", series_ohm, -self.square.value / per_farad, "ohm"),
                cause("supply voltage gain", voltage.gain_frac, back * by_share, ""),
                cause("supply voltage offset", voltage.offset, back * crest * gained_v, "V"),
                cause("crest of the line", _CREST_FRAC, back * by_share, ""),
                cause("diodes that carry", _CARRYING_ERROR_V, back * gained_v, "V"),
                cause("diodes at rest", _RESTING_ERROR_V, -back * gained_v, "V"),
            ),
        )


def _few(readings: int) -> str:
    return "a single reading" if readings <= 1 else f"{readings} readings"


def _total(parts: Sequence[Sum]) -> Sum:
    """Add up integrals; a cause of one name is the same in all of them."""
    together: dict[str, Contribution] = {}
    for one in (cause for part in parts for cause in part.causes):
        known = together.get(one.name)
        if known is None:
            together[one.name] = one
        else:
            share = known.share + one.share
            together[one.name] = _scaled(one, 1.0, standard=share)
    return Sum(value=math.fsum(part.value for part in parts), causes=tuple(together.values()))


def _scaled(cause: Contribution, by: float, *, standard: float | None = None) -> Contribution:
    """Return a cause whose result changes another; or a sum of shares in its place."""
    return Contribution(
        name=cause.name,
        standard=cause.standard if standard is None else standard,
        dof=cause.dof,
        sensitivity=by if standard is not None else by * cause.sensitivity,
        unit=cause.unit,
        distribution=cause.distribution,
    )


def _require_agreement(
    gains: Sequence[_Gain], whole: Estimate, voltage: ReadingError, unit: AcUnit
) -> None:
    """See that each gain tells the same capacitance, within what the readings may be off by."""
    if len(gains) < 2:
        return
    for gain in gains:
        alone = gain.capacitance(voltage, unit)
        standard = combine(alone.contributions).standard
        if abs(alone.value - whole.value) <= _AGREES * standard:
            continue
        raise NoFigure(
            f"From {gain.labels[0]} to {gain.labels[1]} the unit takes what no capacitor takes "
            "that fits the other levels."
        )
