"""Readings that a healthy AC unit's start would give, held against closed formulas."""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.judge.start_curve import ReadingError, SupplyErrors
from harness.judge.start_energy import weigh_ac
from harness.judge.uncertainty import combine
from harness.profile.ac_readings import ac_fill_s, ac_readings, ac_unit
from harness.profile.level import Level
from tests.profile.test_start_levels import ac

EXACT = ReadingError(gain_frac=0.0, offset=0.0)
WINDOW_S = 0.05


def errors(reading_s: float = 0.052, **changes: object) -> SupplyErrors:
    """A source whose readings are means over 50 ms, one each 52 ms."""
    keys = {"voltage": EXACT, "current": EXACT, "power": EXACT, "window_s": WINDOW_S}
    return SupplyErrors(reading_s=reading_s, **{**keys, **changes})  # type: ignore[arg-type]


def levels(*volts: float, limit_a: float = 0.03) -> tuple[Level, ...]:
    """Levels held for a second."""
    return tuple(
        Level(label=f"{v:g} V", voltage_v=v, current_limit_a=limit_a, dwell_s=1.0, frequency_hz=60)
        for v in volts
    )


LEVELS = levels(12.0, 30.0, 46.8, 60.0)


class TestAcReadings:
    def test_the_energy_that_is_read_is_what_the_capacitor_takes(self) -> None:
        """Summed over windows that join, power is C (V2^2 - V1^2) and what two junctions take."""
        _, second, _ = ac_readings(LEVELS, ac(), errors(reading_s=WINDOW_S))

        energy_j = float(second.power_w.sum()) * WINDOW_S
        # of peak voltages, E = C (B2^2 - B1^2) / 2 + C (B2 - B1) D, by hand with C = 150 uF
        crest = math.sqrt(2.0)
        stored_j = 150e-6 * (30.0**2 - 12.0**2)
        lost_j = 150e-6 * crest * (30.0 - 12.0) * 1.6
        assert energy_j == pytest.approx(stored_j + lost_j, rel=1e-3)

    def test_only_levels_below_the_threshold_count(self) -> None:
        """From the threshold on a converter takes energy of its own."""
        assert [each.label for each in ac_readings(LEVELS, ac(), errors())] == [
            "12 V",
            "30 V",
            "46.8 V",
        ]

    def test_a_level_fills_at_half_its_volts_times_the_limit(self) -> None:
        """150 uF from 0 to 12 V at 30 mA take 0.24 s (power factor 0.5, by hand)."""
        assert ac_fill_s(LEVELS[0], 0.0, ac()) == pytest.approx(0.24)

    def test_the_source_hunts_about_its_limit(self) -> None:
        """While it fills readings go up and down: each holds a pulse more or less."""
        _, second, _ = ac_readings(LEVELS, ac(), errors())
        filling = second.power_w[second.power_w > 0.01]

        assert np.std(np.diff(filling)) > 0.05 * np.mean(filling)

    @pytest.mark.parametrize("seed", range(5))
    def test_the_weighing_finds_the_capacitor_again(self, seed: int) -> None:
        """What comes out of the weighing is the nameplate's capacitor, within its uncertainty."""
        line = ac()
        stated = errors(power=ReadingError(gain_frac=3e-3, offset=0.2))
        told = weigh_ac(ac_readings(LEVELS, line, stated, seed=seed), stated, ac_unit(line, 60.0))
        estimate = told.estimates["start.bulk_capacitance"]

        assert abs(estimate.value - 150e-6) <= combine(estimate.contributions).expanded
