"""Risks over many units against published computations of the same integrals.

Deaver's figures and the tables of the draft RP-19 (NCSL International) were compared with copies
in another calculator's tests; the resistors are in the style of JCGM 106:2012, clause 9, their
inputs from memory and the risks computed.
"""

from __future__ import annotations

from statistics import NormalDist

import pytest

from harness.judge.risk import process_risk


def test_ratio_of_four_to_one() -> None:
    """Units of 4 in limits of 8, read to 1: 0.8 % falsely accepted, 1.5 % falsely rejected."""
    # Deaver; digits beyond the printed ones recomputed.
    found = process_risk(mean=0.0, spread=4.0, standard_uncertainty=1.0, low=-8.0, high=8.0)
    assert round(100 * found.false_accept, 1) == 0.8
    assert round(100 * found.false_reject, 1) == 1.5
    assert 100 * found.false_accept == pytest.approx(0.80061, abs=5e-6)
    assert 100 * found.false_reject == pytest.approx(1.48509, abs=5e-6)


def test_guard_band_for_a_ratio_of_two_to_one() -> None:
    """A guard band of 0.18 brings twice the uncertainty back to 0.8 %, at 6.6 % false rejects."""
    # Deaver; digits beyond the printed ones recomputed.
    found = process_risk(
        mean=0.0, spread=1.0, standard_uncertainty=0.5, low=-2.0, high=2.0, guard=0.18
    )
    assert round(100 * found.false_accept, 1) == 0.8
    assert round(100 * found.false_reject, 1) == 6.6
    assert 100 * found.false_accept == pytest.approx(0.80516, abs=5e-6)
    assert 100 * found.false_reject == pytest.approx(6.61065, abs=5e-6)


@pytest.mark.parametrize(
    ("good", "joint", "conditional"),
    [
        (0.60, 4.8386, 8.2601),
        (0.70, 3.9223, 5.7232),
        (0.80, 2.8558, 3.6323),
        (0.90, 1.6000, 1.7988),
        (0.95, 0.8710, 0.9239),
        (0.99, 0.1999, 0.2024),
    ],
)
def test_joint_and_conditional_false_accept(good: float, joint: float, conditional: float) -> None:
    """Read to a quarter of their spread, so many units of all and of the accepted are wrong."""
    # Tables of the draft RP-19: limits of 1, the spread from the share of good units.
    spread = 1.0 / NormalDist().inv_cdf(0.5 + good / 2)
    found = process_risk(
        mean=0.0, spread=spread, standard_uncertainty=spread / 4, low=-1.0, high=1.0
    )
    assert round(100 * found.false_accept, 4) == joint
    assert round(100 * found.false_among_accepted, 4) == conditional


@pytest.mark.parametrize(
    ("guard", "consumer", "producer"),
    [(0.0, "1.894", "3.721"), (0.04, "0.433", "11.47"), (0.08, "0.0469", "24.77")],
)
def test_resistors(guard: float, consumer: str, producer: str) -> None:
    """Resistors of 1500 ohm, spread 0.12, limits 0.2, read to 0.04: the risks of three rules."""
    found = process_risk(
        mean=1500.0, spread=0.12, standard_uncertainty=0.04, low=1499.8, high=1500.2, guard=guard
    )
    assert 100 * found.nonconforming == pytest.approx(9.56, abs=0.005)
    assert f"{100 * found.false_accept:.{len(consumer.split('.')[1])}f}" == consumer
    assert f"{100 * found.false_reject:.{len(producer.split('.')[1])}f}" == producer
