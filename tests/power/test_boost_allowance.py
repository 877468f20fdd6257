from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING

import pytest

from harness.bench.sample import SupplySample
from harness.power.commands import Arm, Set, SwitchOff, SwitchOn, Watch
from harness.power.envelope import OperatingEnvelope
from harness.power.inrush_monitor import LevelWatch
from harness.power.keeper import Keeper
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator

BOOSTED = InrushAllowance(
    kind="energy",
    capacitance_f=150e-6,
    peak_factor=math.sqrt(2),
    charge_factor=2.0,
    from_v=50.0,
    to_v=90.0,
    idle_power_w=5.0,
    threshold_v=80.0,
    leakage_a=0.026,
    window_s=0.02,
    boosted_v=390.0,
)
LEVEL = Level(label="90 %", voltage_v=90.0, current_limit_a=1.2, dwell_s=1.0, budget=BOOSTED)
#: 150 uF from the peak of 90 V to 390 V. Source: E = C (V1^2 - V0^2) / 2, textbook.
LIFTED_J = 10.19


def level(**changes: object) -> Level:
    return replace(LEVEL, budget=replace(BOOSTED, **changes))  # type: ignore[arg-type]


def drawn(voltage_v: float, power_w: float, count: int, begin_s: float = 0.0) -> list[SupplySample]:
    """Return samples 10 ms apart of an even draw at a power factor of one."""
    current_a = power_w / voltage_v
    return [
        SupplySample(
            time_s=begin_s + 0.01 * number,
            voltage_v=voltage_v,
            current_a=current_a,
            power_w=power_w,
            limiting=False,
            protection=False,
        )
        for number in range(count)
    ]


def boosts(begin_s: float = 0.0) -> list[SupplySample]:
    """Return the samples of a boost stage that lifts at 90 W in 0.12 s, and then idles."""
    lifting = drawn(90.0, 95.0, round(LIFTED_J / 90.0 / 0.01), begin_s)
    return [*lifting, *drawn(90.0, 4.5, 20, lifting[-1].time_s + 0.01)]


def trips_at(watch: LevelWatch, samples: Iterable[SupplySample]) -> int | None:
    """Return the number of the sample that is found, or None."""
    return next((at for at, sample in enumerate(samples) if watch.add(sample)), None)


class TestBoostStage:
    """A boost stage takes its energy in one go, once, from the start threshold on."""

    def test_a_healthy_one_passes_and_without_the_figure_it_is_cut(self) -> None:
        """It passes, and is cut where the nameplate states no boosted voltage."""
        assert trips_at(LevelWatch(LEVEL), boosts()) is None
        assert trips_at(LevelWatch(level(boosted_v=0.0)), boosts()) is not None

    def test_what_it_takes_is_the_textbook_energy(self) -> None:
        """What it may take is half C times the difference of the squares."""
        assert BOOSTED.boost_j(90.0) == pytest.approx(LIFTED_J, rel=1e-3)
        assert BOOSTED.boost_j(390.0 / math.sqrt(2)) == pytest.approx(0.0, abs=1e-9)

    def test_it_may_be_spent_from_the_threshold_on(self) -> None:
        """A reading below the threshold explains none of it."""
        charge = 2.0 * 0.5 * 150e-6
        below, above = BOOSTED.explained(79.9), BOOSTED.explained(80.0)
        assert below == pytest.approx(charge * 2.0 * (79.9**2 - 50.0**2))
        assert above == pytest.approx(charge * (390.0**2 - 2.0 * 50.0**2))

    def test_it_is_allowed_once(self) -> None:
        """A level after the one at which it was taken allows it no more."""
        first = LevelWatch(LEVEL)
        assert trips_at(first, boosts()) is None
        assert first.lifted
        again = level(from_v=90.0, to_v=100.0)
        assert trips_at(LevelWatch(again), boosts()) is None
        assert trips_at(LevelWatch(again, lifted=first.lifted), boosts()) is not None

    def test_a_stage_that_has_not_begun_leaves_it_for_the_next_level(self) -> None:
        """What was not taken is still allowed later."""
        first = LevelWatch(LEVEL)
        assert trips_at(first, drawn(90.0, 4.5, 50)) is None
        assert not first.lifted

    def test_one_that_stopped_on_its_way_has_the_rest_left(self) -> None:
        """What it took is not allowed once more: of 20 J after 4 J no more than 16 J."""
        first = LevelWatch(LEVEL)
        assert trips_at(first, [*drawn(90.0, 95.0, 6), *drawn(90.0, 4.5, 20)]) is None
        assert not first.lifted
        assert first.spent_j == pytest.approx(4.0, abs=0.6)
        again = level(from_v=90.0, to_v=90.0)
        whole = trips_at(LevelWatch(again), drawn(90.0, 95.0, 60))
        rest = trips_at(LevelWatch(again, spent_j=first.spent_j), drawn(90.0, 95.0, 60))
        assert whole is not None
        assert rest is not None
        assert (whole - rest) * 0.01 * 90.0 == pytest.approx(first.spent_j, abs=1.0)

    def test_nothing_of_it_is_taken_below_the_threshold(self) -> None:
        """Where nothing boosts yet, what is drawn takes nothing from what is allowed later."""
        watch = LevelWatch(level(from_v=25.0, to_v=70.0), spent_j=1.0)
        assert trips_at(watch, drawn(70.0, 20.0, 8)) is None
        assert watch.spent_j == 1.0

    def test_one_that_stops_again_and_again_is_found(self) -> None:
        """Each time less than half of it: as often as once and a half together it is lifted."""
        spent_j = 0.0
        for _ in range(2):
            watch = LevelWatch(level(from_v=90.0, to_v=90.0), spent_j=spent_j)
            assert trips_at(watch, [*drawn(90.0, 95.0, 4), *drawn(90.0, 4.5, 20)]) is None
            spent_j = watch.spent_j
        assert watch.lifted


