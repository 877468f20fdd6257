"""A bulk capacitor that has lost half its value, before the full releases."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.profile.load import load_profile
from harness.qualify.bounds import share
from harness.qualify.population import Mix
from harness.qualify.unit_result import End, UnitResult
from harness.qualify.worker import Job, run_units
from harness.rehearse.faults import FAULTS
from tests.repeats import repeats

WEAK = "weak-bulk-capacitor"
FULL_RELEASES = ("mount-controller-full-release", "dome-shutter-full-release")


def at_half(profile: str, units: int, monkeypatch: pytest.MonkeyPatch) -> list[UnitResult]:
    """Rehearse units whose bulk capacitor has exactly half of what is printed on it."""
    fault = FAULTS[WEAK]
    assert fault.severity is not None
    half = replace(fault.severity, levels=(0.5, 0.5, 0.5))
    monkeypatch.setitem(FAULTS, WEAK, replace(fault, severity=half))
    job = Job(profile=load_profile(profile), seed=77, faults=(WEAK,), mix=Mix.FAULTY)
    return [UnitResult.from_line(line) for line in run_units(job, range(units))]


@pytest.mark.parametrize("profile", repeats(FULL_RELEASES))
def test_a_few_at_half_are_not_released(profile: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """Of a few units at half capacitance none is released, and they are at half indeed."""
    rows = at_half(profile, 4, monkeypatch)

    assert {(row.kind, row.severity, row.clear) for row in rows} == {(WEAK, 0.5, True)}
    assert End.RELEASED not in {row.end for row in rows}


@pytest.mark.torture
@pytest.mark.parametrize("profile", FULL_RELEASES)
def test_at_most_one_in_a_hundred_at_half_is_released(
    profile: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Of 380 units at half capacitance so few are released that the 95 % bound is 1 % at most.

    Source: Clopper, Pearson (1934), for the bound: none of 380 is 0.97 % at most.
    """
    rows = at_half(profile, 380, monkeypatch)
    released = share(sum(row.end is End.RELEASED for row in rows), len(rows))

    assert {row.severity for row in rows} == {0.5}
    assert released.high_frac <= 0.01
