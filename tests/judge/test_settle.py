"""Rest: what must come to it, what must not, when at the latest, and how often that errs."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Iterable, Iterator

import numpy as np
import numpy.typing as npt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from harness.judge.settle import Settler, Watched

#: A board that draws 4 W at 24 V with 0.2 W of scatter, and half a per cent of a limit of 0.3 A.
MEAN_A, SCATTER_A, TOLERANCE_A = 4.0 / 24.0, 0.2 / 24.0, 0.005 * 0.3
SPAN_S, LONGEST_S = 0.2, 10.0

Series = npt.NDArray[np.float64]


def settler(tolerance: float = TOLERANCE_A, jump_frac: float = 0.5) -> Settler:
    watched = Watched(name="current", unit="A", tolerance=tolerance, jump_frac=jump_frac)
    return Settler(watched, span_s=SPAN_S)


def rest_s(one: Settler, values: Iterable[float], step_s: float) -> float | None:
    """Time after which a settler of one series first says yes."""
    for index, value in enumerate(values):
        if one.add(index * step_s, (float(value),)):
            return index * step_s
    return None


def autoregressive(phi: float) -> Callable[[int, float, np.random.Generator], Series]:
    def draw(count: int, _step_s: float, rng: np.random.Generator) -> Series:
        shocks = math.sqrt(1.0 - phi * phi) * rng.standard_normal(count)
        return np.array(list(itertools.accumulate(shocks, lambda last, new: phi * last + new)))

    return draw


def white(count: int, _step_s: float, rng: np.random.Generator) -> Series:
    return rng.standard_normal(count)


def telegraph(dwell_s: float) -> Callable[[int, float, np.random.Generator], Series]:
    def draw(count: int, step_s: float, rng: np.random.Generator) -> Series:
        flips = np.cumsum(rng.random(count) < step_s / dwell_s)
        return np.where(flips % 2, 1.0, -1.0) + 0.02 * rng.standard_normal(count)

    return draw


def bursts(period_s: float) -> Callable[[int, float, np.random.Generator], Series]:
    """A burst for a fifth of a period, mean zero and standard deviation one."""

    def draw(count: int, step_s: float, rng: np.random.Generator) -> Series:
        phase = (np.arange(count) * step_s / period_s + rng.random()) % 1.0
        return np.where(phase < 0.2, 2.0, -0.5)

    return draw


NOISES = {
    "white": white,
    "autoregressive 0.9": autoregressive(0.9),
    "autoregressive 0.99": autoregressive(0.99),
    "telegraph, flips each 50 ms": telegraph(0.05),
    "telegraph, flips each 2 s": telegraph(2.0),
    "bursts, 0.3 s": bursts(0.3),
    "bursts, 1 s": bursts(1.0),
}


class TestComingToRest:
    @pytest.mark.parametrize(("step_s", "at_s"), [(0.0001, 0.2), (0.0025, 0.2), (0.009, 0.216)])
    @pytest.mark.parametrize("begin_s", [0.0, 100.0])
    def test_quiet_readings_rest_after_one_span(
        self, step_s: float, at_s: float, begin_s: float
    ) -> None:
        """Readings that do not move are at rest after one span, eight blocks of whole readings."""
        one = settler()
        times = (begin_s + index * step_s for index in range(10_000))

        first_s = next(time_s for time_s in times if one.add(time_s, (0.1,)))

        assert first_s == pytest.approx(begin_s + at_s, abs=1e-9)

    def test_a_slow_link_gives_eight_blocks_of_one_reading(self) -> None:
        """A window never has fewer than eight readings."""
        assert rest_s(settler(), itertools.repeat(0.1, 99), 0.1) == pytest.approx(0.8)

    def test_a_toggling_last_digit_is_rest(self) -> None:
        """A digit that goes back and forth within half the tolerance is no movement."""
        values = itertools.cycle([0.1, 0.1007])
        assert rest_s(settler(), itertools.islice(values, 999), 0.01) == pytest.approx(0.24)

    def test_half_the_tolerance_is_flat_as_decimal_text_has_it(self) -> None:
        """0.101 less 0.1 is a little more than 0.001 in binary, and yet half of 0.002."""
        values = itertools.cycle([0.1, 0.101])
        assert 0.101 - 0.1 > 0.5 * 0.002

        assert rest_s(settler(0.002), itertools.islice(values, 99), 0.01) == pytest.approx(0.24)

    @pytest.mark.parametrize(
        ("step_s", "at_s"),
        [
            (0.1, 32 * 0.1),  # the lowest rung that may show it: eight blocks of four readings
            (0.06, 32 * 0.06),
            (0.045, 64 * 0.045),  # its window of 1.44 s is shorter than eight spans: the next one
        ],
    )
    def test_scatter_that_averages_out_rests_after_eight_spans(
        self, step_s: float, at_s: float
    ) -> None:
        """Readings that scatter by more than half the tolerance need eight spans and four blocks.

        One up, one down: the means of pairs are the same to the last digit.
        """
        values = itertools.cycle([0.1, 0.1009])
        found_s = rest_s(settler(), itertools.islice(values, 999), step_s)

        assert found_s == pytest.approx(at_s, abs=1e-9)

    @pytest.mark.parametrize("name", NOISES)
    @pytest.mark.parametrize("step_s", [0.001, 0.0025, 0.01, 0.1])
    def test_a_board_at_work_comes_to_rest_in_good_time(self, name: str, step_s: float) -> None:
        """A board whose power scatters by a twentieth rests within the longest time."""
        rng = np.random.default_rng(1)
        for _ in range(3):
            noise = NOISES[name](int(LONGEST_S / step_s), step_s, rng)

            assert rest_s(settler(), MEAN_A + SCATTER_A * noise, step_s) is not None

    def test_white_noise_at_ten_thousand_readings_a_second(self) -> None:
        """The fastest link settles as soon as scatter may be averaged: after eight spans."""
        noise = white(30_000, 1e-4, np.random.default_rng(1))

        assert rest_s(settler(), MEAN_A + SCATTER_A * noise, 1e-4) == pytest.approx(1.6, abs=0.01)

    def test_every_series_must_rest(self) -> None:
        """One series that moves keeps all from rest, and is named."""
        both = Settler(
            Watched(name="reading 1", unit="1", tolerance=0.01),
            Watched(name="reading 2", unit="1", tolerance=0.01),
            span_s=SPAN_S,
        )

        assert not any(both.add(i * 0.01, (5.0, 0.1 * i)) for i in range(200))
        assert both.reason.startswith("reading 2 still moves, by 2 over 0.2 s, more than 0.01")

    def test_the_mean_is_that_of_the_last_span(self) -> None:
        """The mean follows what is read, over one span."""
        one = settler()
        for index in range(400):
            one.add(index * 0.01, (0.1 if index < 200 else 0.12,))

        assert one.mean(0) == pytest.approx(0.12)


class TestNoRest:
    def test_a_ramp_never_rests_and_says_why(self) -> None:
        """A steady ramp of more than the tolerance a span never rests."""
        one = settler(0.001)

        assert rest_s(one, 1.0 + 1e-4 * np.arange(3000), 0.01) is None
        assert one.reason == "current still moves, by 2 mA over 0.2 s, more than 1 mA"

    @pytest.mark.parametrize("constant_s", [0.3, 1.0, 3.0, 30.0])
    def test_an_exponential_rests_when_its_slope_is_within_the_tolerance(
        self, constant_s: float
    ) -> None:
        """A slow start drifts on until it moves by no more than the tolerance in a span."""
        times = np.arange(int(20 * constant_s / 0.01)) * 0.01
        at_s = rest_s(settler(0.001), 1.0 - np.exp(-times / constant_s), 0.01)

        assert at_s is not None
        left = math.exp(-at_s / constant_s)
        assert left * SPAN_S / constant_s <= 0.001 * 1.05
        assert left * SPAN_S / constant_s >= 0.001 * 0.02

    @pytest.mark.parametrize("on_s", [0.03, 0.1, 0.5])
    @pytest.mark.parametrize("step_s", [0.0025, 0.01])
    def test_a_converter_that_keeps_trying_to_start_never_rests(
        self, on_s: float, step_s: float
    ) -> None:
        """On and off in turn, between nothing and full current, is no scatter about a mean."""
        times = np.arange(int(LONGEST_S / step_s)) * step_s
        values = np.where(times % (2 * on_s) < on_s, 0.3, 0.001)
        one = settler()
        yes = [one.add(time_s, (value,)) for time_s, value in zip(times, values, strict=True)]

        # at rest at most while it is off, or on, for longer than a span: every edge ends that
        longest = max((len(list(run)) for state, run in itertools.groupby(yes) if state), default=0)
        assert longest * step_s <= max(on_s - SPAN_S, 0.0) + 2 * step_s

    def test_scatter_beyond_the_coarse_bound_is_told(self) -> None:
        """Half the mean is no scatter of a board at work."""
        one = settler()
        values = itertools.islice(itertools.cycle([0.01, 0.19]), 999)

        assert rest_s(one, values, 0.01) is None
        assert one.reason == "current scatters by 90 mA about its mean, more than 50 mA"

    def test_noise_that_no_window_averages_out_is_told(self) -> None:
        """What stays unsure says what it may hide."""
        one = settler()
        noise = white(150, 0.01, np.random.default_rng(3))

        assert rest_s(one, MEAN_A + 3 * SCATTER_A * noise, 0.01) is None
        assert "too noisy to tell: it may move by" in one.reason

    @pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
    def test_no_number_ends_rest(self, bad: float) -> None:
        """A value that is no number ends rest, and nothing before it counts."""
        one = settler()
        assert rest_s(one, itertools.repeat(0.1, 99), 0.01) is not None
        assert not one.add(1.0, (bad,))
        assert one.reason == "current not a number"
        again = (index for index in range(1, 99) if one.add(1.0 + index * 0.01, (0.1,)))
        assert next(again) == 24  # eight blocks of three readings

    def test_time_that_stands_still_is_no_rest(self) -> None:
        """Readings that all carry one time are none."""
        one = settler()

        assert not any(one.add(1.0, (0.1,)) for _ in range(100))
        assert one.reason == "current waiting for more readings"

    def test_wrong_use_is_refused(self) -> None:
        """Time that runs backwards, a missing value and a settler without a series raise."""
        one = settler()
        one.add(1.0, (0.1,))
        with pytest.raises(ValueError, match="backwards"):
            one.add(0.5, (0.1,))
        with pytest.raises(ValueError, match="shorter"):
            one.add(2.0, ())
        with pytest.raises(ValueError, match=r"\Asettling needs at least one series\Z"):
            Settler(span_s=SPAN_S)


def resting(step_s: float = 0.01, value: float = 0.1) -> tuple[Settler, Iterator[float]]:
    """A settler that has come to rest, and the times of the next readings."""
    one = settler()
    times = (index * step_s for index in itertools.count())
    while not one.add(next(times), (value,)):
        pass
    return one, times


class TestWords:
    """What keeps a series from rest, to three digits and in its unit."""

    def test_before_the_first_reading(self) -> None:
        """Nothing was read: it is not at rest, and has no mean."""
        one = settler()

        assert one.reason == "current waiting for more readings"
        assert math.isnan(one.mean(0))

    def test_scatter_that_must_be_watched_for_longer(self) -> None:
        """A level line through readings that scatter: by how much, and what would be flat."""
        one = settler(0.001)

        assert rest_s(one, [0.1, *[0.1, 0.1006] * 4], 0.1) is None
        assert one.reason == (
            "current scatters by 600 uA, more than 500 uA: it must be watched for longer"
        )

    def test_noise_that_may_hide_a_drift(self) -> None:
        """The upper bound of a line's slope, at 99 % by Student's t with six degrees of freedom.

        Source: scipy.stats (slope, its standard error, quantile of t).
        """
        values = np.array([0.1, 0.1031, 0.0992, 0.1014, 0.1027, 0.0989, 0.1043, 0.1])
        one = settler(0.001)
        one.add(0.0, (values[0],))  # begins the first block, and belongs to it

        assert not any(one.add(0.1 * (index + 1), (value,)) for index, value in enumerate(values))
        line = stats.linregress(0.1 * np.arange(8) + 0.05, values)
        may_move = (abs(line.slope) + line.stderr * stats.t.ppf(0.995, 6)) * SPAN_S
        assert one.reason == (
            f"current too noisy to tell: it may move by {may_move * 1e3:.3g} mA over 0.2 s, "
            "more than 1 mA"
        )

    def test_a_ramp(self) -> None:
        """How far, over what time, and what is allowed."""
        watched = Watched(name="rail", unit="V", tolerance=0.00123456)
        one = Settler(watched, span_s=0.123456)

        assert rest_s(one, 1.0 + 2.34567e-3 * np.arange(999), 0.0123456) is None
        assert one.reason == "rail still moves, by 23.5 mV over 0.123 s, more than 1.23 mV"

    def test_a_jump(self) -> None:
        """How far beyond what was read at rest, and what is allowed."""
        one, times = resting(value=0.123456)

        assert not one.add(next(times), (0.357913,))
        assert one.reason == "current jumped by 234 mA from what it read at rest, more than 61.7 mA"

    def test_a_mean_that_moves(self) -> None:
        """How far, in what time, what is allowed; and it comes to rest again where it went.

        A tenth of an ampere with a scatter of half of it allowed: 25 mA and 1.5 mA a span of 0.2 s.
        """
        one, times = resting(step_s=0.0123456)
        moved_s = [time_s for time_s in itertools.islice(times, 3) if not one.add(time_s, (0.14,))]

        assert len(moved_s) == 1
        assert one.reason == (
            "current moved by 40 mA in 37 ms from what it read at rest, more than 25.3 mA"
        )
        assert rest_s_from(one, times, 0.14) == pytest.approx(SPAN_S, abs=0.1)


def rest_s_from(one: Settler, times: Iterator[float], value: float) -> float:
    """Time after which a settler says yes again, the value standing still."""
    begin_s = next(times)
    one.add(begin_s, (value,))
    for time_s in times:
        if one.add(time_s, (value,)):
            return time_s - begin_s
    raise AssertionError


class TestLosingIt:
    @pytest.mark.parametrize(("at", "beyond"), [(1.5, 2.0), (0.5, 0.0)])
    def test_a_reading_at_the_bound_on_jumps_is_none(self, at: float, beyond: float) -> None:
        """Two tolerances from what was read at rest, to the last digit."""
        one = settler(tolerance=0.25, jump_frac=0.0)
        begun_s = rest_s(one, itertools.repeat(1.0, 99), 0.01)
        assert begun_s is not None

        assert one.add(begun_s + 0.001, (at,))
        assert not one.add(begun_s + 0.002, (math.nextafter(at, beyond),))

    def test_one_reading_that_falls_to_nothing_ends_it(self) -> None:
        """A contact that opens for a single reading is seen."""
        one, times = resting()

        assert one.add(next(times), (0.1,))
        assert not one.add(next(times), (0.0,))
        assert one.reason == "current jumped by 100 mA from what it read at rest, more than 50 mA"

    def test_a_drift_within_the_tolerance_is_rest(self) -> None:
        """A unit that warms up slowly stays at rest, however far it gets."""
        one, times = resting()

        for time_s in itertools.islice(times, 9000):
            assert one.add(time_s, (0.1 + 0.9 * TOLERANCE_A * time_s / SPAN_S,))

    @pytest.mark.parametrize("name", [None, *NOISES])
    def test_a_drift_of_twice_the_tolerance_ends_it(self, name: str | None) -> None:
        """A mean that moves is met before it has doubled twice, whatever the noise."""
        step_s, rng = 0.0025, np.random.default_rng(4)
        count = int(40.0 / step_s)
        noise = NOISES[name](count, step_s, rng) if name else np.zeros(count)
        one, at_rest = settler(), False
        for index, value in enumerate(MEAN_A + SCATTER_A * noise):
            now_s = index * step_s
            drift_a = 2 * TOLERANCE_A * max(now_s - 10.0, 0.0) / SPAN_S
            before, at_rest = at_rest, one.add(now_s, (value + drift_a,))
            if now_s > 10.0 and before and not at_rest:
                break

        assert before
        assert not at_rest
        assert drift_a < 3 * MEAN_A

    @pytest.mark.parametrize("name", NOISES)
    def test_noise_at_rest_is_never_called_a_movement(self, name: str) -> None:
        """Two minutes at 400 readings a second, white or not: no false alarm.

        The two-hour soak is the torture version below.
        """
        assert false_alarms(name, 120.0) == 0


def false_alarms(name: str, duration_s: float) -> int:
    step_s = 0.0025
    noise = NOISES[name](int(duration_s / step_s), step_s, np.random.default_rng(5))
    one, lost, before = settler(), 0, False
    for index, value in enumerate((MEAN_A + SCATTER_A * noise).tolist()):
        at_rest = one.add(index * step_s, (value,))
        lost += before and not at_rest
        before = at_rest
    assert before
    return lost


@pytest.mark.torture
@pytest.mark.parametrize("name", NOISES)
def test_a_soak_of_two_hours_meets_no_false_alarm(name: str) -> None:
    """Two hours at 400 readings a second: nothing is called a movement."""
    assert false_alarms(name, 7200.0) == 0


def called_rest(name: str, scatter: float, step_s: float, runs: int) -> int:
    """Of so many runs of 10 s that drift by twice the tolerance, how many are called rest."""
    rng, count = np.random.default_rng(6), int(LONGEST_S / step_s)
    drift = 2.0 * np.arange(count) * step_s / SPAN_S
    return sum(
        rest_s(settler(1.0), 1000.0 + drift + scatter * NOISES[name](count, step_s, rng), step_s)
        is not None
        for _ in range(runs)
    )


#: Noise in tolerances: from next to none to what no window of 10 s averages out.
SCATTERS = (0.3, 1.0, 3.0, 10.0)


@pytest.mark.parametrize("name", ["white", "autoregressive 0.9", "telegraph, flips each 50 ms"])
def test_a_drift_of_twice_the_tolerance_is_hardly_ever_called_rest(name: str) -> None:
    """At most one run in twenty of 10 s is called rest although it drifts, whatever the noise."""
    for scatter in SCATTERS:
        assert called_rest(name, scatter, 0.02, 20) <= 1


@pytest.mark.torture
@pytest.mark.parametrize("name", NOISES)
@pytest.mark.parametrize("step_s", [0.0025, 0.1])
def test_drifts_called_rest_are_at_most_one_in_twenty(name: str, step_s: float) -> None:
    """A hundred runs for each noise, each scatter and each rate: at most 5 % are called rest."""
    for scatter in SCATTERS:
        assert called_rest(name, scatter, step_s, 100) <= 5


@given(
    st.lists(st.floats(-1.0, 1.0), min_size=80, max_size=200),
    st.sampled_from([0.25, 2.0, 1024.0]),
)
def test_rest_is_the_same_in_other_units(series: list[float], factor: float) -> None:
    """Whether a series rests depends on its movement in tolerances, not on the unit."""
    here, there = settler(0.5, 0.0), settler(0.5 * factor, 0.0)
    for index, value in enumerate(series):
        assert here.add(index * 0.01, (value,)) == there.add(index * 0.01, (value * factor,))


class TestFreeBand:
    """A unit at work draws now this, now that: inside a band readings may jump as they like."""

    def test_bursts_inside_it_are_rest(self) -> None:
        """Bursts of three times the rest, twice a second, come to rest inside their band alone."""

        def at_rest(free: tuple[float, float]) -> bool:
            current = Watched(name="i", unit="A", tolerance=0.01, jump_frac=0.5, free=free)
            settler = Settler(current, span_s=0.5)
            ends = [settler.add(0.01 * n, [0.3 if n % 50 < 5 else 0.1]) for n in range(3000)]
            return ends[-1]

        assert at_rest((0.05, 0.4))
        assert not at_rest((math.inf, -math.inf))

    @pytest.mark.parametrize("value", [0.6, 0.0, math.nan])
    def test_what_leaves_it_is_a_jump(self, value: float) -> None:
        """A reading beyond the band, or a contact that opens, ends rest as before."""
        current = Watched(name="i", unit="A", tolerance=0.01, jump_frac=0.5, free=(0.05, 0.4))
        settler = Settler(current, span_s=0.5)
        for n in range(3000):
            settler.add(0.01 * n, [0.3 if n % 50 < 5 else 0.1])

        assert not settler.add(30.0, [value])

    @staticmethod
    def on_a_slow_link(lasting_a: float | None = None) -> list[bool]:
        """Return whether it is at rest by readings 130 ms apart.

        A board that draws 140 mA, and 250 mA for 50 ms twice a second; from a minute on it may draw
        something else for good.
        """
        current = Watched(name="i", unit="A", tolerance=0.014, jump_frac=0.5, free=(0.02, 0.4))
        settler = Settler(current, span_s=0.5)
        rest: list[bool] = []
        for n in range(600):
            time_s = 0.13 * n
            drawn_a = 0.25 if time_s % 0.5 < 0.05 else 0.14
            if lasting_a is not None and time_s >= 60.0:
                drawn_a = lasting_a
            rest.append(settler.add(time_s, [drawn_a]))
        return rest

    def test_a_burst_that_fills_a_block_is_no_movement(self) -> None:
        """Where a block is one reading the next is without a burst: a healthy board was cut."""
        rest = self.on_a_slow_link()

        assert all(rest[rest.index(True) :])

    def test_a_change_that_lasts_is_found_within_a_span(self) -> None:
        """A processor that went into reset for good: eight readings are a span here."""
        rest = self.on_a_slow_link(0.035)
        changed = math.ceil(60.0 / 0.13)

        assert all(rest[changed - 20 : changed])
        assert not all(rest[changed : changed + 8])
