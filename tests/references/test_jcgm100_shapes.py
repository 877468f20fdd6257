"""Examples of JCGM 100:2008 (GUM) that the harness needs no code for, worked with the code it has.

A bench file states plain bounds, so the harness knows the rectangular shape alone (4.3.7): it is
the widest of those here for a given bound, and so errs on the careful side. Sensitivities of
second order, and components between and within days, do not come up in a run of minutes at one
place. The examples stand here all the same, so that whoever needs one finds it worked.
"From memory" marks what was not compared with the printed page but confirmed by computing it.
"""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.integrate import quad
from scipy.special import fdtri

from harness.judge.uncertainty import (
    Contribution,
    combine,
    rectangular,
    standard_deviation,
)


def standard_of(density: Callable[[float], float]) -> float:
    """Standard deviation of a density about zero, on -1 to 1, by quadrature."""
    area, _ = quad(density, -1.0, 1.0)
    square, _ = quad(lambda x: x * x * density(x), -1.0, 1.0)
    return math.sqrt(square / area)


def trapezoid(top: float) -> Callable[[float], float]:
    """Density that is level over the share ``top`` of its base, and falls to zero beside it."""
    return lambda x: min(1.0, (1.0 - abs(x)) / (1.0 - top)) if top < 1 else 1.0


@pytest.mark.parametrize(
    ("density", "factor"),
    [
        (trapezoid(1.0), 0.57735),  # rectangular, a / sqrt 3, 4.3.7
        (trapezoid(0.0), 0.40825),  # triangular, a / sqrt 6, 4.3.9
        (trapezoid(0.5), math.sqrt((1 + 0.5**2) / 6)),  # a sqrt((1 + b^2) / 6), 4.3.9
    ],
    ids=["rectangular", "triangular", "trapezoid"],
)
def test_shapes_of_clause_4_3(density: Callable[[float], float], factor: float) -> None:
    """The factor from half-width to standard uncertainty is the density's own (from memory)."""
    assert standard_of(density) == pytest.approx(factor, abs=5e-6)


def test_arcsine() -> None:
    """What swings like a sine between its bounds has u = a / sqrt 2 (H.1.6, from memory)."""
    phase = np.linspace(0, 2 * np.pi, 1000, endpoint=False)
    assert float(np.sqrt(np.mean(np.sin(phase) ** 2))) == pytest.approx(0.70711, abs=5e-6)


def test_clause_4_4_6_triangular() -> None:
    """Bounds of 96 and 104 degC, the middle more likely: u = 1.6 degC, where even odds give 2.3."""
    # 4.4.5 and 4.4.6, from memory.
    triangular = 4.0 * standard_of(trapezoid(0.0))
    assert round(triangular, 1) == 1.6
    assert triangular == pytest.approx(1.6330, abs=5e-5)
    assert round(rectangular("even odds", 4.0).standard, 1) == 2.3


def test_annex_h1_second_order() -> None:
    """With the second-order terms of the end gauge, uc grows from 32 nm to 34 nm."""
    # H.1.7; 33.911 compared with published re-computations, which start from rounded inputs.
    length_nm, expansion, u_expansion = 50_000_623.0, 11.5e-6, 1.2e-6
    u_difference, u_temperature, u_step = 0.58e-6, 0.41, 0.029
    deviation = 0.1  # mean departure of the gauge from 20 degC
    first = (
        Contribution(name="standard", standard=25.0),
        Contribution(name="difference", standard=9.7),
        Contribution(
            name="expansion difference", standard=u_difference, sensitivity=length_nm * deviation
        ),
        Contribution(
            name="temperature difference", standard=u_step, sensitivity=length_nm * expansion
        ),
    )
    second = (
        Contribution(
            name="both of the first pair", standard=length_nm * u_difference * u_temperature
        ),
        Contribution(name="both of the second pair", standard=length_nm * u_expansion * u_step),
    )
    assert round(combine(first).standard) == 32
    assert [round(part.standard, 1) for part in second] == [11.9, 1.7]
    found = combine((*first, *second)).standard
    assert round(found) == 34
    assert found == pytest.approx(33.911, abs=0.001)


def test_annex_h5_between_and_within_days() -> None:
    """Ten days of five readings: 57 microvolt between days, 85 within, F = 2.25."""
    # Table H.9 and equation H.27; compared with published re-computations.
    fraction = np.array([172, 116, 13, 144, 106, 31, 60, 125, 163, 41])
    day_means = 10.0 + 1e-6 * fraction
    within_uv = np.array([60, 77, 111, 101, 67, 93, 80, 73, 88, 86], dtype=float)
    days, each = 10, 5

    between_uv = 1e6 * standard_deviation(day_means)
    pooled_uv = math.sqrt(float(np.mean(within_uv**2)))
    ratio = each * between_uv**2 / pooled_uv**2

    assert day_means.mean() == pytest.approx(10.000097, abs=5e-7)
    assert round(between_uv) == 57
    assert round(pooled_uv) == 85
    assert ratio == pytest.approx(2.25, abs=0.02)
    # Quantiles of F computed.
    assert round(fdtri(days - 1, days * (each - 1), 0.95), 2) == 2.12
    assert round(fdtri(days - 1, days * (each - 1), 0.975), 2) == 2.45
