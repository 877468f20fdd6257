"""Settling: what must settle, what must not, and when at the latest."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.settle import Settler, settled

STEP_S = 0.01


def settle_index(values: np.ndarray, settler: Settler, step_s: float = STEP_S) -> int | None:
    """Index of the reading at which a settler of one series first says yes."""
    for index, value in enumerate(values):
        if settler.add(index * step_s, (float(value),)):
            return index
    return None


def test_constant_readings_settle_with_the_first_full_window() -> None:
    """Readings that never move settle with the eighth, not before, without any scatter."""
    assert settle_index(np.full(20, 24.0), Settler(resolution=(1e-3,))) == 7


def test_toggling_last_digit_is_settled() -> None:
    """A last digit that toggles is the instrument, not the unit, even where decimals round."""
    values = np.array([24.000, 24.001] * 6)  # 0.0010000000000012 apart in binary
    assert settle_index(values, Settler(resolution=(0.001,), share=0.0)) == 7


def test_quiet_noise_settles_and_loud_noise_does_not() -> None:
    """Noise far below the tolerance settles; noise that could hide a movement does not."""
    noise = np.random.default_rng(3).normal(size=400)
    quiet = settle_index(24.0 + 0.002 * noise, Settler(resolution=(1e-4,), share=1e-3))
    assert quiet is not None
    assert quiet < 12
    loud = Settler(resolution=(1e-4,), share=1e-3)
    assert settle_index(24.0 + 0.1 * noise, loud) is None


def test_ramp_never_settles_and_says_why() -> None:
    """A steady ramp of more than the resolution over the window never settles."""
    settler = Settler(resolution=(0.001, 0.001), names=("voltage", "current"))
    for index in range(100):
        assert not settler.add(index * STEP_S, (24.0, 1.0 + 0.001 * index))
    assert settler.reason.startswith("current still moves, by 0.007 ")


@pytest.mark.parametrize(
    ("units", "reason"),
    [
        (("V", "A"), "current still moves, by 7 mA over the window, more than 1 mA"),
        ((), "current still moves, by 0.007 over the window, more than 0.001"),
    ],
)
def test_what_moves_is_told_in_its_unit(units: tuple[str, ...], reason: str) -> None:
    """A movement and what is allowed of it are told with their unit, where there is one."""
    settler = Settler(resolution=(0.001, 0.001), names=("voltage", "current"), units=units)
    for index in range(8):
        settler.add(index * STEP_S, (24.0, 1.0 + 0.001 * index))
    assert settler.reason == reason


@pytest.mark.parametrize(
    ("last", "reason"),
    [
        (1.9e-3, "scatters by 592 uV about its trend, more than 500 uV"),
        (0.0, ""),
    ],
)
def test_one_series_is_told_in_its_unit(last: float, reason: str) -> None:
    """The judgement on a whole series speaks in its unit too."""
    values = np.array([0.0] * 7 + [last])
    assert settled(np.arange(8) * STEP_S, values, 1e-3, unit="V").reason == reason


def test_slow_ramp_in_noise_does_not_settle() -> None:
    """A slope that noise keeps from being significant is not taken for none."""
    rng = np.random.default_rng(5)
    # Over a window it moves by 7 mV under 10 mV of noise; 5 mV are allowed.
    yes = 0
    for _ in range(500):
        values = 5.0 + 0.001 * np.arange(8) + rng.normal(scale=0.010, size=8)
        yes += settled(np.arange(8) * STEP_S, values, 1e-4, share=1e-3).settled
    assert yes / 500 < 0.025


@given(
    amplitude=st.floats(0.01, 100.0),
    ratio=st.floats(0.05, 1.4),
    rising=st.booleans(),
    quantised=st.booleans(),
)
def test_exponential_settles_neither_early_nor_never(
    amplitude: float, ratio: float, rising: bool, quantised: bool
) -> None:
    """An exponential settles in the end, and then has no more to go than its drift allows."""
    resolution, window_s = 0.001, 7 * STEP_S
    time_s = np.arange(2000) * STEP_S
    fall = amplitude * np.exp(-time_s / (ratio * window_s))
    values = 24.0 - fall if rising else 24.0 + fall
    if quantised:
        values = np.round(values, 3)
    index = settle_index(values, Settler(resolution=(resolution,), share=0.0))
    assert index is not None
    left = fall[index]
    # What is left after a drift d over a window of s: d / (exp(s / T) - 1), textbook.
    allowed = (2.0 if quantised else 1.0) * resolution / math.expm1(1.0 / ratio)
    assert left <= allowed * (1 + 1e-6)


def test_exponential_in_noise_is_within_tolerance_when_it_settles() -> None:
    """In noise, what is left at settling is above the tolerance in less than 5 % of starts."""
    rng = np.random.default_rng(11)
    tolerance, late = 0.024, 0
    for _ in range(200):
        time_s = np.arange(400) * STEP_S
        fall = 24.0 * np.exp(-time_s / 0.07)
        values = 24.0 - fall + rng.normal(scale=0.003, size=400)
        index = settle_index(values, Settler(resolution=(0.001,), share=0.001))
        assert index is not None
        late += fall[index] > tolerance
    assert late / 200 < 0.05


def test_longer_span_waits_for_a_slower_process() -> None:
    """A span of the slow time constant keeps a fast reader from settling on a flat stretch."""
    time_s = np.arange(6000) * 0.003
    fall = 0.5 * np.exp(-time_s / 1.0)
    values = np.round(24.0 - fall, 2)
    early = settle_index(values, Settler(resolution=(0.01,), share=0.0), 0.003)
    patient = settle_index(values, Settler(resolution=(0.01,), share=0.0, span_s=1.0), 0.003)
    assert early is not None
    assert fall[early] > 0.1
    assert patient is not None
    assert fall[patient] <= 0.02


@pytest.mark.parametrize("pattern", list(itertools.product([0, 1], repeat=8)))
def test_no_jump_above_the_tolerance_settles(pattern: tuple[int, ...]) -> None:
    """No pattern of jumps beyond the tolerance in the window settles (a loose contact)."""
    values = 24.0 + 0.026 * np.array(pattern)
    decision = settled(np.arange(8) * STEP_S, values, 1e-3, share=1e-3)
    assert decision.settled == (len(set(pattern)) == 1)


def test_rare_jump_does_not_average_out_in_a_long_window() -> None:
    """One jump among many quiet readings keeps a long window from settling while it is in it."""
    rng = np.random.default_rng(2)
    values = 24.0 + rng.normal(scale=0.001, size=300)
    settler = Settler(resolution=(0.001,), share=0.001, span_s=1.0)
    values[150] = 23.89  # 0.11 V: too little to lift the standard deviation past 12 mV
    answers = [settler.add(i * STEP_S, (float(value),)) for i, value in enumerate(values)]
    assert answers[149]
    assert not any(answers[165:250])
    assert answers[-1]


def test_significant_drift_within_the_resolution_is_settled() -> None:
    """In a long window a drift below the resolution may be significant; it does not matter."""
    alternating = 0.45e-3 * (-1.0) ** np.arange(400)
    decision = settled(np.arange(400) * STEP_S, alternating + np.linspace(0, 0.5e-3, 400), 1e-3)
    assert abs(decision.drift) > decision.drift_bound - abs(decision.drift)  # significant
    assert decision.settled


def test_noise_limit_is_half_the_tolerance_where_none_is_named() -> None:
    """A long window could average out any noise; above half the tolerance it must be named."""
    time_s, values = np.arange(400) * STEP_S, 0.7e-3 * (-1.0) ** np.arange(400)
    assert settled(time_s, values, 1e-3).reason.startswith("scatters by 0.0007")
    assert settled(time_s, values, 1e-3, noise_limit=1e-3).settled


def test_long_window_is_judged_when_an_eighth_is_new(monkeypatch: pytest.MonkeyPatch) -> None:
    """A window of eighty readings is judged at every tenth reading only."""
    settler = Settler(resolution=(0.01,), span_s=0.79)
    judged: list[int] = []
    monkeypatch.setattr(settler, "_evaluate", judged.append)
    for index in range(200):
        settler.add(index / 100, (5.0,))
    assert 10 <= len(judged) <= 13
    assert set(judged) <= {80, 81}


def test_noise_limit_of_the_caller_counts() -> None:
    """Scatter above the stated noise limit does not settle, however wide the tolerance."""
    values = np.array([1.0, 1.02, 0.99, 1.01, 1.0, 0.98, 1.01, 1.0])
    time_s = np.arange(8) * STEP_S
    assert settled(time_s, values, 0.001, share=0.1).settled
    strict = settled(time_s, values, 0.001, share=0.1, noise_limit=0.005)
    assert not strict.settled
    assert strict.reason.startswith("scatters by 0.01")


def test_every_series_must_settle() -> None:
    """One series that moves holds back the others."""
    settler = Settler(resolution=(0.01, 0.01))
    assert not any(settler.add(i * STEP_S, (5.0, 0.1 * i)) for i in range(20))
    assert settler.reason.startswith("reading 2 ")


def test_reset_starts_over() -> None:
    """After a reset a full new window is needed."""
    settler = Settler(resolution=(0.01,))
    assert [settler.add(i * STEP_S, (5.0,)) for i in range(8)] == [False] * 7 + [True]
    assert settler.reason == ""
    settler.reset()
    assert settler.reason == "waiting for more readings"
    assert [settler.add(i * STEP_S, (5.0,)) for i in range(8, 16)] == [False] * 7 + [True]


@pytest.mark.parametrize("bad", [math.nan, math.inf, -math.inf])
def test_no_number_never_settles(bad: float) -> None:
    """A reading that is no number empties the window."""
    settler = Settler(resolution=(0.01, 0.01), names=("voltage", "current"))
    for index in range(10):
        settler.add(index * STEP_S, (5.0, 1.0))
    assert not settler.add(0.2, (5.0, bad))
    assert settler.reason == "current not a number"
    assert not any(settler.add(0.3 + index * STEP_S, (5.0, 1.0)) for index in range(7))
    values = np.full(8, 5.0)
    values[3] = bad
    assert not settled(np.arange(8.0), values, 0.01).settled


def test_time_that_stands_still_never_settles() -> None:
    """Readings of one instant say nothing about movement."""
    settler = Settler(resolution=(0.01,))
    assert not any(settler.add(1.0, (5.0,)) for _ in range(10))
    assert settler.reason == "all readings carry the same time"
    assert not settled(np.ones(8), np.full(8, 5.0), 0.01).settled


def test_too_few_readings_never_settle() -> None:
    """Two readings are no window, however equal."""
    assert not settled(np.array([0.0, 1.0]), np.array([5.0, 5.0]), 0.01).settled


def test_wrong_use_is_refused() -> None:
    """Time that runs backwards and a missing value raise; so does a settler without a series."""
    settler = Settler(resolution=(0.01,))
    settler.add(1.0, (5.0,))
    with pytest.raises(ValueError, match="ran backwards"):
        settler.add(0.5, (5.0,))
    with pytest.raises(ValueError, match="1 series, but 2 values"):
        settler.add(2.0, (5.0, 5.0))
    with pytest.raises(ValueError, match="at least one series"):
        Settler(resolution=())
    with pytest.raises(ValueError, match="window of four"):
        Settler(resolution=(0.1,), points=3)
    with pytest.raises(ValueError, match="2 series, but 1 entries"):
        Settler(resolution=(0.1, 0.1), noise_limit=(0.1,))
    with pytest.raises(ValueError, match="2 series, but 1 entries"):
        Settler(resolution=(0.1, 0.1), units=("V",))
    with pytest.raises(ValueError, match="of one length"):
        settled(np.arange(3.0), np.arange(4.0), 0.1)


counts = st.lists(st.integers(-40, 40), min_size=8, max_size=8)


@given(values=counts, offset=st.integers(-(2**20), 2**20), shift=st.integers(0, 2**20))
def test_offset_and_time_shift_change_nothing(values: list[int], offset: int, shift: int) -> None:
    """Whether a series has settled depends on its movement, not on its level or its start."""
    time_s, series = np.arange(8.0) / 64, np.array(values) / 16
    here = settled(time_s, series, 0.5)
    there = settled(time_s + shift, series + offset, 0.5)
    assert (there.settled, there.reason) == (here.settled, here.reason)
    assert there.drift == here.drift


@given(values=counts, scale=st.integers(-10, 10))
def test_scale_changes_nothing(values: list[int], scale: int) -> None:
    """Millivolts and volts are judged alike."""
    time_s, series = np.arange(8.0) / 64, np.array(values) / 16
    factor = 2.0**scale
    assert (
        settled(time_s, series, 0.5).settled
        == settled(time_s, series * factor, 0.5 * factor).settled
    )


@given(
    values=st.lists(st.floats(-1.0, 1.0), min_size=8, max_size=40),
    size=st.sampled_from([1e-3, 1e-2, 0.1, 1.0]),
)
def test_reading_by_reading_agrees_with_the_whole_window(values: list[float], size: float) -> None:
    """The running decision is the one a whole fit of the last window gives."""
    series = 24.0 + size * np.array(values)
    settler = Settler(resolution=(0.01, 0.005), share=0.002)
    for index, value in enumerate(series):
        answer = settler.add(index * STEP_S, (float(value), float(value) / 2))
        if index >= 7:
            time_s, last = np.arange(index - 7, index + 1) * STEP_S, series[index - 7 : index + 1]
            first = settled(time_s, last, 0.01, share=0.002)
            second = settled(time_s, last / 2, 0.005, share=0.002)
            assert answer == (first.settled and second.settled)
