"""What the readings of a start say of the unit: what goes in, and what comes out."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from harness.judge.propagate import Estimate, unknown
from harness.judge.uncertainty import FloatArray

SERIES_RESISTANCE = "start.series_resistance"
TIME_CONSTANT = "start.time_constant"

_NOT_TOLD = "the readings do not tell it"


@dataclass(frozen=True, slots=True, kw_only=True)
class LevelReadings:
    """What the supply read of one start level, from when it was set to the end of its hold."""

    label: str
    set_v: float  # rms for AC
    limit_a: float
    set_s: float  # when the setting was sent, on the clock of the readings
    #: When each answer had come, and what it said; each of shape ``(n,)``.
    times_s: FloatArray
    voltage_v: FloatArray
    current_a: FloatArray
    power_w: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class ReadingError:
    """What the readings of one quantity may be off by, as half-widths."""

    gain_frac: float  # in proportion to the reading, the same in all of them
    offset: float  # the same in all of them, in the quantity's unit
    digit: float = 0.0  # last digit of the display; 0: not stated


@dataclass(frozen=True, slots=True, kw_only=True)
class SupplyErrors:
    """What is known of a supply's readings; None where nobody states it."""

    voltage: ReadingError | None
    current: ReadingError | None
    power: ReadingError | None = None  # AC; for DC power is voltage times current
    own_capacitance_f: float | None = None  # across its terminals, behind its shunt
    own_capacitance_error_f: float = 0.0  # half-width
    #: A reading was taken at most so long before its answer had come, voltage and current each at a
    #: moment of its own.
    reading_s: float = 0.0
    window_s: float = 0.0  # averaging window of a reading; 0: none is stated


@dataclass(frozen=True, slots=True, kw_only=True)
class FittedLevel:
    """The fitted curve of one level, on the clock of the readings; at most 60 points."""

    label: str
    times_s: tuple[float, ...]
    voltage_v: tuple[float, ...]
    current_a: tuple[float, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Gained:
    """What an AC unit's capacitor took from the lowest level up to another one."""

    label: str
    square_v2: float  # energy over capacitance: (B2^2 - B1^2) / 2, and what diodes take
    energy_j: float  # less what the path took
    expanded_j: float  # its uncertainty U


@dataclass(frozen=True, slots=True, kw_only=True)
class StartFigures:
    """Figures of a unit by the names of their measures, and the curve they come from."""

    estimates: Mapping[str, Estimate] = field(default_factory=dict)
    why_not: Mapping[str, str] = field(default_factory=dict)  # a sentence where there is no figure
    #: Figures that each level tells, by measure and label; unknown where a level does not tell.
    by_level: Mapping[str, Mapping[str, Estimate]] = field(default_factory=dict)
    fitted: tuple[FittedLevel, ...] = ()
    #: What the capacitance of an AC unit is the slope of; empty where there is but one.
    gained: tuple[Gained, ...] = ()

    def told(self, measure: str, level: str = "") -> Estimate:
        """Return a figure, of the start or what one level of it tells; where none is, unknown."""
        if level:
            return self.by_level.get(measure, {}).get(level) or unknown(_NOT_TOLD)
        if measure in self.estimates:
            return self.estimates[measure]
        return unknown(self.why_not.get(measure, _NOT_TOLD))


def all_told(*told: StartFigures) -> StartFigures:
    """Return what several weighings of one start say, as one."""
    return StartFigures(
        estimates={name: one for each in told for name, one in each.estimates.items()},
        why_not={name: why for each in told for name, why in each.why_not.items()},
        by_level={name: levels for each in told for name, levels in each.by_level.items()},
        fitted=tuple(curve for each in told for curve in each.fitted),
        gained=tuple(gain for each in told for gain in each.gained),
    )
