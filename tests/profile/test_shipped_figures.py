"""Shipped profiles on their shipped benches: every figure has an uncertainty that is known."""

from __future__ import annotations

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.profile.load import load_profile
from harness.profile.steps import STEP_KINDS
from harness.shipped import shipped, shipped_names

PROFILES = [name for name in shipped_names("profiles") if "/" not in name and "bench" not in name]

#: Kinds of step that no unit has to have: where its nameplate, or what it feeds, asks for them.
_OF_SOME = {"cycle", "dip"}


@pytest.mark.parametrize("name", PROFILES)
def test_no_check_is_compared_as_it_reads(name: str) -> None:
    """No check of a shipped profile is judged without an uncertainty, or lacks its bandwidth."""
    profile = load_profile(shipped("profiles", name))
    plan = plan_for(profile, simulated_bench_file(profile))

    assert plan.open_points == ()
    assert {check.rule for step in plan.steps for check in step.checks} == {"guarded"}


@pytest.mark.parametrize("name", PROFILES)
def test_only_a_profile_that_goes_all_the_way_releases(name: str) -> None:
    """A shipped profile has every kind of step its unit needs, or says that it is a pre-check."""
    profile = load_profile(shipped("profiles", name))
    charges = any(output.kind == "charger" for output in profile.unit.output.values())
    wanted = set(STEP_KINDS) - _OF_SOME - (set() if charges else {"drain"})
    wanted -= set() if profile.unit.output else {"load"}
    whole = wanted <= {step.kind for step in profile.steps}

    assert profile.purpose == ("release" if whole else "pre-check")
    assert whole == ("full-release" in name)


@pytest.mark.parametrize("name", PROFILES)
def test_where_a_ripple_is_judged_its_band_is_told(name: str) -> None:
    """A file with a ripple check names the band that the bench's meter takes in."""
    profile = load_profile(shipped("profiles", name))
    measures = {check.measure for step in profile.steps for check in step.checks}
    if "meter.voltage_ac" not in measures:
        return
    meter = simulated_bench_file(profile).meter
    assert meter is not None
    band = meter.accuracy["voltage_ac"].band

    assert str(band) in profile.text
