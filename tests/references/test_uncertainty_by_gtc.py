"""Propagation of uncertainty against an independent library for it.

Source: GTC, the GUM Tree Calculator (Measurement Standards Laboratory of New Zealand), which
carries uncertain numbers through arithmetic by the law of JCGM 100:2008, 5.1.2 and 5.2.2, and
gives their effective degrees of freedom by G.4.1. It shares no code with the harness. That law is
of the first order: the inputs are so well known that a quotient is linear to six digits. Quotients
that are not: ``test_jcgm101.py``.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any

import GTC
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from harness.judge.propagate import Estimate, average, quotient, regulation
from harness.judge.uncertainty import Contribution, combine, coverage_factor, effective_dof

#: Value, standard uncertainty as a share of it, degrees of freedom.
INPUTS = st.tuples(
    st.floats(1.0, 300.0), st.floats(1e-11, 2e-8), st.sampled_from([3.0, 9.0, 40.0, math.inf])
)
GAINS = st.sampled_from([0.0, 1e-10, 5e-9])

_NOMINAL = 12.0
#: Each figure by its name: how the harness works it out, and the same in plain arithmetic.
FIGURES: dict[str, tuple[int, Callable[..., Estimate], Callable[..., Any]]] = {
    "efficiency": (2, quotient, lambda out, taken: out / taken),
    "power factor": (3, quotient, lambda p, v, i: p / (v * i)),
    "regulation": (
        2,
        lambda first, second, **shared: regulation(first, second, _NOMINAL, **shared),
        lambda first, second: (first - second) / _NOMINAL,
    ),
    "average": (
        3,
        lambda *inputs, **shared: average(inputs, **shared),
        lambda *inputs: sum(inputs) / len(inputs),
    ),
}


def by_harness(
    figure: str, inputs: Sequence[tuple[float, float, float]], gain: float
) -> tuple[float, float, float]:
    """Value, standard uncertainty and degrees of freedom by the harness."""
    estimates = []
    for number, (value, share, dof) in enumerate(inputs):
        own = Contribution(name=f"scatter {number}", standard=share * value, dof=dof)
        common = Contribution(name="gain", standard=gain, sensitivity=value)
        estimates.append(Estimate(value=value, contributions=(own, common)))
    found = FIGURES[figure][1](*estimates, shared={"gain"})
    return (
        found.value,
        combine(found.contributions).standard,
        effective_dof(found.contributions),
    )


def by_gtc(
    figure: str, inputs: Sequence[tuple[float, float, float]], gain: float
) -> tuple[float, float, float]:
    """The same by the library: one uncertain gain multiplies every input."""
    common = GTC.ureal(1.0, gain)
    numbers = [GTC.ureal(value, share * value, df=dof) * common for value, share, dof in inputs]
    found = FIGURES[figure][2](*numbers)
    return float(found.x), float(found.u), float(found.df)


@pytest.mark.parametrize("figure", FIGURES)
@given(inputs=st.lists(INPUTS, min_size=3, max_size=3), gain=GAINS)
def test_figures_and_their_uncertainty(
    figure: str, inputs: list[tuple[float, float, float]], gain: float
) -> None:
    """Efficiency, power factor, regulation and average agree, with a shared gain or without."""
    inputs = inputs[: FIGURES[figure][0]]
    value, standard, dof = by_harness(figure, inputs, gain)
    expected, expected_standard, expected_dof = by_gtc(figure, inputs, gain)
    assume(expected_standard > 0.0)

    assert value == pytest.approx(expected, rel=1e-12, abs=1e-12)
    assert standard == pytest.approx(expected_standard, rel=1e-6)
    # Above a million degrees of freedom both mean "as good as known".
    assert min(dof, 1e6) == pytest.approx(min(expected_dof, 1e6), rel=1e-4)


@pytest.mark.parametrize("dof", [1, 2, 5, 16, 50, 1000])
@pytest.mark.parametrize("probability", [0.90, 0.95, 0.99])
def test_coverage_factor(dof: int, probability: float) -> None:
    """The coverage factor is the library's."""
    expected = GTC.reporting.k_factor(dof, p=100.0 * probability)

    assert coverage_factor(dof, probability) == pytest.approx(expected, rel=1e-6)
