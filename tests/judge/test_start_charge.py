"""What a DC start tells of the unit, and when it tells nothing."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from harness.judge.charging import Charging
from harness.judge.start_charge import weigh_dc
from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.uncertainty import FloatArray, combine

BULK, SERIES, TIME = (
    f"start.{name}" for name in ("bulk_capacitance", "series_resistance", "time_constant")
)

CIRCUIT = Charging(
    bulk_f=470e-6,
    own_f=220e-6,
    leak_siemens=0.0,
    steady_a=0.0,
    series_ohm=0.6,
    emission_v=0.0,
    limit_a=0.02,
    rest_v=2.4,
)
ERRORS = SupplyErrors(
    voltage=ReadingError(gain_frac=5e-4, offset=0.01),
    current=ReadingError(gain_frac=2e-3, offset=2e-3),
    own_capacitance_f=220e-6,
    own_capacitance_error_f=10e-6,
    reading_s=0.01,
)
Change = Callable[[FloatArray, FloatArray], None]


def level(
    circuit: Charging = CIRCUIT,
    *,
    reading_s: float = 0.01,
    begun_v: float = 0.0,
    change: Change | None = None,
) -> LevelReadings:
    """Return what is read of a level, noise included, second by second from when it was set.

    ``change`` alters times and current, or what it likes of them, in place.
    """
    rng = np.random.default_rng(1)
    taken = (circuit.limit_a - circuit.steady_a) / (circuit.bulk_f + circuit.own_f)
    corner_s = (circuit.rest_v - begun_v) / taken
    times_s = np.arange(1, int((corner_s + 1.0) / reading_s)) * reading_s
    voltage_v = np.maximum(circuit.voltage_v(times_s - corner_s), begun_v)
    current_a = circuit.current_a(times_s - corner_s)
    if change is not None:
        change(times_s - corner_s, current_a)
    voltage_v += rng.normal(0.0, 5e-4, times_s.size)
    current_a += rng.normal(0.0, 1e-4, times_s.size)
    return LevelReadings(
        label="10 %",
        set_v=circuit.rest_v,
        limit_a=circuit.limit_a,
        set_s=0.0,
        times_s=times_s,
        voltage_v=voltage_v,
        current_a=current_a,
        power_w=voltage_v * current_a,
    )


def within(told: StartFigures, measure: str, true: float) -> bool:
    """Whether a figure says the true value, within its expanded uncertainty."""
    estimate = told.estimates[measure]
    return abs(estimate.value - true) <= combine(estimate.contributions).expanded


class TestFigures:
    """A level slow enough to be followed."""

    def test_capacitance(self) -> None:
        """The capacitor is weighed to some per cent, the supply's own taken off."""
        told = weigh_dc([level()], ERRORS)
        found = combine(told.estimates[BULK].contributions)

        assert within(told, BULK, 470e-6)
        assert found.expanded < 0.03 * 470e-6

    @pytest.mark.parametrize("bulk_f", [235e-6, 376e-6, 564e-6])
    def test_another_capacitance(self, bulk_f: float) -> None:
        """Half of it, or a fifth more or less, is told apart."""
        assert within(weigh_dc([level(replace(CIRCUIT, bulk_f=bulk_f))], ERRORS), BULK, bulk_f)

    def test_beside_a_leak(self) -> None:
        """What leaks is no capacitance."""
        leaking = replace(CIRCUIT, leak_siemens=2e-3)

        assert within(weigh_dc([level(leaking)], ERRORS), BULK, 470e-6)

    def test_series_resistance(self) -> None:
        """A bench that reads faster than the current dies away tells what is in series."""
        told = weigh_dc(
            [level(replace(CIRCUIT, limit_a=0.3), reading_s=1e-4)], replace(ERRORS, reading_s=1e-4)
        )

        assert within(told, SERIES, 0.6)
        assert combine(told.estimates[SERIES].contributions).expanded < 0.1

    @pytest.mark.parametrize(("ohm", "bulk_f"), [(0.6, 470e-6), (1.2, 330e-6)])
    def test_time_constant(self, ohm: float, bulk_f: float) -> None:
        """The current dies away with R C (textbook), known better than either factor's worst."""
        circuit = replace(CIRCUIT, limit_a=0.3, series_ohm=ohm, bulk_f=bulk_f)
        told = weigh_dc([level(circuit, reading_s=5e-5)], replace(ERRORS, reading_s=5e-5))

        assert within(told, TIME, ohm * bulk_f)
        assert combine(told.estimates[TIME].contributions).expanded < 0.15 * ohm * bulk_f

    def test_two_levels(self) -> None:
        """A second level that is slow enough is fitted together with the first."""
        slow, errors = replace(CIRCUIT, limit_a=0.1), replace(ERRORS, reading_s=2e-4)
        higher = replace(slow, limit_a=0.3, rest_v=6.0)
        told = weigh_dc(
            [level(slow, reading_s=2e-4), level(higher, reading_s=2e-4, begun_v=2.4)], errors
        )

        assert [curve.label for curve in told.fitted] == ["10 %", "10 %"]
        assert within(told, BULK, 470e-6)
        assert within(told, SERIES, 0.6)

    def test_slow_bench_has_no_series_resistance(self) -> None:
        """A slower one has no figure of it."""
        told = weigh_dc([level()], ERRORS)

        assert SERIES not in told.estimates
        assert told.why_not[SERIES] == "the current falls to rest faster than the readings show"

    def test_curve(self) -> None:
        """The fitted curve goes with it: at most 60 points, on the clock of the readings."""
        read = level()
        (curve,) = weigh_dc([read], ERRORS).fitted

        assert curve.label == "10 %"
        assert len(curve.times_s) == len(curve.voltage_v) == len(curve.current_a) <= 60
        assert list(curve.times_s) == sorted(curve.times_s)
        assert np.interp(read.times_s[-1], curve.times_s, curve.voltage_v) == pytest.approx(
            2.4, abs=1e-3
        )
        rising = (read.voltage_v > 1.2) & (read.voltage_v < 2.3)
        assert np.interp(read.times_s[rising], curve.times_s, curve.voltage_v) == pytest.approx(
            read.voltage_v[rising], abs=5e-3
        )

    def test_curve_of_a_slow_bench_has_a_sharp_corner(self) -> None:
        """What follows the corner is drawn only where it was fitted."""
        (curve,) = weigh_dc([level()], ERRORS).fitted
        after = np.array(curve.times_s) > 690e-6 * 2.4 / 0.02 + 0.005

        assert np.abs(np.array(curve.current_a)[after]).max() < 1e-3