def short() -> Iterator[SupplySample]:
    """Yield a switch that breaks over: the source stays in its limit and the voltage is gone."""
    yield from drawn(90.0, 5.0, 3)
    yield from drawn(12.0, 14.0, 200, 0.03)


class TestFoundAsWithout:
    """What the allowance is not for is found at the very sample at which it is found without."""

    @pytest.mark.parametrize(
        ("samples", "lifted", "from_v", "to_v"),
        [
            pytest.param(list(short()), False, 50.0, 90.0, id="shorted switch"),
            pytest.param(drawn(50.0, 70.0, 300), False, 25.0, 50.0, id="leak, below threshold"),
            pytest.param(drawn(25.0, 25.0, 300), False, 10.0, 25.0, id="varistor, below threshold"),
            pytest.param(drawn(100.0, 90.0, 300), True, 90.0, 100.0, id="leak, once it is lifted"),
            pytest.param(drawn(240.0, 90.0, 300), True, 100.0, 240.0, id="varistor, once lifted"),
        ],
    )
    def test_it_is(
        self, samples: list[SupplySample], lifted: bool, from_v: float, to_v: float
    ) -> None:
        """The allowance moves the moment by not one reading."""
        with_it = LevelWatch(level(from_v=from_v, to_v=to_v), lifted=lifted)
        without = LevelWatch(level(from_v=from_v, to_v=to_v, boosted_v=0.0))
        found = trips_at(without, samples)
        assert found is not None
        assert trips_at(with_it, samples) == found


class TestKeeper:
    """The keeper remembers over the levels of a start that the capacitor has been lifted."""

    @staticmethod
    def fed(machine: Keeper, samples: Iterable[SupplySample]) -> None:
        """Hand samples in."""
        for sample in samples:
            machine.sample(sample)

    def live(self) -> Keeper:
        """Return a keeper with power on."""
        limits = OperatingEnvelope(
            voltage_v=264.0, current_a=3.2, power_w=300.0, frequencies_hz=(50.0,)
        )
        machine = Keeper(limits, supply=frozenset({"voltage_setting"}))
        machine.command(Arm(50.0, 1.2, 50.0), 0.0)
        machine.command(SwitchOn(), 0.0)
        return machine

    def test_a_second_one_cuts_power(self) -> None:
        """What lifts the capacitor a second time is no boost stage, whatever came between."""
        machine = self.live()
        machine.command(Watch(LEVEL), 0.0)
        machine.command(Set("voltage", 90.0), 0.0)
        self.fed(machine, boosts())
        assert machine.trip is None
        machine.command(Watch(None), 1.0)
        machine.command(Watch(level(from_v=90.0, to_v=100.0)), 1.0)
        self.fed(machine, boosts(1.0))
        assert machine.trip is not None
        assert machine.trip.reason is TripReason.ENERGY_BUDGET

    def test_what_a_stage_took_that_stopped_on_its_way_is_not_allowed_again(self) -> None:
        """Safety rule 6: at the next level the rest of it is left, and no more."""
        second = Watch(level(from_v=90.0, to_v=90.0))
        assert second.level is not None
        whole = trips_at(LevelWatch(second.level), drawn(90.0, 95.0, 60))
        machine = self.live()
        machine.command(Watch(LEVEL), 0.0)
        self.fed(machine, [*drawn(90.0, 95.0, 6), *drawn(90.0, 4.5, 20, 0.06)])
        machine.command(Watch(None), 1.0)
        machine.command(second, 1.0)
        self.fed(machine, drawn(90.0, 95.0, 60, 1.0)[:whole])
        assert machine.trip is not None
        assert machine.trip.reason is TripReason.ENERGY_BUDGET

    def test_once_power_was_off_it_is_allowed_again(self) -> None:
        """A level is watched from before the output comes on: what was before counts no more."""
        machine = self.live()
        machine.command(Watch(LEVEL), 0.0)
        self.fed(machine, boosts())
        machine.command(Watch(None), 1.0)
        for move in machine.command(SwitchOff(), 1.0):
            machine.done(move)
        machine.command(Arm(90.0, 1.2, 50.0), 2.0)
        machine.command(Watch(LEVEL), 2.0)
        machine.command(SwitchOn(), 2.0)
        self.fed(machine, boosts(2.0))
        assert machine.trip is None

    def test_once_power_was_off_a_stopped_one_has_all_of_it_again(self) -> None:
        """What it took before counts no more either: the capacitor may have drained since."""
        again = level(from_v=90.0, to_v=90.0)
        whole = trips_at(LevelWatch(again), drawn(90.0, 95.0, 60))
        machine = self.live()
        machine.command(Watch(LEVEL), 0.0)
        self.fed(machine, [*drawn(90.0, 95.0, 6), *drawn(90.0, 4.5, 20, 0.06)])
        machine.command(Watch(None), 1.0)
        for move in machine.command(SwitchOff(), 1.0):
            machine.done(move)
        machine.command(Arm(90.0, 1.2, 50.0), 2.0)
        machine.command(Watch(again), 2.0)
        machine.command(SwitchOn(), 2.0)
        samples = drawn(90.0, 95.0, 60, 2.0)
        self.fed(machine, samples[:whole])
        assert machine.trip is None
        self.fed(machine, samples[whole:])
        assert machine.trip is not None
