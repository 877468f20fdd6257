"""Shipped profiles on their shipped benches: every figure has an uncertainty that is known."""

from __future__ import annotations

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.profile.load import load_profile
from harness.shipped import shipped, shipped_names

PROFILES = [name for name in shipped_names("profiles") if "/" not in name and "bench" not in name]


@pytest.mark.parametrize("name", PROFILES)
def test_no_check_is_compared_as_it_reads(name: str) -> None:
    """No check of a shipped profile is judged without an uncertainty, or lacks its bandwidth."""
    profile = load_profile(shipped("profiles", name))
    plan = plan_for(profile, simulated_bench_file(profile))

    assert plan.open_points == ()
    assert {check.rule for step in plan.steps for check in step.checks} == {"guarded"}
