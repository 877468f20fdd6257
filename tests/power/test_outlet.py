from __future__ import annotations

from operator import attrgetter

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.sample import SupplySample
from harness.power.channel import WINDOW
from harness.power.outlet import EXTREMES, Outlet

#: Voltage and current of a sample, or how many samples the engine has taken.
STEPS = st.lists(
    st.one_of(
        st.tuples(st.floats(-100.0, 100.0), st.floats(-10.0, 10.0)),
        st.integers(1, WINDOW),
    ),
    max_size=300,
)

#: So many samples are held back at most: the latest, and two extremes of each quantity.
MOST_HELD = 1 + len(EXTREMES)


def sample(time_s: float, voltage_v: float = 24.0, current_a: float = 0.3) -> SupplySample:
    return SupplySample(time_s, voltage_v, current_a, voltage_v * current_a, None, protection=False)


def filled() -> tuple[Outlet, list[SupplySample]]:
    """Return an outlet whose window is full, and where its samples go from then on."""
    out: list[SupplySample] = []
    outlet = Outlet(out.append)
    for number in range(WINDOW):
        outlet.add(sample(number - WINDOW))
    assert len(out) == WINDOW
    out.clear()
    return outlet, out


class TestRoom:
    def test_with_room_each_sample_goes_out_at_once(self) -> None:
        """While the engine keeps up, it gets every sample."""
        out: list[SupplySample] = []
        outlet = Outlet(out.append)
        for number in range(10 * WINDOW):
            outlet.add(sample(number))
            outlet.make_room(1)

        assert [each.time_s for each in out] == list(range(10 * WINDOW))

    def test_without_room_nothing_goes_out(self) -> None:
        """An engine that takes nothing is sent a window of samples, and no more."""
        outlet, out = filled()
        for number in range(10_000):
            outlet.add(sample(number, voltage_v=number))

        assert out == []

    def test_with_new_room_the_latest_comes(self) -> None:
        """What comes after a wait ends with the sample just taken."""
        outlet, out = filled()
        for number in range(1000):
            outlet.add(sample(number))
        outlet.make_room(WINDOW // 2)

        assert out[-1].time_s == 999
        assert len(out) <= MOST_HELD

    def test_what_is_said_later_comes_later(self) -> None:
        """Flushed, an outlet lets out what it holds even without room, and counts it."""
        outlet, out = filled()
        outlet.add(sample(0.0))
        outlet.flush()
        assert [each.time_s for each in out] == [0.0]

        outlet.make_room(1)
        outlet.add(sample(1.0))
        assert len(out) == 1


class TestExtremes:
    @pytest.mark.parametrize(
        "odd",
        [
            sample(5.0, voltage_v=26.0),
            sample(5.0, voltage_v=20.0),
            sample(5.0, current_a=1.4),
            sample(5.0, current_a=-0.1),
            sample(5.0)._replace(power_w=30.0),
        ],
        ids=["voltage high", "voltage low", "current high", "current low", "power high"],
    )
    def test_one_extreme_sample_among_thousands_comes_out(self, odd: SupplySample) -> None:
        """However long the engine takes nothing, the extremes of that time reach it, in order."""
        outlet, out = filled()
        for number in range(5000):
            outlet.add(odd if number == 2500 else sample(number * 1e-3))
        outlet.make_room(WINDOW)

        assert odd in out
        assert out == sorted(out, key=attrgetter("time_s"))

    @given(STEPS)
    def test_no_extreme_is_lost_and_the_way_is_never_longer(
        self, steps: list[tuple[float, float] | int]
    ) -> None:
        """Whatever comes: in order, bounded, each once, and with every extreme."""
        out: list[SupplySample] = []
        outlet = Outlet(out.append)
        put: list[SupplySample] = []
        taken = 0
        for number, step in enumerate(steps):
            if isinstance(step, tuple):
                put.append(sample(number, *step))
                outlet.add(put[-1])
            else:
                count = min(step, len(out) - taken)
                taken += count
                outlet.make_room(count)
            assert len(out) - taken <= WINDOW + MOST_HELD
        outlet.flush()

        assert out == sorted(set(out), key=attrgetter("time_s"))
        assert set(out) <= set(put)
        if put:
            assert out[-1] == put[-1]
            for quantity in map(attrgetter, ("voltage_v", "current_a", "power_w")):
                assert min(map(quantity, out)) == min(map(quantity, put))
                assert max(map(quantity, out)) == max(map(quantity, put))
