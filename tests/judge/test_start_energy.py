"""Bulk capacitance of an AC unit by energy: closed formulas, and what gives no figure."""

from __future__ import annotations

import math
import random
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import pytest

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors
from harness.judge.start_energy import CAPACITANCE, AcUnit, weigh_ac
from harness.judge.uncertainty import combine

UNIT = AcUnit(threshold_v=55.0, idle_power_w=2.0, frequency_hz=60.0, most_series_ohm=14.0)
ERRORS = SupplyErrors(
    voltage=ReadingError(gain_frac=1e-3, offset=0.1),
    current=ReadingError(gain_frac=2e-3, offset=3e-3),
    power=ReadingError(gain_frac=3e-3, offset=0.2),
    window_s=0.05,
)
#: What the bridge drops, at rest and while it carries, as the harness takes it.
RESTING_V, CARRYING_V = 1.25, 1.5


def start(
    bulk_f: float,
    levels_v: Sequence[float] = (12.0, 30.0, 46.8),
    *,
    offset_w: float = 0.0,
    leak_w: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
    more_j: Sequence[float] = (0.0, 0.0, 0.0, 0.0),
    fill_s: float = 0.52,
    hold_s: float = 1.0,
    apart_s: float = 0.052,
    series_ohm: float = 7.0,
    current_a: float = 0.03,
) -> list[LevelReadings]:
    """Readings of a start whose capacitor takes an even power, level by level, with noise.

    The energy is that of the capacitor and of its charge through the diodes, E = C V^2 / 2 and
    E = Q V, and the heat R I^2 t (textbook); a level may take more, and leaks at rest, half way
    to it meanwhile.
    """
    rng, made, time_s, before_v = random.Random(1), [], 0.0, 0.0
    for number, level_v in enumerate(levels_v):
        peak_v = math.sqrt(2.0) * level_v - RESTING_V
        energy_j = 0.5 * bulk_f * (peak_v**2 - before_v**2)
        energy_j += bulk_f * (peak_v - before_v) * CARRYING_V
        fills = round(fill_s / apart_s)
        energy_j += series_ohm * current_a**2 * fills * apart_s + more_j[number]
        fill_w = energy_j / (fills * apart_s)
        readings = fills + round(hold_s / apart_s)
        leaks_w = (0.5 * (leak_w[number] + leak_w[max(number - 1, 0)]), leak_w[number])
        powers = [fill_w * (n < fills) + leaks_w[n >= fills] + offset_w for n in range(readings)]
        currents = [current_a * (n < fills) for n in range(readings)]
        volts = [level_v * (0.7 + 0.3 * min((n + 1) / fills, 1.0)) for n in range(readings)]
        made.append(
            LevelReadings(
                label=f"level {number + 1}",
                set_v=level_v,
                limit_a=0.05,
                set_s=time_s,
                times_s=time_s + apart_s * np.arange(1.0, readings + 1.0),
                voltage_v=np.array([value + rng.gauss(0.0, 5e-3) for value in volts]),
                current_a=np.array([value + rng.gauss(0.0, 1e-4) for value in currents]),
                power_w=np.array([value + rng.gauss(0.0, 1e-3) for value in powers]),
            )
        )
        time_s, before_v = float(made[-1].times_s[-1]), peak_v
    return made


def why_not(levels: Sequence[LevelReadings], errors: SupplyErrors = ERRORS) -> str:
    """Why there is no figure."""
    figures = weigh_ac(levels, errors, UNIT)
    assert CAPACITANCE not in figures.estimates
    return figures.why_not[CAPACITANCE]


