"""Safety rule 6 as a converter begins: it takes from the bulk capacitor, and the voltage sags."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.api import rehearse_profile
from harness.bench.sample import SupplySample
from harness.power.inrush_monitor import LevelWatch
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level
from harness.record.run_summary import Outcome
from harness.shipped import shipped

#: 15 mF behind a limit of 0.3 A, read each 10 ms; the converter begins at 8 V, stops above 4.8 V.
LIMIT_A, BULK_F, GAP_S, BEGINS_V, STOPS_V = 0.3, 15e-3, 0.01, 8.0, 4.8
BUDGET = InrushAllowance(
    kind="charge",
    capacitance_f=BULK_F,
    peak_factor=1.0,
    charge_factor=2.0,
    from_v=6.0,
    to_v=12.0,
    idle_power_w=0.6,
    threshold_v=BEGINS_V,
    leakage_a=0.012,
)


def level(budget: InrushAllowance = BUDGET) -> Level:
    return Level(label="50 %", voltage_v=12.0, current_limit_a=LIMIT_A, dwell_s=1.0, budget=budget)


def sample(tick: int, volts: float, amperes: float = LIMIT_A) -> SupplySample:
    return SupplySample(GAP_S * tick, volts, amperes, volts * amperes, None, protection=False)


def fed(watch: LevelWatch, *volts: float, first: int = 0) -> list[bool]:
    """Return whether each reading at the limit, one after the other, is cut."""
    return [watch.add(sample(first + tick, each)) is not None for tick, each in enumerate(volts)]


def rise(from_v: float, to_v: float) -> list[float]:
    """Return the voltages read while the capacitor fills at the limit."""
    per_v = LIMIT_A * GAP_S / BULK_F
    return [min(from_v + per_v * n, to_v) for n in range(math.ceil((to_v - from_v) / per_v) + 1)]


class TestSag:
    @pytest.mark.parametrize("stated", ["15 mF", "22 mF"])
    def test_a_healthy_board_with_a_large_capacitor_starts(
        self, tmp_path: Path, stated: str
    ) -> None:
        """A converter whose output takes a twentieth of the bulk's energy at nominal voltage."""
        board = shipped("profiles", "mount-controller-board.toml")
        assert board is not None
        path = tmp_path / "large.toml"
        path.write_text(
            board.read_text(encoding="utf-8").replace('"470 uF"', f'"{stated}"'), encoding="utf-8"
        )

        assert rehearse_profile(path).outcome is Outcome.COMPLETED

    def test_what_the_capacitor_gave_stays_explained_once(self) -> None:
        """C (8.2 - 7) V beside 2 C (7 - 6) V: not by the charge factor (Q = C V, textbook)."""
        begun = BUDGET.begun()

        assert begun.explained(7.0, 8.2) == pytest.approx(BULK_F * (2 * 1.0 + 1.2))
        assert begun.explained(8.2, 8.2) == pytest.approx(BULK_F * 2 * 2.2)
        assert begun.explained(8.2, 7.0) == pytest.approx(BULK_F * 2 * 2.2)

    def test_never_more_than_the_highest_voltage_explained(self) -> None:
        """A level that had gained a tenth of a volt: what earlier levels filled is not allowed."""
        begun = replace(BUDGET, from_v=8.0).begun()

        assert begun.explained(5.0, 8.1) == pytest.approx(BULK_F * 2 * 0.1)

    def test_a_misread_voltage_above_the_level_allows_no_more(self) -> None:
        """One reading of 13 V where 12 V is set: the capacitor was never filled so far."""
        begun = BUDGET.begun()

        assert begun.explained(11.0, 13.0) == begun.explained(11.0, 12.0)

    def test_a_converter_that_has_not_begun_takes_nothing(self) -> None:
        """Below its threshold a sag is a short or a leak: the watch sees it as it always did."""
        early, late = LevelWatch(level()), LevelWatch(level())
        fed(early, *rise(6.0, BEGINS_V - 0.02), 6.5)
        fed(late, *rise(6.0, BEGINS_V + 0.02), 6.5)

        assert early.account is not None
        assert late.account is not None
        assert early.account.explained == pytest.approx(BULK_F * 2 * 0.5)
        assert late.account.explained == pytest.approx(BULK_F * (2 * 0.5 + 1.52))

    @pytest.mark.parametrize(("to_v", "cut"), [(STOPS_V + 0.1, False), (STOPS_V - 0.1, True)])
    def test_a_collapse_below_where_it_stops_is_cut_at_once(self, to_v: float, cut: bool) -> None:
        """No converter pulls its input there: a part has broken over, and the next reading cuts."""
        up = rise(6.0, 10.0)

        assert fed(LevelWatch(level()), *up, to_v) == [*(False for _ in up), cut]

    def test_an_ac_input_has_no_sag(self) -> None:
        """The rms voltage of a line does not follow the capacitor: energy is as it was."""
        energy = replace(BUDGET, kind="energy", peak_factor=math.sqrt(2), window_s=0.02)
        watch = LevelWatch(level(energy))
        fed(watch, 8.5, 8.5, 7.0)

        assert energy.begun().explained(7.0, 8.5) == energy.explained(7.0)
        assert watch.account is not None
        above_w, below_w = 8.5 * LIMIT_A - 0.6, 7.0 * (LIMIT_A - 0.012)
        assert watch.account.taken == pytest.approx(GAP_S * (1.5 * above_w + 0.5 * below_w))


