"""Safety rule 6 where the bulk capacitor is charged already: that is not allowed once more."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.sample import SupplySample
from harness.power.inrush_monitor import LevelWatch
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level

LIMIT_A, BULK_F, FOUND_V = 0.3, 470e-6, 20.0


def allowance(**changes: object) -> InrushAllowance:
    """That of a 24 V unit whose start goes to nominal voltage in one level."""
    told: dict[str, object] = {
        "kind": "charge",
        "capacitance_f": BULK_F,
        "peak_factor": 1.0,
        "charge_factor": 2.0,
        "from_v": 0.0,
        "to_v": 24.0,
        "idle_power_w": 0.6,
        "threshold_v": 8.0,
        "leakage_a": 0.012,
        "beside_f": 220e-6,
    }
    return InrushAllowance(**{**told, **changes})  # type: ignore[arg-type]


def watched(budget: InrushAllowance, *read: tuple[float, float]) -> list[TripReason | None]:
    """What a watch says of volts and amperes read each millisecond."""
    level = Level(
        label="100 %", voltage_v=24.0, current_limit_a=LIMIT_A, dwell_s=1.0, budget=budget
    )
    watch = LevelWatch(level)
    found = [
        watch.add(SupplySample(1e-3 * tick, volts, amperes, volts * amperes, None, False))  # noqa: FBT003
        for tick, (volts, amperes) in enumerate(read)
    ]
    return [None if each is None else each[0] for each in found]


def leaking(seconds: float) -> list[tuple[float, float]]:
    """The voltage comes at once, since all is charged, and then a part breaks over."""
    return [(FOUND_V, 0.0), *[(23.0, LIMIT_A)] * round(1e3 * seconds)]


class TestCharge:
    def test_what_is_there_is_not_allowed_again(self) -> None:
        """Current that raises no voltage is cut after what 4 V take, and not after 24 V."""
        budget = allowance().found(FOUND_V)
        cut = watched(budget, *leaking(0.2)).index(TripReason.CHARGE_BUDGET)
        empty = watched(allowance(), *leaking(0.2)).index(TripReason.CHARGE_BUDGET)

        assert 1e-3 * cut * LIMIT_A < 0.45 * 2 * BULK_F * 24.0
        assert empty > 1.8 * cut

    def test_a_healthy_unit_takes_the_rest(self) -> None:
        """From what was found on the capacitor fills at the limit, beside the supply's own."""
        slope = LIMIT_A / (BULK_F + 220e-6)
        read = [(0.0, 0.0), (FOUND_V, LIMIT_A)]
        read += [(min(FOUND_V + slope * 1e-3 * tick, 24.0), LIMIT_A) for tick in range(1, 10)]

        assert set(watched(allowance().found(FOUND_V), *read)) == {None}

    def test_the_supplys_own_capacitor_is_empty(self) -> None:
        """What lies across its terminals fills up to what was found, and is allowed for."""
        budget = allowance().found(FOUND_V)

        assert budget.explained(FOUND_V) == pytest.approx(220e-6 * FOUND_V)
        assert budget.explained(24.0) == pytest.approx(220e-6 * 24.0 + 2 * BULK_F * 4.0)
        assert budget.healthy == pytest.approx(BULK_F * 4.0)

    def test_nothing_is_to_fill_below(self) -> None:
        """A level below what was found takes nothing, and nothing of it is allowed as slack."""
        budget = allowance(to_v=12.0).found(FOUND_V)

        assert budget.healthy == 0.0
        assert budget.slack(LIMIT_A, 1e-3) == pytest.approx(LIMIT_A * 1e-3)

    def test_an_empty_one_is_as_it_was(self) -> None:
        """Where nothing is left, the allowance is that of a first start."""
        assert allowance().found(0.0) == allowance()

    def test_a_converter_that_is_awake_works_on(self) -> None:
        """One that has not stopped yet may draw its idle power below its threshold."""
        assert allowance().found(6.0).threshold_v == pytest.approx(0.6 * 8.0)
        assert allowance().found(4.0).threshold_v == 8.0


class TestNeverMore:
    """Power that comes back by itself is never allowed more than an empty unit."""

    @given(
        charged_v=st.floats(0.0, 60.0),
        volts=st.floats(0.0, 26.0),
        amperes=st.floats(-0.1, 0.4),
        to_v=st.sampled_from([2.4, 6.0, 12.0, 24.0]),
        kind=st.sampled_from(["charge", "energy"]),
        boosted_v=st.sampled_from([0.0, 60.0]),
    )
    def test_in_no_reading(
        self, *, charged_v: float, volts: float, amperes: float, to_v: float, **told: object
    ) -> None:
        """What a watch finds unexplained, less what it allows, is at least that of an empty one."""
        peak_factor = math.sqrt(2.0) if told["kind"] == "energy" else 1.0
        empty = allowance(to_v=to_v, peak_factor=peak_factor, **told)
        over = []
        for budget in (empty, empty.less(charged_v)):
            watch = LevelWatch(
                Level(
                    label="x", voltage_v=to_v, current_limit_a=LIMIT_A, dwell_s=1.0, budget=budget
                )
            )
            for tick in range(3):
                sample = SupplySample(
                    0.01 * tick, volts, amperes, volts * amperes, None, protection=False
                )
                watch.add(sample)
            over.append(watch.used - watch.allowed)
        assert over[1] >= over[0] - 1e-12

    def test_a_converter_that_was_awake_is_allowed_more_only_in_a_start(self) -> None:
        """Below its threshold its idle power counts there, and here its leakage alone."""
        assert allowance().found(20.0).threshold_v < allowance().threshold_v
        assert allowance().less(20.0).threshold_v == allowance().threshold_v


class TestEnergy:
    def test_what_is_there_is_not_allowed_again(self) -> None:
        """An AC unit's capacitor at 100 V takes no more than what is between its squares."""
        budget = allowance(
            kind="energy", peak_factor=math.sqrt(2), to_v=120.0, capacitance_f=150e-6
        )
        left = budget.found(100.0 / math.sqrt(2))

        assert left.healthy == pytest.approx(0.5 * 150e-6 * (2 * 120.0**2 - 100.0**2))
        assert left.explained(70.0) == 0.0

    def test_a_boosted_one_takes_nothing(self) -> None:
        """A capacitor that still stands where its boost stage left it takes nothing at all."""
        budget = allowance(kind="energy", peak_factor=math.sqrt(2), to_v=120.0, boosted_v=390.0)

        assert budget.found(390.0 / math.sqrt(2)).explained(120.0) == pytest.approx(0.0, abs=1e-9)
        assert budget.explained(120.0) > 60.0
