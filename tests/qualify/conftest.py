"""Campaigns that several tests look at: made once."""

from __future__ import annotations

import pytest

from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.unit_result import UnitResult
from harness.qualify.worker import Job, run_units

DC, AC = "mount-controller-board", "dome-shutter-power-unit"


@pytest.fixture(scope="session")
def profile_a() -> Profile:
    """The profile of unit A."""
    return load_profile(DC)


@pytest.fixture(scope="session")
def profile_b() -> Profile:
    """The profile of unit B."""
    return load_profile(AC)


@pytest.fixture(scope="session")
def rows_a(profile_a: Profile) -> tuple[UnitResult, ...]:
    """One unit A of each fault, and as many healthy ones."""
    lines = run_units(Job(profile=profile_a, seed=4), range(28))
    return tuple(map(UnitResult.from_line, lines))
