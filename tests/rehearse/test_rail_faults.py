"""Faults of several outputs and of an enable input: whose they are, and what finds them."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.api import rehearse_profile, simulated_unit
from harness.errors import UsageError
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.rehearse.fault import SEVERITIES
from harness.rehearse.faults import FAULTS, fault_of_unit, faults_of, faults_of_unit
from harness.rehearse.rail_faults import RAIL_FAULTS
from harness.rehearse.unit_model import typical_model
from tests.units import RAILS

NAMES = [fault.name for fault in RAIL_FAULTS]
CROSS = """
[[steps]]
kind = "nominal"
enable = true
dwell = "0.5 s"

[[steps]]
kind = "load"
currents = ["0 A", "2 A"]
dwell = "0.5 s"

[[steps.checks]]
name = "cross regulation of minus"
measure = "cross_regulation"
output = "minus"
high = "6 %"
"""


@pytest.fixture
def rails(tmp_path: Path) -> Profile:
    """A unit with standby and negative outputs, and an enable input."""
    path = tmp_path / "rails.toml"
    path.write_text(RAILS + CROSS, encoding="utf-8")
    return load_profile(path)


class TestWhose:
    @pytest.mark.parametrize("kind", ["ac", "dc"])
    def test_a_plain_unit_has_none_of_them(self, kind: str) -> None:
        """One output and no enable input: the classes of such units stay what they are."""
        assert not set(NAMES) & set(faults_of(kind))

    def test_a_unit_has_those_of_what_it_has(self, rails: Profile) -> None:
        """Standby rail and enable input; another winding only where there is one."""
        assert set(NAMES) <= set(faults_of_unit(rails.unit))
        two_rails = load_profile("guide-camera-supply").unit
        assert set(NAMES) - set(faults_of_unit(two_rails)) == {"lost-cross-regulation"}

    def test_another_unit_is_told_that_it_has_none(self) -> None:
        """By name, before anything is rehearsed."""
        with pytest.raises(UsageError, match="has no fault 'weak-standby'"):
            fault_of_unit("weak-standby", load_profile("dome-shutter-power-unit").unit)
        with pytest.raises(ValueError, match="does not apply"):
            FAULTS["weak-standby"].apply(
                typical_model(load_profile("dome-shutter-power-unit").unit)
            )


class TestBorder:
    @pytest.mark.parametrize("name", ["weak-standby", "lost-cross-regulation"])
    def test_mild_ones_are_inside_and_severe_ones_beyond(self, rails: Profile, name: str) -> None:
        """Five per cent of a rail under its load; ten per cent with another one's."""
        fault, healthy = FAULTS[name], typical_model(rails.unit)
        clear = [
            fault.is_clear(fault.apply(healthy, severity=severity), rails.unit)
            for severity in SEVERITIES
        ]
        assert clear == [False, True, True]
        assert not fault.is_clear(healthy, rails.unit)

    def test_each_needs_a_step_in_which_it_can_show(self, tmp_path: Path) -> None:
        """A profile that neither loads nor looks is told what to add."""
        path = tmp_path / "bare.toml"
        bare = '\n[[steps]]\nkind = "nominal"\nenable = true\ndwell = "1 s"\n'
        path.write_text(RAILS + bare, encoding="utf-8")
        profile = load_profile(path)

        assert [fault.name for fault in RAIL_FAULTS if fault.out_of_reach(profile)] == NAMES
        with pytest.raises(UsageError, match="while the standby output is loaded"):
            simulated_unit(profile, "weak-standby")


class TestFound:
    @pytest.mark.parametrize(
        ("fault", "failed"),
        [
            ("weak-standby", {"5 V standby at 0 A", "5 V standby at 2.5 A"}),
            ("enable-ignored", {"24 V rail is off"}),
        ],
    )
    def test_the_pre_check_finds_it(self, tmp_path: Path, fault: str, failed: set[str]) -> None:
        """By the check that is there for it."""
        result = rehearse_profile("guide-camera-supply", fault=fault, results=tmp_path)

        assert result.exit_code == 1
        assert result.folder is not None
        rows = (result.folder / "checks.csv").read_text(encoding="utf-8").splitlines()
        assert failed <= {row.split(",")[3] for row in rows if ",fail," in row}

    def test_lost_cross_regulation_is_found_at_the_other_output(
        self, tmp_path: Path, rails: Profile
    ) -> None:
        """Minus rises with the load of main."""
        result = rehearse_profile(
            rails.source, fault="lost-cross-regulation", results=tmp_path / "results"
        )

        assert result.exit_code == 1
        healthy = rehearse_profile(rails.source, results=tmp_path / "results")
        assert healthy.exit_code == 0, healthy.reason

    def test_a_healthy_supply_passes_the_pre_check(self, tmp_path: Path) -> None:
        """On the simulated bench; the full release has a test of its own."""
        result = rehearse_profile("guide-camera-supply", results=tmp_path)

        assert result.exit_code == 0, result.reason

    def test_a_dead_boost_stage_is_found_under_load(self, tmp_path: Path) -> None:
        """From the peak of the lowest line the converter gives up before nominal load."""
        result = rehearse_profile("guide-camera-supply", fault="boost-stage-dead", results=tmp_path)

        assert result.trip is not None
        assert result.trip.reason == "unsettled"
        assert "at 2.5 A" in result.reason
