"""The curve of a charging capacitor against the closed formulas of the textbook."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from harness.judge.charging import Charging

PLAIN = Charging(
    bulk_f=470e-6,
    own_f=220e-6,
    leak_siemens=0.0,
    steady_a=0.0,
    series_ohm=2.0,
    emission_v=0.0,
    limit_a=0.015,
    rest_v=2.4,
)


class TestRise:
    """The way up, at constant current."""

    def test_constant_current(self) -> None:
        """It takes t = C V / I to fill an empty capacitor (textbook): 470 uF to 2.4 V at 15 mA."""
        alone = replace(PLAIN, own_f=0.0)
        fill_s = 470e-6 * 2.4 / 0.015

        assert alone.rise_v(np.array([-fill_s])) == pytest.approx([0.0], abs=1e-12)

    def test_own_capacitance(self) -> None:
        """The supply's own capacitor fills beside it, and the slope is I / (C + C0)."""
        low_v, high_v = PLAIN.rise_v(np.array([-0.02, -0.01]))

        assert (high_v - low_v) / 0.01 == pytest.approx(0.015 / 690e-6)

    def test_leak(self) -> None:
        """A leak bends it: v = (I/G) (1 - exp(-G t / C)) from zero (textbook)."""
        leaking = replace(PLAIN, leak_siemens=2e-3)
        times_s = np.linspace(0.0, 0.1, 5)
        curve_v = 0.015 / 2e-3 * -np.expm1(-2e-3 / 690e-6 * times_s)
        corner_s = -690e-6 / 2e-3 * np.log1p(-2.4 * 2e-3 / 0.015)

        assert leaking.rise_v(times_s - corner_s) == pytest.approx(curve_v, abs=1e-12)

    @pytest.mark.parametrize("own_f", [0.0, 220e-6])
    def test_steady_draw(self, own_f: float) -> None:
        """A steady draw takes its part of the current."""
        drawing = replace(PLAIN, own_f=own_f, steady_a=0.005)

        rise_v = drawing.rise_v(np.array([-0.01]))

        assert 2.4 - rise_v[0] == pytest.approx(0.010 * 0.01 / (470e-6 + own_f))


class TestTail:
    """From the corner on, at constant voltage."""

    def test_exponential(self) -> None:
        """Without a diode the current dies away as exp(-t / R C) (textbook), own capacitor full."""
        times_s = np.array([1e-4, 1e-3, 3e-3])
        j0 = 0.015 * 470 / 690

        current_a = PLAIN.current_a(times_s)

        assert current_a == pytest.approx(j0 * np.exp(-times_s / (2.0 * 470e-6)), rel=2e-2)

    def test_energy(self) -> None:
        """All that flows after the corner is the charge C R j0 that R held back."""
        _, charge_c = PLAIN.tail(np.array([1.0]))

        assert charge_c == pytest.approx([470e-6 * 2.0 * 0.015 * 470 / 690], rel=1e-2)

    @pytest.mark.parametrize("emission_v", [0.016, 0.052])
    def test_diode(self, emission_v: float) -> None:
        """Behind a diode alone it dies away as 1 / (1/j0 + t / (n kT/q C)) (textbook)."""
        diode = replace(PLAIN, series_ohm=0.0, emission_v=emission_v)
        times_s = np.array([1e-3, 1e-2, 0.1])
        j0 = 0.015 * 470 / 690

        current_a = diode.current_a(times_s)

        expected_a = 1.0 / (1.0 / j0 + times_s / (emission_v * 470e-6))
        assert current_a == pytest.approx(expected_a, rel=1e-2)

    def test_averaged(self) -> None:
        """A reading over a window is the mean of the readings in it."""
        times_s, window_s = np.array([-0.005, 0.001, 0.004, 0.02]), 0.008
        fine_s = times_s[:, np.newaxis] - window_s * (np.arange(2000) + 0.5) / 2000

        for name in ("voltage_v", "current_a"):
            read = getattr(PLAIN, name)
            each = np.array([read(row).mean() for row in fine_s])
            assert read(times_s, window_s) == pytest.approx(each, rel=1e-3)
