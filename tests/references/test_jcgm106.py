"""Decision rules against JCGM 106:2012, ILAC-G8:09/2019 and IEC Guide 115.

"From memory" marks a value that was not compared with the printed page but confirmed by computing
it; "computed" one that is in no document.
"""

from __future__ import annotations

import pytest

from harness.judge.verdict import Verdict, decide, probability_of_conformity


@pytest.mark.parametrize(
    ("value", "u", "low", "high", "printed", "unrounded"),
    [
        # Breakdown voltage of a Zener diode, in volts.
        (-5.47, 0.05, None, -5.40, 0.92, 0.9192),
        # Breaking strength of a container, in kilopascal.
        (509.7, 8.6, 490.0, None, 0.99, 0.9890),
        # Viscosity of an oil, in square millimetres a second.
        (13.6, 1.8, 12.5, 16.3, 0.66, 0.6626),
    ],
    ids=["upper limit", "lower limit", "two limits"],
)
def test_probability_of_conformity(
    value: float, u: float, low: float | None, high: float | None, printed: float, unrounded: float
) -> None:
    """The examples of clause 7 come out to their printed digits (JCGM 106:2012, from memory)."""
    found = probability_of_conformity(value, low=low, high=high, standard_uncertainty=u)
    assert round(found, 2) == printed
    assert round(found, 4) == unrounded


@pytest.mark.parametrize(
    ("probability", "z"),
    [(0.80, 0.8416), (0.90, 1.2816), (0.95, 1.6449), (0.99, 2.3263), (0.999, 3.0902)],
)
def test_table_1_of_jcgm_106(probability: float, z: float) -> None:
    """A value z standard uncertainties inside one limit conforms with the tabulated probability."""
    # JCGM 106:2012, table 1 prints 0.84 1.28 1.64 2.33 3.09, from memory; more digits computed.
    found = probability_of_conformity(-z, low=None, high=0.0, standard_uncertainty=1.0)
    assert found == pytest.approx(probability, abs=2e-5)


@pytest.mark.parametrize(
    ("multiple", "risk"),
    [(0.0, 0.5), (0.83, 0.0485), (1.0, 0.0228), (1.5, 0.00135), (3.0, 9.9e-10)],
)
def test_guard_band_multiples(multiple: float, risk: float) -> None:
    """At the acceptance limit of a guard band w = r U, U = 2u, the risk is the one of the rule."""
    # ILAC-G8:09/2019 lists these multiples, from memory; risks computed.
    u = 0.03
    value = 12.600 - multiple * 2 * u
    risk_found = 1.0 - probability_of_conformity(
        value, low=None, high=12.600, standard_uncertainty=u
    )
    assert risk_found == pytest.approx(risk, rel=0.005, abs=1e-12)


@pytest.mark.parametrize(("k", "risk"), [(2.0, 0.0228), (1.96, 0.0250)])
def test_guard_band_of_u_keeps_the_risk_below_two_and_a_half_percent(k: float, risk: float) -> None:
    """A value on the acceptance limit is wrongly accepted in 2.5 % at most (ILAC-G8:09/2019)."""
    # "Below 2.5 %" in ILAC-G8; 2.28 % for U = 2u and 2.50 % for U = 1.96u computed.
    u = 0.03
    acceptance = 12.600 - k * u
    decision = decide(acceptance, low=None, high=12.600, expanded=k * u, rule="guarded")
    assert decision.verdict is Verdict.PASS
    conform = probability_of_conformity(acceptance, low=None, high=12.600, standard_uncertainty=u)
    assert 1.0 - conform == pytest.approx(risk, abs=5e-5)


@pytest.mark.parametrize(
    ("value", "verdict", "conform"),
    [
        (12.530, Verdict.PASS, None),
        (12.540, Verdict.PASS, 0.9772),  # the acceptance limit itself
        (12.550, Verdict.UNDECIDED, 0.9522),
        (12.661, Verdict.FAIL, 0.021),
    ],
)
def test_verdicts_at_a_limit(value: float, verdict: Verdict, conform: float | None) -> None:
    """Upper limit 12.600 V, U = 0.060 V (k = 2): pass to 12.540, fail past 12.660."""
    # Zones of ILAC-G8:09/2019, 4.2, both conditional ones taken as undecided; rows computed.
    found = decide(value, low=None, high=12.600, expanded=0.060, rule="guarded")
    assert found.verdict is verdict
    probability = probability_of_conformity(
        value, low=None, high=12.600, standard_uncertainty=0.030
    )
    if conform is not None:
        assert probability == pytest.approx(conform, abs=5e-4)


def test_simple_acceptance_on_the_limit_is_even_odds() -> None:
    """Without a guard band a value on the limit passes, and half of such are really outside."""
    # Simple acceptance: JCGM 106:2012, 8.2; up to 50 % in ILAC-G8:09/2019. The accuracy method of
    # IEC Guide 115 compares the reading with the limit as it stands, too (wording from memory).
    found = decide(12.600, low=None, high=12.600, expanded=0.060, rule="simple")
    assert found.verdict is Verdict.PASS
    assert found.margin == 0.0
    assert probability_of_conformity(
        12.600, low=None, high=12.600, standard_uncertainty=0.030
    ) == pytest.approx(0.5)
