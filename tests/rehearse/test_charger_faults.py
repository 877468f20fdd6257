"""Faults of a charger: where they begin, and that the shipped full release finds each."""

from __future__ import annotations

import pytest

from harness.api import rehearse_profile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.population import Mix, Population
from harness.rehearse.charger_faults import CHARGER_FAULTS
from harness.rehearse.faults import FAULTS, faults_of, faults_of_unit
from harness.rehearse.unit_model import typical_model
from harness.run.result import RunResult
from tests.repeats import repeats

NAME = "lamp-battery-charger-full-release"
NAMES = [fault.name for fault in CHARGER_FAULTS]
#: What finds each, of usual severity, in the shipped full release: at least one of these fails.
FOUND = {
    "wakes-unasked": "nothing without a battery",
    "taper-never-ends": "charge has ended",
    "reverse-leakage": "reverse leakage",
    "wakes-late": "current of the charge at 7.2 V",
    "charge-current-low": "current of the charge at 12 V",
    "charge-current-high": "current of the charge at 12 V",
    "charge-voltage-high": "charge has ended",  # and its battery is refused from then on
}


@pytest.fixture(scope="module")
def charger() -> Profile:
    """The shipped profile that releases a charger."""
    return load_profile(NAME)


class TestWhichUnits:
    def test_a_charger_has_its_own_and_none_of_an_output_of_constant_voltage(
        self, charger: Profile
    ) -> None:
        """Its output is regulated by nothing but its charging stage, and no fan cools it."""
        names = set(faults_of_unit(charger.unit))

        assert set(NAMES) <= names
        assert not names & {"output-high", "output-unlimited", "sagging-output", "dead-fan"}
        assert {"shorted-switch", "weak-bulk-capacitor", "gives-in-at-low-line"} <= names

    @pytest.mark.parametrize("kind", ["ac", "dc"])
    def test_no_other_unit_has_them(self, kind: str) -> None:
        """A unit that charges nothing leaks into nothing."""
        assert not set(NAMES) & set(faults_of(kind))
        with pytest.raises(ValueError, match="does not apply to a unit with ac input"):
            FAULTS["reverse-leakage"].apply(
                typical_model(load_profile("dome-shutter-power-unit").unit)
            )

    def test_the_full_release_reaches_all_of_them(self, charger: Profile) -> None:
        """It has what each waits for, and takes a way to find it."""
        for fault in CHARGER_FAULTS:
            assert not fault.out_of_reach(charger), fault.name
            assert any(one.is_taken(charger) for one in fault.remedies), fault.name

    def test_the_short_profile_says_what_it_cannot_see(self) -> None:
        """Without a charge to its end and without a drain step those faults are out of reach."""
        short = load_profile("lamp-battery-charger")

        assert {one.name for one in CHARGER_FAULTS if one.out_of_reach(short)} == {
            "wakes-late",
            "charge-voltage-high",
            "taper-never-ends",
            "reverse-leakage",
        }


class TestBorders:
    @pytest.mark.parametrize("name", [name for name in NAMES if FAULTS[name].severity])
    def test_the_mild_end_is_past_the_border_and_a_healthy_unit_is_not(
        self, name: str, charger: Profile
    ) -> None:
        """By the nameplate: a mild one breaks it, and a healthy one keeps to it."""
        fault, healthy = FAULTS[name], typical_model(charger.unit)

        assert fault.is_clear(fault.apply(healthy, severity="mild"), charger.unit)
        assert not fault.is_clear(healthy, charger.unit)

    def test_healthy_ones_keep_to_their_nameplate(self, charger: Profile) -> None:
        """Whatever is drawn inside the tolerances, no border is passed."""
        drawn = Population(charger.unit, seed=7, mix=Mix.HEALTHY)
        for number in range(50):
            model = drawn.draw(number).model
            for fault in CHARGER_FAULTS:
                if fault.severity is not None:
                    assert not fault.is_clear(model, charger.unit), fault.name


class TestFound:
    @staticmethod
    def failed(result: RunResult) -> set[str]:
        """Return the checks that did not pass."""
        assert result.record is not None
        checks = result.record.checks
        return set(checks.loc[checks["verdict"] != "pass", "check"])

    def test_the_table_names_them_all(self) -> None:
        """Of each it is known what finds it."""
        assert sorted(FOUND) == sorted(NAMES)

    @pytest.mark.parametrize("name", repeats(FOUND))
    def test_the_full_release_finds_it(self, name: str) -> None:
        """Of usual severity, by the reading that is meant to, and the unit is not released."""
        result = rehearse_profile(NAME, fault=name)

        assert result.verdict != "pass"
        assert FOUND[name] in self.failed(result)

    def test_a_healthy_one_passes(self) -> None:
        """Every check of both shipped profiles passes."""
        for name in (NAME, "lamp-battery-charger"):
            result = rehearse_profile(name)

            assert (result.exit_code, self.failed(result)) == (0, set()), name