class TestBudget:
    """Each cause has its share and stands in the budget by its name."""

    def test_own_capacitance(self) -> None:
        """What the supply's own capacitance is off by, the unit's is off by the other way."""
        told = weigh_dc([level()], ERRORS)
        causes = {cause.name: cause for cause in told.estimates[BULK].contributions}

        own = causes["supply's own capacitance"]
        assert own.standard == pytest.approx(10e-6 / 3**0.5)
        assert own.sensitivity == pytest.approx(-1.0, rel=0.01)

    @pytest.mark.parametrize(
        ("name", "stated", "sensitivity"),
        [
            # C = I t / V - C0: a gain of the current makes it larger, one of the voltage smaller
            ("supply current gain", 2e-3, 690e-6),
            ("supply voltage gain", 5e-4, -690e-6),
        ],
    )
    def test_gain(self, name: str, stated: float, sensitivity: float) -> None:
        """A gain error is common to all readings: it does not average out (JCGM 100, 5.2.2)."""
        told = weigh_dc([level()], ERRORS)
        causes = {cause.name: cause for cause in told.estimates[BULK].contributions}

        assert causes[name].standard == pytest.approx(stated / 3**0.5)
        assert causes[name].sensitivity == pytest.approx(sensitivity, rel=0.02)

    def test_moved_reading_moves_the_figure(self) -> None:
        """Readings that are all 0.2 % higher move the capacitance as the budget says."""
        read = level()
        told = weigh_dc([read], ERRORS)
        higher = weigh_dc([replace(read, current_a=1.002 * read.current_a)], ERRORS)

        moved_f = higher.estimates[BULK].value - told.estimates[BULK].value

        assert moved_f == pytest.approx(0.002 * 690e-6, rel=0.02)