class TestBelowItsThreshold:
    def test_a_converter_that_has_begun_works_on(self) -> None:
        """0.6 W at 6 V are its idle draw once 8 V have been read, and a leak before."""
        idle = [sample(tick, 6.0, 0.1) for tick in range(1, 400)]
        begun, asleep = LevelWatch(level()), LevelWatch(level())

        assert begun.add(sample(0, BEGINS_V, 0.1)) is None
        assert all(begun.add(each) is None for each in idle)
        assert asleep.add(sample(0, BEGINS_V - 0.1, 0.1)) is None
        assert any(asleep.add(each) is not None for each in idle)

    def test_down_to_where_it_stops(self) -> None:
        """Below six tenths of the threshold leakage alone is allowed again."""
        watch = LevelWatch(level())
        watch.add(sample(0, BEGINS_V, 0.1))

        assert any(watch.add(sample(tick, 4.7, 0.1)) is not None for tick in range(1, 400))

    def test_it_is_lowered_once(self) -> None:
        """What was found awake before power is no lower for having begun."""
        assert BUDGET.begun().begun().threshold_v == pytest.approx(STOPS_V)
        assert BUDGET.found(6.0).begun().threshold_v == pytest.approx(STOPS_V)


class TestBound:
    """What is let through in a level has a bound, whatever the readings do."""

    def test_a_converter_that_begins_again_and_again_is_cut(self) -> None:
        """A limit too low for it: each begin takes 3 V of 15 mF, and the second is one too many."""
        up, again = rise(6.0, 8.2), rise(5.2, 8.2)
        watch = LevelWatch(level())
        cuts = fed(watch, *up, *again, *again, *again)

        assert cuts.index(True) in range(len(up) + 1, len(up) + 2 * len(again))

    @given(
        read=st.lists(
            st.tuples(st.floats(0.0, 13.0), st.floats(0.0, LIMIT_A), st.floats(1e-3, 0.05)),
            min_size=2,
            max_size=60,
        ),
        from_v=st.floats(0.0, 11.0),
        charged_v=st.sampled_from([0.0, 7.0]),
        awake=st.booleans(),
    )
    def test_charge_beyond_the_idle_draw(
        self,
        read: list[tuple[float, float, float]],
        from_v: float,
        charged_v: float,
        *,
        awake: bool,
    ) -> None:
        """It is never more than the highest voltage read explains by the charge factor, and slack.

        Where no reading lay at the threshold, or below where a converter stops, as before: each
        voltage explains by itself.
        """
        budget = replace(BUDGET, from_v=from_v)
        budget = budget.found(charged_v) if awake else budget.less(charged_v)
        watch = LevelWatch(level(budget))
        starts_v = max(from_v, charged_v)
        most_idle_a = 0.6 / STOPS_V
        time_s = charge_c = longest_s = highest_v = 0.0
        before_a = 0.0
        begun = budget.has_begun
        for number, (volts, amperes, gap_s) in enumerate(read):
            time_s += gap_s
            begun = begun or volts >= budget.threshold_v
            cut = watch.add(
                SupplySample(time_s, volts, amperes, volts * amperes, None, protection=False)
            )
            if number:
                charge_c += gap_s * (0.5 * (before_a + amperes) - most_idle_a)
                longest_s = max(longest_s, gap_s)
                highest_v = max(highest_v, volts)
            before_a = amperes
            if cut is not None:
                assert cut[0] is TripReason.CHARGE_BUDGET
                return
            slack_c = 0.1 * BULK_F * max(0.0, 12.0 - starts_v) + LIMIT_A * longest_s
            filled_c = 2 * BULK_F * max(0.0, highest_v - starts_v)
            assert charge_c <= filled_c + slack_c + 1e-9
            if number:
                assert watch.account is not None
                alone_c = 2 * BULK_F * max(0.0, volts - starts_v)
                more_c = watch.account.explained - alone_c
                gave_c = BULK_F * (highest_v - volts) if begun and volts >= STOPS_V else 0.0
                assert -1e-9 <= more_c <= gave_c + 1e-9
