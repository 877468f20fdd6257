"""What a DC start tells of the unit, against ngspice, an independent circuit simulator.

Circuits, parts and instruments are the project's own, drawn at random; ``levels.py`` beside this
file says how. The true value has to lie within the stated uncertainty in at least 93 of 100.
"""

from __future__ import annotations

import os
import shutil
from collections import Counter

import pytest

from harness.judge.start_charge import weigh_dc
from harness.judge.start_curve import all_told
from harness.judge.start_rest import weigh_leak
from harness.judge.uncertainty import combine
from tests.references.start_levels import levels

BULK, LEAK, SERIES, TIME = (
    f"start.{name}"
    for name in ("bulk_capacitance", "leakage_current", "series_resistance", "time_constant")
)
#: Share of the cases that must lie within, and how many of each figure are asked for.
COVERED, CASES = 0.93, 100


def judged(seed: int, values: tuple[levels.Array, levels.Array, levels.Array]) -> dict[str, bool]:
    """Return of each figure that a level gives whether the true value lies within."""
    parts, instrument = levels.drawn(seed)
    read = levels.read(seed, values)
    told = all_told(weigh_dc([read], instrument.errors), weigh_leak([read], instrument.errors))
    true = {
        BULK: parts.bulk_f,
        SERIES: parts.series_ohm,
        TIME: parts.series_ohm * parts.bulk_f,
        LEAK: float(values[2][-1]),
    }
    return {
        measure: abs(estimate.value - true[measure]) <= combine(estimate.contributions).expanded
        for measure, estimate in told.estimates.items()
    }


class TestStored:
    """Levels whose true values lie beside this file."""

    @pytest.mark.parametrize("seed", levels.STORED)
    def test_within(self, seed: int) -> None:
        """Each has a capacitance, and every figure holds the true value."""
        found = judged(seed, levels.stored_values(seed))

        assert BULK in found
        assert all(found.values()), found

    def test_series_resistance(self) -> None:
        """Where the readings are fast, there is one, too."""
        assert sum(SERIES in judged(seed, levels.stored_values(seed)) for seed in levels.STORED) > 1


@pytest.mark.skipif(
    shutil.which("ngspice") is None and not os.environ.get("CI"), reason="ngspice is not installed"
)
class TestAgain:
    """What ngspice gives today."""

    def test_stored(self) -> None:
        """The stored values are those of ngspice."""
        seed = levels.STORED[0]
        for again, stored in zip(levels.true_values(seed), levels.stored_values(seed), strict=True):
            assert again == pytest.approx(stored, rel=1e-2, abs=1e-3)

    @pytest.mark.torture
    def test_coverage(self) -> None:
        """Of a hundred random cases of each figure, 93 at least hold the true value."""
        told: Counter[str] = Counter()
        held: Counter[str] = Counter()
        seed = 1000
        while min(told[measure] for measure in (BULK, LEAK, SERIES, TIME)) < CASES:
            seed += 1
            for measure, within in judged(seed, levels.true_values(seed)).items():
                told[measure] += 1
                held[measure] += within

        for measure, number in told.items():
            assert held[measure] >= COVERED * number, (measure, held[measure], number)
