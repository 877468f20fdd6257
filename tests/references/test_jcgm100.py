"""Uncertainty against the worked examples of JCGM 100:2008 (GUM).

Clause numbers are those of the JCGM 100:2008. The source of each value stands beside it; "from
memory" marks one that was not compared with the printed page but confirmed by computing it.
"""

from __future__ import annotations

import math

import numpy as np
import pytest

from harness.judge.propagate import Estimate, regulation
from harness.judge.series import fit_line
from harness.judge.uncertainty import (
    Contribution,
    combine,
    coverage_factor,
    effective_dof,
    rectangular,
    scatter,
    standard_deviation,
)

#: Table 1 of 4.4.3, readings of a temperature in degC, from memory.
_TEMPERATURES = """
96.90 98.18 98.25 98.61 99.03 99.49 99.56 99.74 99.89 100.07 100.33 100.42 100.68 100.95 101.11
101.20 101.57 101.84 102.36 102.72
"""


def test_clause_4_4_3_mean_of_twenty_temperatures() -> None:
    """Twenty readings of a temperature: mean 100.14, s 1.49, s of the mean 0.33 degC."""
    # 4.4.3, from memory; in rising order as tabulated, so an autocorrelation means nothing here.
    samples = np.array(_TEMPERATURES.split(), dtype=float)
    assert samples.mean() == pytest.approx(100.145, abs=5e-4)
    assert standard_deviation(samples) == pytest.approx(1.489, abs=5e-4)
    # Dealt out high and low in turn they show no correlation, and count in full.
    dealt = np.column_stack([samples[:10], samples[:9:-1]]).ravel()
    found = scatter("temperature", dealt)
    assert found.standard == pytest.approx(0.333, abs=5e-4)
    assert found.dof == 19


@pytest.mark.parametrize(
    ("half_width", "standard"),
    [
        (4.0, 2.3094),  # 4.4.5: 96 to 104 degC, from memory
        (1.0, 0.57735),  # 4.3.7: a / sqrt(3), from memory
        (15.0e-6, 8.7e-6),  # 4.3.7 example 2: voltmeter limits, from memory
    ],
)
def test_clause_4_3_7_rectangular(half_width: float, standard: float) -> None:
    """A bound is its half-width over root three, with infinite degrees of freedom."""
    found = rectangular("bound", half_width)
    assert found.standard == pytest.approx(standard, rel=6e-3)
    assert found.standard == half_width / math.sqrt(3)
    assert math.isinf(found.dof)


def test_clause_4_3_4_certificate() -> None:
    """129 microohm at 99 % on 10 ohm is u = 50 microohm, 5.0e-6 of the value."""
    # 4.3.4, from memory: divided by 2.58, the 99 % factor of the normal distribution.
    factor = coverage_factor(math.inf, 0.99)
    assert round(factor, 2) == 2.58
    assert 129e-6 / factor == pytest.approx(50e-6, rel=2e-3)
    assert 129e-6 / factor / 10.0 == pytest.approx(5.0e-6, rel=2e-3)


def test_clause_5_1_5_voltmeter() -> None:
    """A voltmeter's limits and the scatter of the mean combine to 15 microvolt, 16e-6."""
    # 4.3.7 example 2 and 5.1.5, from memory: 14e-6 of reading + 2e-6 of the 1 V range; s 12 uV.
    reading_v = 0.928571
    bound = rectangular("voltmeter limits", 14e-6 * reading_v + 2e-6 * 1.0)
    assert bound.standard == pytest.approx(8.7e-6, abs=0.05e-6)
    found = combine([bound, Contribution(name="scatter", standard=12e-6)])
    assert found.standard == pytest.approx(14.8e-6, abs=0.05e-6)
    assert found.standard / reading_v == pytest.approx(16e-6, abs=0.5e-6)


def test_clause_5_2_2_ten_resistors() -> None:
    """Ten 1000 ohm resistors calibrated with one standard, in series: 1 ohm, not 0.32 ohm."""
    # 5.2.2 example, from memory: fully correlated, so the uncertainties add linearly.
    each, cause = 0.1, "standard resistor"
    resistor = Estimate(
        value=1000.0, contributions=(Contribution(name=cause, standard=each, sensitivity=1.0),)
    )
    # A difference with a negated second input is a sum.
    mirror = Estimate(
        value=-1000.0, contributions=(Contribution(name=cause, standard=each, sensitivity=-1.0),)
    )
    total = resistor
    for _ in range(9):
        total = regulation(total, mirror, 1.0, shared={cause})
    assert total.value == 10_000.0
    assert combine(total.contributions).standard == pytest.approx(1.0)

    apart = resistor
    for _ in range(9):
        apart = regulation(apart, mirror, 1.0)
    assert combine(apart.contributions).standard == pytest.approx(0.32, abs=0.005)


# H.1, end gauge: the budget of table H.1 in nanometre. Terms of the budget were compared with
# published re-computations of the example; 16.7 is the printed figure, from memory.
_H1_DIFFERENCE = (
    Contribution(name="scatter of comparator", standard=5.8, dof=24),
    Contribution(name="random of comparator", standard=3.9, dof=5),
    Contribution(name="systematic of comparator", standard=6.7, dof=8),
)
_H1_REST = (
    Contribution(name="standard", standard=25.0, dof=18),
    Contribution(name="expansion difference", standard=2.887, dof=50),
    Contribution(name="temperature difference", standard=16.599, dof=2),
)


