"""Summary statistics and line fit against the NIST Statistical Reference Datasets (StRD).

Source of data and certified values: NIST StRD, univariate summary statistics and linear regression.
NumAcc1, NumAcc4 and Norris were compared with copies of the NIST files; NumAcc2, NumAcc3 and
Michelso are from memory, their certified values confirmed by exact arithmetic.
"""

from __future__ import annotations

import math
from collections.abc import Iterable

import numpy as np
import pytest

from harness.judge.series import LineFit, fit_line
from harness.judge.uncertainty import autocorrelations, effective_number, standard_deviation

#: Speed of light in air by Michelson's revolving mirror, in thousandths above 299 (1000 km/s).
_MICHELSO = """
850 740 900 1070 930 850 950 980 980 880 1000 980 930 650 760 810 1000 1000 960 960 960 940 960 940
880 800 850 880 900 840 830 790 810 880 880 830 800 790 760 800 880 880 880 860 720 720 620 860 970
950 880 910 850 870 840 840 850 840 840 840 890 810 810 820 800 770 760 740 750 760 910 920 890 860
880 720 840 850 850 780 890 840 780 810 760 810 790 810 820 850 870 870 810 740 810 940 950 800 810
870
"""
# Divided, not added to 299: so each is the double nearest to its decimal.
MICHELSO = (299_000 + np.array(_MICHELSO.split(), dtype=float)) / 1000.0

NUMACC1 = np.array([10_000_001.0, 10_000_003.0, 10_000_002.0])
NUMACC2 = np.array([1.2, *(1.1, 1.3) * 500])
NUMACC3 = np.array([1_000_000.2, *(1_000_000.1, 1_000_000.3) * 500])
NUMACC4 = np.array([10_000_000.2, *(10_000_000.1, 10_000_000.3) * 500])

_NORRIS_X = """
0.2 337.4 118.2 884.6 10.1 226.5 666.3 996.3 448.6 777.0 558.2 0.4 0.6 775.5 666.9 338.0 447.5 11.6
556.0 228.1 995.8 887.6 120.2 0.3 0.3 556.8 339.1 887.2 999.0 779.0 11.1 118.3 229.2 669.1 448.9 0.5
"""
_NORRIS_Y = """
0.1 338.8 118.1 888.0 9.2 228.1 668.5 998.5 449.1 778.9 559.2 0.3 0.1 778.1 668.8 339.3 448.9 10.8
557.7 228.3 998.0 888.8 119.6 0.3 0.6 557.6 339.3 888.0 998.5 778.9 10.2 117.6 228.9 668.4 449.2 0.2
"""
NORRIS_X = np.array(_NORRIS_X.split(), dtype=float)
NORRIS_Y = np.array(_NORRIS_Y.split(), dtype=float)

#: Young's modulus of sapphire rods against temperature (from memory), NBS Handbook 91, 5-4.1.
_HANDBOOK_91_Y = "4642 4612 4565 4513 4476 4433 4389 4347 4303 4251 4201 4140 4100 4073 4024 3999"


def at_zero(line: LineFit) -> float:
    """Value of the line at x = 0."""
    return line.y_mean - line.slope * line.x_mean


def residual_sd(line: LineFit, x: np.ndarray) -> float:
    """Standard deviation of the points about the line, from the standard error of its slope."""
    return line.se_slope * math.sqrt(float(((x - line.x_mean) ** 2).sum()))


def digits(found: float, certified: float) -> float:
    """Number of correct significant digits (log relative error, textbook)."""
    if found == certified:
        return 17.0
    return -math.log10(abs(found - certified) / abs(certified))


# How many digits can be right is set by the data: at an offset of 1e7 the double nearest to 0.2
# keeps nine digits of the deviations, and no way of summing brings the rest back.
@pytest.mark.parametrize(
    ("samples", "certified_sd", "certified_r", "sd_digits"),
    [
        (NUMACC1, 1.0, -0.5, 15),
        (NUMACC2, 0.1, -0.999, 14),
        (NUMACC3, 0.1, -0.999, 9),
        (NUMACC4, 0.1, -0.999, 8),
        (MICHELSO, 0.0790105478190518, 0.535199668621283, 13),
    ],
    ids=["NumAcc1", "NumAcc2", "NumAcc3", "NumAcc4", "Michelso"],
)
def test_summary_has_the_certified_digits(
    samples: np.ndarray,
    certified_sd: float,
    certified_r: float,
    sd_digits: int,
) -> None:
    """Scatter and autocorrelation are right to all digits the data hold."""
    assert digits(standard_deviation(samples), certified_sd) >= sd_digits
    assert digits(autocorrelations(samples)[1], certified_r) >= sd_digits