class TestWeighing:
    @pytest.mark.parametrize("bulk_f", [47e-6, 150e-6, 680e-6])
    @pytest.mark.parametrize("levels_v", [(12.0, 30.0), (12.0, 30.0, 46.8)])
    def test_closed_formula(self, bulk_f: float, levels_v: Sequence[float]) -> None:
        """Half the capacitance times the gain of peak voltage squared is found again."""
        found = weigh_ac(start(bulk_f, levels_v), ERRORS, UNIT).estimates[CAPACITANCE]

        assert found.value == pytest.approx(bulk_f, rel=0.03)
        assert combine(found.contributions).expanded < 0.25 * bulk_f

    def test_the_points_of_its_line_are_told(self) -> None:
        """Each level above the lowest is a point: E = C ((B2^2 - B1^2) / 2 + D (B2 - B1)), by hand.

        B is sqrt(2) V less the diodes, for 12 V, 30 V and 46.8 V; the last lies on the line.
        """
        found = weigh_ac(start(150e-6), ERRORS, UNIT)
        peaks_v = [math.sqrt(2.0) * volts - RESTING_V for volts in (12.0, 30.0, 46.8)]
        squares = [
            0.5 * (peak_v**2 - peaks_v[0] ** 2) + CARRYING_V * (peak_v - peaks_v[0])
            for peak_v in peaks_v[1:]
        ]

        assert [one.label for one in found.gained] == ["level 2", "level 3"]
        for one, square_v2 in zip(found.gained, squares, strict=True):
            assert one.square_v2 == pytest.approx(square_v2, rel=2e-3)
            assert one.energy_j == pytest.approx(150e-6 * square_v2, abs=one.expanded_j)
        slope = found.gained[-1].energy_j / found.gained[-1].square_v2
        assert slope == pytest.approx(found.estimates[CAPACITANCE].value)

    def test_one_gain_has_no_line(self) -> None:
        """With two levels there is one gain: a line through one point shows nothing."""
        assert weigh_ac(start(150e-6, (12.0, 30.0)), ERRORS, UNIT).gained == ()

    @pytest.mark.parametrize("offset_w", [-0.2, 0.2])
    def test_an_offset_of_the_power_cancels(self, offset_w: float) -> None:
        """What the source reads of no power at all moves nothing."""
        plain, off = (
            weigh_ac(start(150e-6, offset_w=w), ERRORS, UNIT).estimates[CAPACITANCE].value
            for w in (0.0, offset_w)
        )

        assert off == pytest.approx(plain, rel=1e-3)

    def test_currents_read_below_zero_are_readings_all_the_same(self) -> None:
        """Offset and noise put readings of a small current below zero; their error is no less."""
        levels = start(150e-6)
        below = [replace(level, current_a=-level.current_a) for level in levels]

        found = weigh_ac(below, ERRORS, UNIT).estimates[CAPACITANCE]

        assert found == weigh_ac(levels, ERRORS, UNIT).estimates[CAPACITANCE]

    def test_a_leak_is_no_capacitance(self) -> None:
        """What goes with the voltage and stays at rest is taken off."""
        leaking = start(150e-6, leak_w=(0.01, 0.06, 0.15))
        found = weigh_ac(leaking, ERRORS, UNIT).estimates[CAPACITANCE]

        assert found.value == pytest.approx(150e-6, rel=0.05)
        assert abs(found.value - 150e-6) < combine(found.contributions).expanded

    def test_levels_where_the_converter_runs_are_left_out(self) -> None:
        """A level at the threshold, and what it takes, changes nothing."""
        below = start(150e-6)
        beyond = start(150e-6, (12.0, 30.0, 46.8, 60.0), leak_w=(0, 0, 0, 2), more_j=(0, 0, 0, 3))

        assert weigh_ac(beyond, ERRORS, UNIT) == weigh_ac(below, ERRORS, UNIT)

    def test_one_that_begins_early_is_left_out(self) -> None:
        """Where the idle power is drawn below the nameplate's threshold, the level is not used."""
        early = start(150e-6, leak_w=(0.0, 0.0, 1.6), more_j=(0.0, 0.0, 1.0))
        found = weigh_ac(early, ERRORS, UNIT)

        assert found == weigh_ac(early[:2], ERRORS, UNIT)

    def test_the_budget_names_its_causes(self) -> None:
        """Every cause has its name and its share."""
        found = weigh_ac(start(150e-6), ERRORS, UNIT).estimates[CAPACITANCE]
        names = {cause.name for cause in found.contributions}

        assert {
            "supply power gain",
            "series resistance",
            "supply voltage offset",
            "diodes that carry",
            "between readings, to level 2",
        } <= names
        assert all(math.isfinite(cause.share) for cause in found.contributions)


class TestNoFigure:
    @pytest.mark.parametrize("count", [1, 0])
    def test_one_level_only(self, count: int) -> None:
        """One level that is held below the threshold has no gain."""
        assert why_not(start(150e-6)[:count]).startswith("Fewer than two levels are held below")

    def test_over_within_a_few_readings(self) -> None:
        """A charge that is over after three readings is not summed."""
        text = why_not(start(150e-6, fill_s=0.156))

        assert text.startswith("The capacitor has filled to level 2 within 3 readings: a lower")

    def test_a_leak_as_large_as_the_charge(self) -> None:
        """A leak that takes as much energy while it fills leaves nothing to weigh."""
        text = why_not(start(15e-6, leak_w=(0.05, 0.3, 0.55)))

        assert text == "At level 2 a leak draws as much as the capacitor takes."

    def test_a_converter_that_starts_in_the_middle(self) -> None:
        """A level that took far more than the others, and is at rest again, is not explained."""
        text = why_not(start(150e-6, more_j=(0.0, 0.0, 0.5)))

        assert "takes what no capacitor takes" in text

    def test_a_hold_too_short(self) -> None:
        """Readings that do not rest for long enough tell no baseline."""
        assert "a longer dwell" in why_not(start(150e-6, hold_s=0.3))

    def test_far_too_small(self) -> None:
        """A figure that is known to half of itself is none."""
        assert why_not(start(2e-6)).startswith(
            ("The energy of the capacitor is too small", "The c")
        )

    @pytest.mark.parametrize("unknown", [{"power": None}, {"voltage": None}, {"current": None}])
    def test_no_accuracy(self, unknown: dict[str, None]) -> None:
        """Without a stated accuracy nothing is known."""
        assert "states no accuracy" in why_not(start(150e-6), replace(ERRORS, **unknown))

    def test_slower_than_its_window(self) -> None:
        """Readings with a half-cycle between their windows do not see all that is taken."""
        text = why_not(start(150e-6, apart_s=0.06, fill_s=0.6))

        assert text.startswith("The supply answers more slowly than it averages")

    def test_no_window(self) -> None:
        """Without an averaging window the time a reading stands for is not known."""
        assert "over which window" in why_not(start(150e-6), replace(ERRORS, window_s=0.0))
