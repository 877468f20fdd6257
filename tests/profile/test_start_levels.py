"""The suggested start follows from capacitance, sample time and what a healthy unit needs."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.profile.start_levels import bridges, suggest_start, surge_a
from harness.unit.nameplate import AcInput, DcInput, Input


def dc(**changes: Any) -> DcInput:
    """A DC input: 24 V, 1.2 A, 470 uF."""
    keys = {
        "kind": "dc",
        "nominal": "24 V",
        "tolerance": "10 %",
        "current": "1.2 A",
        "bulk_capacitance": "470 uF",
        "idle_power": "0.6 W",
        "start_threshold": "8 V",
    }
    return DcInput.model_validate({**keys, **changes})


def ac(**changes: Any) -> AcInput:
    """An AC input: 120 V, 1.2 A, 150 uF."""
    keys = {
        "kind": "ac",
        "nominal": "120 V",
        "tolerance": "10 %",
        "frequency": ["60 Hz"],
        "current": "1.2 A",
        "bulk_capacitance": "150 uF",
        "idle_power": "2 W",
        "start_threshold": "55 V",
    }
    return AcInput.model_validate({**keys, **changes})


#: Inputs with an idle draw and a threshold as they occur.
lines: st.SearchStrategy[Input] = st.builds(
    lambda make, idle, share: make(
        idle_power=f"{idle:.3f} W", start_threshold=f"{share * (24 if make is dc else 120):.2f} V"
    ),
    st.sampled_from((dc, ac)),
    st.floats(0.05, 4.0),
    st.floats(0.3, 0.9),
)


class TestLowestLevel:
    def test_five_readings_where_the_bench_is_quick(self) -> None:
        """A quick bench reads five times while the capacitor fills: I = C V / (5 t), by hand."""
        start = suggest_start(dc(), sample_s=0.001)

        # 470 uF x 2.4 V / (5 x 1 ms) = 226 mA, two digits
        assert start.current_limit_a == pytest.approx(0.23)
        assert start.readings == pytest.approx(5.0, rel=0.03)
        assert start.levels_frac[0] == 0.10

    def test_a_slow_bench_gets_a_higher_lowest_level(self) -> None:
        """Where the limit cannot be lower, more charge at the lowest level makes it last longer."""
        slow, quick = suggest_start(dc(), sample_s=0.02), suggest_start(dc(), sample_s=0.001)

        assert slow.levels_frac[0] > quick.levels_frac[0]
        assert slow.current_limit_a < quick.current_limit_a

    @given(line=lines, sample_s=st.floats(0.001, 0.2))
    def test_it_stays_below_a_quarter_and_the_threshold(self, line: Input, sample_s: float) -> None:
        """The lowest level keeps to a quarter of nominal, and the unit does not work there yet."""
        lowest = suggest_start(line, sample_s=sample_s).levels_frac[0]

        assert 0.1 <= lowest <= 0.25
        assert lowest * line.nominal_v < line.start_threshold_v


class TestAcSource:
    def test_no_level_keeps_it_in_its_limit(self) -> None:
        """For AC the energy of the longest level comes within one reading, worked out by hand."""
        start = suggest_start(ac(), sample_s=0.05)

        # 50 % lies near the threshold and becomes 0.85 x 55 V = 39 %; the longest is 39 to 75 %:
        # 150 uF x 120 V x (0.75^2 - 0.39^2) / 0.75 / 0.5 = 19.7 mA s, in 50 ms 394 mA
        assert start.levels_frac == (0.10, 0.25, 0.39, 0.75, 1.0)
        assert start.current_limit_a == pytest.approx(0.39)
        assert start.readings == pytest.approx(1.0, rel=0.03)

    def test_a_large_capacitor_gets_closer_levels(self) -> None:
        """Where one reading asks for more than half the nominal current, the levels come closer."""
        usual, large = (
            suggest_start(ac(bulk_capacitance=text), sample_s=0.05) for text in ("150 uF", "330 uF")
        )

        assert len(large.levels_frac) > len(usual.levels_frac)
        assert large.readings == pytest.approx(1.0, rel=0.05)


class TestLevels:
    @given(line=lines, sample_s=st.floats(0.001, 0.2))
    def test_they_rise_to_nominal(self, line: Input, sample_s: float) -> None:
        """Levels rise, and the last is nominal voltage."""
        levels = suggest_start(line, sample_s=sample_s).levels_frac

        assert list(levels) == sorted(set(levels))
        assert levels[-1] == 1.0

    @given(line=lines, sample_s=st.floats(0.001, 0.2))
    def test_none_stands_where_the_unit_just_begins_to_work(
        self, line: Input, sample_s: float
    ) -> None:
        """No level but nominal lies from a tenth below the threshold to a quarter above it."""
        levels = suggest_start(line, sample_s=sample_s).levels_frac[:-1]
        threshold_frac = line.start_threshold_v / line.nominal_v

        assert [x for x in levels if 0.9 * threshold_frac < x < 1.25 * threshold_frac] == []

    def test_no_dc_level_asks_for_more_than_half_the_current(self) -> None:
        """What idles on 40 % of its power at 75 % of its voltage takes 53 % of its current.

        28.8 W nominal, 11.5 W idle: 0.96 A at 12 V and 0.64 A at 18 V, of 1.2 A (P = V I, worked).
        """
        heavy = suggest_start(dc(idle_power="11.5 W"), sample_s=0.01).levels_frac
        usual = suggest_start(dc(idle_power="7 W"), sample_s=0.01).levels_frac

        assert (0.5 in heavy, 0.75 in heavy) == (False, False)
        assert (0.5 in usual, 0.75 in usual) == (True, True)
        assert heavy[-1] == 1.0

    def test_no_ac_level_leaves_the_capacitor_empty_between_half_cycles(self) -> None:
        """A level the capacitor cannot bridge is left out; nominal voltage stays."""
        small = suggest_start(
            ac(bulk_capacitance="15 uF", idle_power="20 W"), sample_s=0.05
        ).levels_frac

        assert not any(55 / 120 < level < 0.9 for level in small)
        assert small[-1] == 1.0

    def test_close_levels_begin_just_above_the_threshold(self) -> None:
        """With close levels one stands 15 % below the threshold, and one 30 % above it."""
        levels = suggest_start(ac(bulk_capacitance="330 uF"), sample_s=0.05).levels_frac

        assert {round(0.85 * 55 / 120, 2), round(1.3 * 55 / 120, 2)} <= set(levels)


class TestHalfCycles:
    @pytest.mark.parametrize(
        ("power_w", "bridged"),
        # 10 uF at 50 Hz and 120 V: the peak falls from 169.7 V to 0.9 x 77.8 V = 70 V within
        # 5 ms + 1.35 ms from about peak to peak: C (Vp^2 - V^2) / 2 = 119.5 mJ, 18.8 W (worked)
        [(17.5, True), (20.0, False)],
    )
    def test_energy_lasts_from_peak_to_peak(self, power_w: float, *, bridged: bool) -> None:
        """The capacitor bridges what its energy lasts for, by hand."""
        line = ac(bulk_capacitance="10 uF", frequency=["60 Hz", "50 Hz"])

        assert isinstance(line, AcInput)
        assert bridges(line, 120.0, power_w) is bridged
        assert bridges(ac(bulk_capacitance=None), 120.0, power_w)  # type: ignore[arg-type]


def test_a_source_reads_more_than_its_limit_while_it_comes_down_to_it() -> None:
    """The charge in peaks of four times the limit within one window: I = sqrt(4 I Q / W), worked.

    1.2 x 100 uF from 48 V to 84 V (rms) take 6.11 mC; at 110 mA within 50 ms that is 232 mA.
    """
    line = ac(bulk_capacitance="100 uF")

    assert isinstance(line, AcInput)
    assert surge_a(line, 48.0, 84.0, 0.11, 0.05) == pytest.approx(0.232, rel=2e-3)


class TestLimit:
    @given(line=lines, sample_s=st.floats(0.001, 0.2))
    def test_a_healthy_unit_gets_past_its_threshold(self, line: Input, sample_s: float) -> None:
        """The limit is over the idle current where the unit begins to work, bounds permitting."""
        limit_a = suggest_start(line, sample_s=sample_s).current_limit_a
        power_factor = 1.0 if line.kind == "dc" else 0.5
        idle_a = line.idle_power_w / line.start_threshold_v / power_factor

        assert limit_a >= min(1.4 * idle_a, 1.1 * line.current_a)

    @given(line=lines, sample_s=st.floats(0.001, 0.2))
    def test_it_stays_inside_the_envelope_of_a_draft(self, line: Input, sample_s: float) -> None:
        """The limit is never above one and a quarter of the nominal current."""
        limit_a = suggest_start(line, sample_s=sample_s).current_limit_a

        assert limit_a <= 1.25 * line.current_a

    @pytest.mark.parametrize(("make", "least_a"), [(dc, 0.010), (ac, 0.015)])
    def test_it_is_well_above_what_a_supply_reads_without_current(
        self, make: Any, least_a: float
    ) -> None:
        """For the smallest units too, a reading's offset is no share of the limit that matters."""
        small = make(current="20 mA", idle_power="20 mW", bulk_capacitance="2 uF")

        assert suggest_start(small, sample_s=0.05).current_limit_a >= least_a

    def test_without_a_capacitance_nothing_is_promised(self) -> None:
        """Without a capacitance there is a limit, and no number of readings."""
        start = suggest_start(dc(bulk_capacitance=None), sample_s=0.01)

        assert (start.fill_s, start.readings) == (None, None)
        assert 0.15 * 1.2 <= start.current_limit_a <= 0.5 * 1.2


class TestSlowLimit:
    def test_fifteen_readings_weigh_the_capacitor(self) -> None:
        """I = C V / (15 t), by hand, for the lowest level of a DC unit; the others keep theirs."""
        start = suggest_start(dc(), sample_s=0.01)

        # the lowest level is 25 %, 6 V: 470 uF x 6 V / (15 x 10 ms) = 18.8 mA, two digits
        assert start.slow_limit_a == pytest.approx(0.019)
        assert start.slow_readings == pytest.approx(15.0, rel=0.03)
        assert start.current_limit_a == pytest.approx(0.18)

    def test_a_stated_leak_stays_well_below_it(self) -> None:
        """What leaks by the nameplate takes a quarter of the slow limit at most."""
        start = suggest_start(dc(leakage="8 mA"), sample_s=0.01)

        assert start.slow_limit_a == pytest.approx(0.032)

    def test_there_is_none_where_it_gains_nothing(self) -> None:
        """Not for AC, not without a capacitance, and not next to the usual limit."""
        for line, sample_s in (
            (ac(), 0.05),
            (dc(bulk_capacitance=None), 0.01),
            (dc(bulk_capacitance="47 mF"), 0.01),
        ):
            assert suggest_start(line, sample_s=sample_s).slow_limit_a is None
