"""What a unit draws at each level of its start: where it begins, and what the start took in all."""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Self

import numpy as np

from harness.judge.power_sums import CREST, Spans
from harness.judge.propagate import Estimate
from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.uncertainty import Contribution, rectangular

BEGIN_VOLTAGE = "start.begin_voltage"
ENERGY = "start.energy"
SWITCH_ON_CURRENT = "start.switch_on_current"

_OWN_UNKNOWN = (
    "The bench file does not state the supply's output_capacitance, which takes energy as well; "
    "'softwake bench --wiring' measures it."
)

#: Share of a hold, at its end, that tells what is drawn at rest.
_END_FRAC = 1.0 / 3.0
#: A converter begins where the draw rises by this share of the idle power over what goes with the
#: square of the voltage.
_BEGINS_FRAC = 0.3


def weigh_begin(
    levels: Sequence[LevelReadings], voltage: ReadingError | None, idle_power_w: float
) -> StartFigures:
    """Tell between which two levels the converter begins to work.

    What a leak draws rises with the square of the voltage; the idle power of a converter comes all
    at once. An offset of the readings of power is the same at every level.

    Source: P = V^2 / R, textbook; an interval in which any value is as likely: JCGM 100:2008,
        4.3.7.
    """
    if voltage is None:
        return _none("The bench file states no accuracy of the supply's voltage.")
    if not idle_power_w > 0.0:
        return _none("The nameplate states no idle power.")
    held = [level for level in levels if level.times_s.size]
    if len(held) < 2:
        return _none("Only one level is held: there is no step of the draw to look for.")
    rest = [_at_rest(level) for level in held]
    for number, (before, after) in enumerate(itertools.pairwise(held)):
        (low_v, low_w), (high_v, high_w) = rest[number : number + 2]
        # what goes with the square of the voltage, by the levels before, or else by those above
        others = rest[:1] + rest[number : number + 1] if number else rest[1:3]
        leak_w = _siemens(others) * (high_v**2 - low_v**2)
        if high_w - low_w - leak_w < _BEGINS_FRAC * idle_power_w:
            continue
        middle_v = 0.5 * (low_v + high_v)
        bound_v = voltage.gain_frac * middle_v + voltage.offset
        causes = (
            rectangular(
                f"between {before.label} and {after.label}", 0.5 * (high_v - low_v), unit="V"
            ),
            rectangular("supply voltage accuracy", bound_v, unit="V"),
        )
        return StartFigures(
            estimates={BEGIN_VOLTAGE: Estimate(value=middle_v, contributions=causes)}
        )
    return _none(
        "The draw rises by no step: the converter begins below the lowest level, or does not run; "
        "it may be off at its enable input."
    )


def weigh_energy(
    levels: Sequence[LevelReadings], errors: SupplyErrors, *, frequency_hz: float | None = None
) -> StartFigures:
    """Sum the energy that a unit took from the first setting of the start to its last reading.

    For a supply that reads no power it is voltage times current. ``frequency_hz`` is that of the
    line; None for DC.

    A DC supply's own capacitor fills through the same shunt: what it takes is left out.

    Between a setting and the first reading that tells of it nothing is seen: of a DC supply it is
    anything up to its limit times the voltage by then, of an AC source up to half of what a peak of
    voltage and one of current make. Half of that is taken.

    Source: W = integral of P dt, textbook, of moving averages where windows overlap; E = C V^2 / 2
        of the supply's own capacitor, textbook; JCGM 100:2008, 5.1.2 and 4.3.7: an offset counts
        for as long as it was read, and what lies anywhere between two bounds is taken in their
        middle.
    """
    held = [level for level in levels if level.times_s.size]
    if not held:
        return StartFigures(why_not={ENERGY: "Nothing was read of the start."})
    read = _Whole.of(held, errors.window_s)
    value = read.sum("power_w")
    unseen_j = 0.5 * math.fsum(_unseen_j(*one, frequency_hz) for one in read.levels)
    volts, amps, power = errors.voltage, errors.current, errors.power
    causes: list[Contribution]
    if power is not None:
        bound_w = power.offset + 0.5 * power.digit
        causes = [
            rectangular("supply power gain", power.gain_frac * abs(value), unit="J"),
            rectangular("supply power offset", bound_w * read.lasts_s, unit="J"),
        ]
    elif volts is not None and amps is not None:
        # where hardly anything flows, errors of the readings alone can sum up below zero
        charge_c, volt_seconds = abs(read.sum("current_a")), abs(read.sum("voltage_v"))
        gains = volts.gain_frac + amps.gain_frac
        bound_v, bound_a = (one.offset + 0.5 * one.digit for one in (volts, amps))
        causes = [
            rectangular("supply voltage and current gain", gains * abs(value), unit="J"),
            rectangular("supply voltage offset", bound_v * charge_c, unit="J"),
            rectangular("supply current offset", bound_a * volt_seconds, unit="J"),
        ]
    else:
        why = "The bench file states no accuracy of the supply's power, or voltage and current."
        return StartFigures(why_not={ENERGY: why})
    causes += [
        rectangular("before the first reading of a level", unseen_j, unit="J"),
        Contribution(name="between readings", standard=read.unseen_j(frequency_hz), unit="J"),
    ]
    own_j = 0.0
    if frequency_hz is None:
        if errors.own_capacitance_f is None:
            return StartFigures(why_not={ENERGY: _OWN_UNKNOWN})
        half_v2 = 0.5 * float(held[-1].voltage_v[-1]) ** 2
        own_j, own_error_j = (
            farad * half_v2 for farad in (errors.own_capacitance_f, errors.own_capacitance_error_f)
        )
        causes.append(rectangular("supply's own capacitance", own_error_j, unit="J"))
    estimate = Estimate(value=value + unseen_j - own_j, contributions=tuple(causes))
    return StartFigures(estimates={ENERGY: estimate})


