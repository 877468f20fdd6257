from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.profile.cautions import cautions
from harness.profile.load import load_profile
from harness.profile.schema import Profile

ProfileOf = Callable[..., Profile]


def said(profile: Profile) -> str:
    """Return all cautions of a profile as one text."""
    return "\n".join(cautions(profile))


class TestCautions:
    @pytest.mark.parametrize(
        "words",
        [
            "Mains and stored charge can kill",
            "isolated from the mains",
            "RCD (GFCI)",
            "Eye protection",
            "hands clear at first power",
            "Discharge it through a resistor",
            "Measure before you touch",
            "Local codes and licensed practice come first",
            "Protection class II",
        ],
    )
    def test_mains_gets_every_usual_caution(self, profile_of: ProfileOf, words: str) -> None:
        """A unit on the mains gets the whole list."""
        assert words in said(profile_of("ac"))

    @pytest.mark.parametrize(
        "words",
        [
            "Low voltage is no promise",
            "capacitors can burst",
            "hot",
            "Eye protection",
            "mains can kill",
            "RCD (GFCI)",
            "Local codes and licensed practice come first",
        ],
    )
    def test_low_dc_is_no_promise(self, profile_of: ProfileOf, words: str) -> None:
        """A unit of low DC voltage is warned of charge, heat and bursting parts all the same."""
        assert words in said(profile_of("dc"))

    def test_says_what_is_stored(self, profile_of: ProfileOf) -> None:
        """Voltage and energy that may be left are in figures: peak volts, half C V squared."""
        assert "up to 187 V and 2.6 J" in said(profile_of("ac"))

    def test_a_high_dc_input_counts_as_mains(self, profile_of: ProfileOf) -> None:
        """Above 60 V DC the wording is that of the mains.

        Source: IEC 62368-1, ES1: 60 V DC (from memory).
        """
        changes = (('nominal = "24 V"', 'nominal = "57 V"'), ('"26.4 V"', '"60.1 V"'))

        assert "stored charge can kill" in said(profile_of("dc", *changes))

    def test_a_high_output_is_named(self, profile_of: ProfileOf) -> None:
        """An output above 60 V is a danger of its own, behind any input."""
        found = said(profile_of("dc", ('nominal = "5 V"', 'nominal = "350 V"')))

        assert "Output main is above 60 V and can kill" in found
        assert "Measure before you touch" in found

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_nothing_is_called_safe(self, profile_of: ProfileOf, kind: str) -> None:
        """No caution promises that anything is safe."""
        assert "safe" not in said(profile_of(kind)).lower()

    @pytest.mark.parametrize(
        "words", ["a fuse in the lead", "polarity", "gets warm", "vents gas", "unattended"]
    )
    def test_a_charger_gets_those_of_batteries(self, words: str) -> None:
        """Whoever connects a battery is warned of what it can do; who connects none is not."""
        assert words in said(load_profile("lamp-battery-charger"))
        assert "battery" not in said(load_profile("dome-shutter-power-unit"))
