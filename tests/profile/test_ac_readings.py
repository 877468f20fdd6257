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
        _, second, *_ = ac_readings(LEVELS, ac(), errors(reading_s=WINDOW_S))

        energy_j = float(second.power_w.sum()) * WINDOW_S
        # of peak voltages, E = C (B2^2 - B1^2) / 2 + C (B2 - B1) D, by hand with C = 150 uF
        crest = math.sqrt(2.0)
        stored_j = 150e-6 * (30.0**2 - 12.0**2)
        lost_j = 150e-6 * crest * (30.0 - 12.0) * 1.6
        assert energy_j == pytest.approx(stored_j + lost_j, rel=1e-3)

    def test_from_the_threshold_on_the_converter_draws_its_power(self) -> None:
        """Below 55 V nothing is drawn at rest, above it the idle power, 2 W."""
        rest_w = [each.power_w[-1] for each in ac_readings(LEVELS, ac(), errors())]

        assert rest_w == pytest.approx([0.0, 0.0, 0.0, 2.0], abs=1e-6)

    def test_a_boost_stage_takes_what_lifts_the_capacitor(self) -> None:
        """It fills to 390 V at the first level above the threshold, and to nothing more later.

        By hand: E = C (Vb^2 - V1^2) / 2 with 150 uF, 390 V and the 66.2 V peak of the level before.
        """
        every = levels(12.0, 30.0, 46.8, 60.0, 120.0)
        *_, lifts, holds = ac_readings(
            every, ac(boosted_voltage="390 V"), errors(reading_s=WINDOW_S)
        )
        above_j = [float((each.power_w - 2.0).sum()) * WINDOW_S for each in (lifts, holds)]

        stored_j = 0.5 * 150e-6 * (390.0**2 - (math.sqrt(2.0) * 46.8) ** 2)
        lost_j = 150e-6 * (390.0 - math.sqrt(2.0) * 46.8) * 1.6
        assert above_j == pytest.approx([stored_j + lost_j, 0.0], rel=1e-3, abs=1e-6)

    def test_a_level_fills_by_clamped_pulses_in_every_other_half_cycle(self) -> None:
        """Pulses of 4 x 30 mA whose rms is 30 mA carry a quarter of it, every other half-cycle an
        eighth: 150 uF to the peak of 12 V take 0.679 s (t = C V / I, by hand).
        """
        assert ac_fill_s(LEVELS[0], 0.0, ac()) == pytest.approx(0.6788, rel=1e-3)

    def test_the_source_hunts_about_its_limit(self) -> None:
        """While it fills readings go up and down: each holds a pulse more or less."""
        _, second, *_ = ac_readings(LEVELS, ac(), errors())
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