def test_michelsons_readings_count_as_fewer() -> None:
    """By the certified lag-1 coefficient, put right for the mean, 100 readings are worth 28."""
    r = (100 * 0.535199668621283 + 1) / 97
    worth = 100 * (1 - r) / (1 + r)

    found = effective_number(MICHELSO - MICHELSO.mean(), 1)

    assert worth == pytest.approx(28.04, abs=0.005)
    assert 2.0 < found <= worth * (1 + 1e-9)


@pytest.mark.parametrize("samples", [NUMACC1, NUMACC2, NUMACC3, NUMACC4])
def test_readings_that_alternate_count_in_full(samples: np.ndarray) -> None:
    """A certified lag-1 coefficient below zero makes no reading worth less, and none more."""
    assert effective_number(samples - samples.mean(), 1) == samples.size


def test_line_has_the_certified_digits_of_norris() -> None:
    """The line through Norris (ozone monitors) is right to twelve digits and more."""
    line = fit_line(NORRIS_X, NORRIS_Y)
    assert digits(at_zero(line), -0.262323073774029) >= 12
    assert digits(line.slope, 1.00211681802045) >= 14
    assert digits(line.se_slope, 0.429796848199937e-03) >= 13
    assert digits(residual_sd(line, NORRIS_X), 0.884796396144373) >= 13
    # Residual sum of squares and F ratio follow from these.
    assert digits(residual_sd(line, NORRIS_X) ** 2 * line.dof, 26.6173985294224) >= 13
    assert digits((line.slope / line.se_slope) ** 2, 5436385.54079785) >= 13


def test_line_of_the_nbs_handbook() -> None:
    """The line of the worked example of NBS Handbook 91, 5-4.1, comes out to its printed digits."""
    # Source: NBS Handbook 91 (Natrella, Experimental Statistics), 5-4.1.
    x = np.array([30.0, *range(100, 1501, 100)])
    y = np.array(_HANDBOOK_91_Y.split(), dtype=float)
    line = fit_line(x, y)
    assert line.slope == pytest.approx(-0.44985482, abs=5e-9)
    assert at_zero(line) == pytest.approx(4654.9846, abs=5e-5)
    assert line.se_slope**2 == pytest.approx(2.5649045e-05, rel=1e-7)
    assert residual_sd(line, x) == pytest.approx(9.277617, abs=1e-6)


@pytest.mark.parametrize(
    ("x", "y", "slope", "se_slope", "sd"),
    [
        # NoInt1
        (range(60, 71), range(130, 141), 2.07438016528926, 0.0165289256198347, 3.56753034006338),
        # NoInt2
        ((4, 5, 6), (3, 4, 4), 0.727272727272727, 0.0420827318078432, 0.369274472937998),
    ],
    ids=["NoInt1", "NoInt2"],
)
def test_line_through_zero_has_the_certified_digits(
    x: Iterable[float], y: Iterable[float], slope: float, se_slope: float, sd: float
) -> None:
    """Points with their mirror images have a line through zero, with the certified figures."""
    # The images double sums of squares, and make n - 1 degrees of freedom 2n - 2: s stays as it is,
    # the standard error of the slope comes out smaller by root two.
    xs, ys = np.array([*x], dtype=float), np.array([*y], dtype=float)
    found = fit_line(np.concatenate([xs, -xs]), np.concatenate([ys, -ys]))
    assert abs(at_zero(found)) < 1e-14
    assert digits(found.slope, slope) > 13
    assert digits(residual_sd(found, np.concatenate([xs, -xs])), sd) > 13
    assert digits(found.se_slope * math.sqrt(2), se_slope) > 13