class TestNoFigure:
    """Where the readings are another circuit's, or too few, there is a sentence instead."""

    def why_not(self, read: LevelReadings, errors: SupplyErrors = ERRORS) -> str:
        """Return why there is no capacitance."""
        told = weigh_dc([read], errors)
        assert BULK not in told.estimates
        return told.why_not[BULK]

    def test_no_level(self) -> None:
        """No level below the threshold, no figure at all."""
        told = weigh_dc([], ERRORS)

        assert not told.estimates
        assert set(told.why_not) == {BULK, SERIES, TIME}

    def test_too_fast(self) -> None:
        """Fewer than three readings on the way up."""
        assert self.why_not(level(replace(CIRCUIT, limit_a=0.3))) == (
            "10 %: 0 readings while the voltage rose, 3 are needed: a lower current limit gives "
            "more"
        )

    def test_what_keeps_two_levels_from_it_is_told_once(self) -> None:
        """Two levels that were over within a reading."""
        fast = level(replace(CIRCUIT, limit_a=0.3))

        told = weigh_dc([fast, replace(fast, label="25 %")], ERRORS)

        assert told.why_not[BULK] == (
            "10 %, 25 %: 0 readings while the voltage rose, 3 are needed: a lower current limit "
            "gives more"
        )

    def test_accuracy_not_stated(self) -> None:
        """Nobody says how good the readings are."""
        errors = replace(ERRORS, current=None)

        assert "accuracy" in self.why_not(level(), errors)

    def test_own_capacitance_not_known(self) -> None:
        """Nobody says what the supply's own capacitor is."""
        errors = replace(ERRORS, own_capacitance_f=None)

        assert self.why_not(level(), errors) == (
            "the supply's own capacitance is not known, and it charges as well"
        )

    def test_own_capacitance_hides_the_units(self) -> None:
        """What the supply's own may be off by is a large share of the unit's."""
        read = level(replace(CIRCUIT, bulk_f=100e-6), reading_s=0.002)
        errors = replace(ERRORS, own_capacitance_error_f=120e-6)
        told = weigh_dc([read], errors, least_over_own=0.0)

        assert told.why_not["start.bulk_capacitance"].startswith(
            "the supply's own capacitance, 220 uF known to 120 uF either way, hides the unit's: "
            "both together are "
        )

    def test_more_own_capacitance_than_the_units(self) -> None:
        """The supply has more capacitance than the unit."""
        read = level(replace(CIRCUIT, bulk_f=100e-6), reading_s=0.002)

        assert self.why_not(read).startswith(
            "the supply's own capacitance, 220 uF, is more than the unit's: both together are "
        )

    def test_own_capacitance_larger_but_well_known(self) -> None:
        """Where a smaller one is to be weighed, it is known as well as the supply's own is."""
        read = level(replace(CIRCUIT, bulk_f=150e-6), reading_s=0.002)
        told = weigh_dc([read], ERRORS, least_over_own=0.0)
        estimate = told.estimates["start.bulk_capacitance"]
        expanded = combine(estimate.contributions).expanded

        assert estimate.value == pytest.approx(150e-6, abs=expanded)
        assert 10e-6 < expanded < 15e-6

    def test_leak_as_large_as_the_charging_current(self) -> None:
        """Most of the current is drawn at rest as well."""
        leaking = replace(CIRCUIT, steady_a=0.012)

        assert "12 mA of the 20 mA that charge are drawn at rest" in self.why_not(level(leaking))

    def test_converter_begins_to_work(self) -> None:
        """The current at rest rises in the middle of the hold."""

        def begin(times_s: FloatArray, current_a: FloatArray) -> None:
            current_a[times_s > 0.45] += 0.005

        assert "the current at rest moves" in self.why_not(level(change=begin))

    def test_converter_begins_on_the_way_up(self) -> None:
        """Part of the current goes elsewhere from some voltage on: the slope changes."""
        read = level(reading_s=0.002)
        later = read.voltage_v - 1.6
        bent_v = np.where(later > 0, 1.6 + 0.6 * later, read.voltage_v)

        told = self.why_not(
            replace(read, voltage_v=bent_v, set_v=1.6 + 0.6 * 0.8),
            replace(ERRORS, reading_s=0.002),
        )

        assert "does not rise as a capacitor's" in told

    def test_current_not_held(self) -> None:
        """A supply that does not hold its current."""

        def wander(times_s: FloatArray, current_a: FloatArray) -> None:
            current_a[times_s < 0] *= 1.0 + 0.2 * np.sin(200.0 * times_s[times_s < 0])

        assert "the current was not constant" in self.why_not(level(change=wander))

    def test_held_back(self) -> None:
        """Most of the charge flows after the corner: the drop in series is too large."""
        resistive = replace(CIRCUIT, series_ohm=80.0)

        assert "drop" in self.why_not(level(resistive))

    def test_voltage_not_reached(self) -> None:
        """The voltage never came to what was set."""
        assert "the voltage came to 2.4 V of 3 V" in self.why_not(replace(level(), set_v=3.0))

    def test_known_no_better_than_itself(self) -> None:
        """A supply whose own capacitance may be anything tells nothing of the unit's."""
        errors = replace(ERRORS, own_capacitance_error_f=450e-6)

        assert "no less than itself" in self.why_not(level(), errors)
