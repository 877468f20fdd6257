"""What each suspect is called, and what shows it."""

from __future__ import annotations

import pytest

from harness.rehearse.faults import FAULTS
from harness.suspects.kinds import kind_named
from harness.suspects.weighing import NOT_AGAIN

#: Words of what is done under power.
_POWERED = (
    *("power on", "oscilloscope", "drawn from", "voltmeter at", "power meter", "battery"),
    *("under load", "nominal"),
)


class TestShown:
    @pytest.mark.parametrize("name", sorted(FAULTS))
    def test_what_takes_power_is_no_cold_proof(self, name: str) -> None:
        """Nothing that is done under power counts as done without."""
        kind = kind_named(name)

        assert not (kind.shown_cold and any(word in kind.shown_by for word in _POWERED))

    def test_what_is_not_energised_again_is_known(self) -> None:
        """Each class that withholds power is one there is."""
        for name in NOT_AGAIN:
            assert kind_named(name).words