def weigh_switch_on(peak_a: float, error: ReadingError | None) -> StartFigures:
    """Tell the highest current since power came on, as a supply that holds it reads it.

    Source: JCGM 100:2008, 4.3.7 (a stated bound is rectangular).
    """
    if error is None:
        why = "The bench file states no accuracy of the supply's current_peak."
        return StartFigures(why_not={SWITCH_ON_CURRENT: why})
    bound_a = error.gain_frac * abs(peak_a) + error.offset
    causes = [rectangular("supply current peak accuracy", bound_a, unit="A")]
    if error.digit:
        causes.append(rectangular("supply current peak resolution", 0.5 * error.digit, unit="A"))
    estimate = Estimate(value=peak_a, contributions=tuple(causes))
    return StartFigures(estimates={SWITCH_ON_CURRENT: estimate})


@dataclass(frozen=True, slots=True, kw_only=True)
class _Whole:
    """A whole start: each level with what its readings stand for."""

    levels: tuple[tuple[LevelReadings, Spans], ...]
    #: Time between the last reading of a level and the setting of the next one.
    between_s: tuple[float, ...]

    @classmethod
    def of(cls, levels: Sequence[LevelReadings], window_s: float) -> Self:
        """Take levels as they follow each other, read over a window."""
        before_s, spans, between_s = levels[0].set_s, [], []
        for level in levels:
            spans.append(Spans.of(level, before_s, level.times_s.size, window_s))
            begins_s = min(level.set_s, float(level.times_s[0]) - window_s)
            between_s.append(max(begins_s - before_s, 0.0))
            before_s = float(level.times_s[-1])
        return cls(levels=tuple(zip(levels, spans, strict=True)), between_s=tuple(between_s))

    @property
    def lasts_s(self) -> float:
        """Time from the first setting to the last reading."""
        return float(self.levels[-1][0].times_s[-1]) - self.levels[0][0].set_s

    def sum(self, quantity: str) -> float:
        """Return the integral of one quantity, less what lies before each level's first reading."""
        total, last = 0.0, 0.0
        for (level, spans), between_s in zip(self.levels, self.between_s, strict=True):
            series = getattr(level, quantity)
            total += last * between_s + spans.sum(series) - float(spans.gaps_s[0] * series[0])
            last = float(series[-1])
        return total

    def unseen_j(self, frequency_hz: float | None) -> float:
        """Return the standard uncertainty by what lies between readings."""
        return math.hypot(
            *(
                spans.uneven(level.power_w)
                if frequency_hz is None
                else spans.unseen(level.power_w, 0.5 / frequency_hz)
                for level, spans in self.levels
            )
        )


def _unseen_j(level: LevelReadings, spans: Spans, frequency_hz: float | None) -> float:
    """Return the most energy that may go in before the first reading that tells of a level.

    Source: P = V I of a DC voltage that rises; of a sine's peak and a pulse's, half of their
        product; textbook.
    """
    if frequency_hz is None:
        most_w = level.limit_a * float(np.abs(level.voltage_v[0]))
    else:
        most_w = 0.5 * CREST * level.limit_a * math.sqrt(2.0) * level.set_v
    return float(spans.gaps_s[0]) * max(most_w, float(np.abs(level.power_w[0])))


def _siemens(rest: Sequence[tuple[float, float]]) -> float:
    """Return the conductance that two levels show, each voltage and power; not below zero."""
    if len(rest) < 2:
        return 0.0
    (low_v, low_w), (high_v, high_w) = rest
    return max(high_w - low_w, 0.0) / (high_v**2 - low_v**2) if high_v > low_v else 0.0


def _none(why: str) -> StartFigures:
    return StartFigures(why_not={BEGIN_VOLTAGE: why})


def _at_rest(level: LevelReadings) -> tuple[float, float]:
    """Return voltage and power at the end of a hold."""
    end = slice(-max(int(_END_FRAC * level.times_s.size), 1), None)
    return float(level.voltage_v[end].mean()), float(level.power_w[end].mean())
