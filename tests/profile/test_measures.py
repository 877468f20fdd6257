from __future__ import annotations

import pytest

from harness.profile.measures import MEASURES, READINGS
from harness.profile.steps import kinds_for


class TestMeasures:
    @pytest.mark.parametrize("name", MEASURES)
    def test_a_reading_has_an_accuracy_in_its_own_unit(self, name: str) -> None:
        """What an instrument reads has a key in its accuracy table, in the unit of the limits."""
        measure = MEASURES[name]
        if not measure.source:
            assert measure.quantity == ""
            return

        assert name == f"{measure.source}.{measure.quantity}"
        assert READINGS[measure.source][measure.quantity] == measure.unit

    @pytest.mark.parametrize("name", MEASURES)
    def test_roles_are_those_of_the_operations(self, name: str) -> None:
        """The readings of a measure have the roles that its operations belong to."""
        measure = MEASURES[name]
        roles = {reading.partition(".")[0] for reading in measure.readings()}

        assert roles == {role for role, _ in measure.operations("ac")}

    @pytest.mark.parametrize("name", ["supply.power", "efficiency", "power_factor"])
    def test_ac_power_is_measured_not_multiplied(self, name: str) -> None:
        """For an AC input power rests on a real-power reading, for DC on volts and amperes.

        Source: apparent power V I is not active power (IEC 60050-131, from memory).
        """
        measure = MEASURES[name]

        assert ("supply", "measure_power") in measure.operations("ac")
        assert ("supply", "measure_power") not in measure.operations("dc")

    def test_no_resistance_on_a_live_unit(self) -> None:
        """Resistance is a cold measurement alone."""
        assert kinds_for(MEASURES["meter.resistance"]) == ("cold",)
