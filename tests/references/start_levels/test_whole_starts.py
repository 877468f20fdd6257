"""Energy of a DC start, and what each level draws, against ngspice.

``starts.py`` beside this file says how circuits, parts and instruments are drawn. The true value
has to lie within the stated uncertainty in at least 93 of 100.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter
from collections.abc import Iterator

import pytest

from harness.judge.propagate import Estimate
from harness.judge.start_curve import all_told
from harness.judge.start_draw import ENERGY, weigh_energy
from harness.judge.start_rest import IDLE_POWER, LEAKAGE_CURRENT, weigh_idle, weigh_leak
from harness.judge.uncertainty import combine
from tests.references.start_levels import starts

pytestmark = pytest.mark.skipif(
    shutil.which("ngspice") is None and not os.environ.get("CI"), reason="ngspice is not installed"
)
#: Share of the cases that must lie within, and how many starts are drawn.
COVERED, CASES = 0.93, 100


def judged(seed: int) -> Iterator[tuple[str, bool]]:
    """Yield each figure of a start, and whether the true value lies within."""
    start = starts.started(seed)
    asleep = sum(level.set_v < starts.THRESHOLD_V for level in start.levels)
    told = all_told(
        weigh_energy(start.levels, start.errors),
        weigh_leak(start.levels[:asleep], start.errors),
        weigh_idle(start.levels[asleep:], start.errors),
    )
    yield ENERGY, within(told.told(ENERGY), start.energy_j)
    for number, level in enumerate(start.levels):
        measure = LEAKAGE_CURRENT if number < asleep else IDLE_POWER
        true = (start.rest_a if number < asleep else start.rest_w)[number]
        estimate = told.told(measure, level.label)
        if not estimate.why_not:
            yield measure, within(estimate, true)


def within(estimate: Estimate, true: float) -> bool:
    """Whether a figure says the true value, within its expanded uncertainty."""
    return abs(estimate.value - true) <= combine(estimate.contributions).expanded


def test_one_start() -> None:
    """A start is told as it was: its energy, and what each level draws."""
    found = list(judged(2))

    assert {measure for measure, _ in found} == {ENERGY, LEAKAGE_CURRENT, IDLE_POWER}
    assert all(inside for _, inside in found)


@pytest.mark.torture
def test_coverage() -> None:
    """Of a hundred random starts 93 hold each figure's true value, level by level."""
    told: Counter[str] = Counter()
    held: Counter[str] = Counter()
    for seed in range(CASES):
        for measure, inside in judged(seed):
            told[measure] += 1
            held[measure] += inside

    assert told[ENERGY] == CASES
    for measure, number in told.items():
        assert number >= CASES
        assert held[measure] >= COVERED * number, (measure, held[measure], number)