def test_annex_h1_end_gauge() -> None:
    """The end gauge: uc 32 nm, 16 degrees of freedom, t99 2.92, U99 93 nm."""
    found = combine((*_H1_REST, *_H1_DIFFERENCE), probability=0.99)
    assert round(found.standard) == 32
    assert found.standard == pytest.approx(31.66, abs=0.01)
    assert effective_dof(found.contributions) == pytest.approx(16.75, abs=0.005)
    assert found.dof == 16
    assert found.coverage == pytest.approx(2.92, abs=0.005)
    # 92.5 unrounded; the 93 is printed, 2.92 times the rounded 32.
    assert round(found.coverage * round(found.standard)) == 93
    assert found.expanded == pytest.approx(92.5, abs=0.1)


def test_annex_h1_difference() -> None:
    """The difference read on the comparator: 9.7 nm with 25.4 degrees of freedom."""
    found = combine(_H1_DIFFERENCE)
    assert found.standard == pytest.approx(9.7, abs=0.05)
    assert effective_dof(_H1_DIFFERENCE) == pytest.approx(25.447, abs=5e-4)
    assert found.dof == 25


def test_annex_h1_rounding_trap() -> None:
    """Degrees of freedom come from unrounded uncertainties: a rounded 32 would give 17.5."""
    parts = (*_H1_REST, *_H1_DIFFERENCE)
    rest = sum(part.share**4 / part.dof for part in parts)
    assert 32.0**4 / rest == pytest.approx(17.5, abs=0.05)  # computed
    assert effective_dof(parts) < 17.0


def test_annex_h3_calibration_line() -> None:
    """The thermometer's calibration line, its slope's error, and the correction at 30 degC."""
    # H.3.2 to H.3.4, tables H.6; compared with published re-computations of the example.
    x = np.array(
        [21.521, 22.012, 22.512, 23.003, 23.507, 23.999, 24.513, 25.002, 25.503, 26.010, 26.511]
    )
    y = -np.array([0.171, 0.169, 0.166, 0.159, 0.164, 0.165, 0.156, 0.157, 0.159, 0.161, 0.160])
    line = fit_line(x - 20.0, y)
    at_20_degc = line.y_mean - line.slope * line.x_mean
    assert at_20_degc == pytest.approx(-0.1712, abs=5e-5)
    assert line.slope == pytest.approx(0.00218, abs=5e-6)
    assert line.se_slope == pytest.approx(0.00067, abs=5e-6)
    residual_sd = line.se_slope * math.sqrt(float(((x - x.mean()) ** 2).sum()))
    assert residual_sd == pytest.approx(0.0035, abs=5e-5)
    assert at_20_degc + 10.0 * line.slope == pytest.approx(-0.1494, abs=5e-5)
    assert line.dof == 9


def test_annex_g4_example() -> None:
    """Relative uncertainties 0.25, 0.57, 0.82 %: uc 1.03 %, 19.0 degrees of freedom, U95 2.2 %."""
    # G.4.2 example, from memory.
    parts = [
        Contribution(name=name, standard=standard, dof=dof)
        for name, standard, dof in (("x1", 0.25, 9), ("x2", 0.57, 4), ("x3", 0.82, 14))
    ]
    found = combine(parts)
    assert found.standard == pytest.approx(1.03, abs=0.005)
    assert effective_dof(parts) == pytest.approx(19.0, abs=0.05)
    assert round(coverage_factor(19), 2) == 2.09
    assert round(found.expanded, 1) == 2.2
    # Unrounded it is 18.999: cut, not rounded, so t is 2.10 and U 2.16 instead of 2.155.
    assert found.dof == 18


@pytest.mark.parametrize(
    ("probability", "dof", "factor"),
    [
        (0.95, 4, 2.776),
        (0.95, 9, 2.262),
        (0.95, 10, 2.228),
        (0.95, 19, 2.093),
        (0.9545, 10, 2.284),
        (0.99, 16, 2.921),
    ],
)
def test_table_g2_student_t(probability: float, dof: int, factor: float) -> None:
    """Coverage factors are those of table G.2 (computed to three decimals)."""
    assert round(coverage_factor(dof, probability), 3) == factor


def test_four_rectangular_inputs_against_monte_carlo_standard() -> None:
    """Four equal bounds: the normal factor says 3.92, a little more than the exact 3.88."""
    # JCGM 101:2008, 9.2.3, from memory; exact: 2 sqrt(3) (2 - 0.6^(1/4)), computed.
    exact = 2 * math.sqrt(3) * (2 - 0.6**0.25)
    assert round(exact, 4) == 3.8794
    found = combine([rectangular(name, math.sqrt(3)) for name in "abcd"])
    assert found.standard == pytest.approx(2.0)
    assert round(found.expanded, 2) == 3.92
    assert 1.0 < found.expanded / exact < 1.011
