"""An AC unit fed with DC: what its profile owes, and what its plan makes of it."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable

import pytest

from harness.errors import FileError
from harness.profile.bench_file import BenchFile
from harness.profile.cautions import cautions
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from harness.profile.schema import Profile

NAME = "dome-shutter-dc-pre-check"
TODAY = dt.date(2026, 11, 27)


@pytest.fixture(scope="module")
def shipped() -> Profile:
    """The shipped pre-check of an AC unit by DC."""
    return load_profile(NAME)


@pytest.fixture(scope="module")
def bench() -> BenchFile:
    """A bench with a DC supply."""
    return load_bench("bench-simulated-dc")


Written = Callable[[str], str]


@pytest.fixture
def profile_with(shipped: Profile, written: Written) -> Callable[..., Profile]:
    """Return a function that loads the shipped file with pieces replaced."""

    def load(*changes: tuple[str, str], of: Profile = shipped) -> Profile:
        text = of.text
        for old, new in changes:
            assert old in text
            text = text.replace(old, new, 1)
        return load_profile(written(text))

    return load


@pytest.fixture
def mistakes(profile_with: Callable[..., Profile]) -> Callable[..., str]:
    """Return a function that says what is told of the changed file."""

    def told(*changes: tuple[str, str], **of: Profile) -> str:
        with pytest.raises(FileError) as raised:
            profile_with(*changes, **of)
        return str(raised.value)

    return told


class TestFile:
    @pytest.mark.parametrize(
        ("old", "new", "told"),
        [
            ('purpose = "pre-check" ', "", 'feed = "dc" belongs in a pre-check'),
            ('feed    = "dc"', 'feed = "ac"', "feed"),
            ("slow_limit", 'frequency = "60 Hz"\nslow_limit', "there is no frequency to set"),
            (
                'measure = "supply.current"\nhigh    = "5 mA"',
                'measure = "power_factor"\nhigh = 0.5',
                "power_factor means nothing for a DC input",
            ),
            ('"35 %"', '"50 %"', "V DC, outside the envelope's 60 V"),
            ('"60 V"', '"187 V"', "outside the nameplate's tolerance"),
        ],
    )
    def test_mistakes(self, mistakes: Callable[..., str], old: str, new: str, told: str) -> None:
        """What means nothing on DC, or goes further than the supply or the unit, is a mistake."""
        assert told in mistakes((old, new))

    def test_a_dc_unit_is_fed_with_dc_anyway(self, mistakes: Callable[..., str]) -> None:
        """The key is for AC units alone."""
        board = load_profile("mount-controller-board")

        assert "the unit's input is DC by its nameplate" in mistakes(
            ("purpose =", 'feed = "dc"\npurpose ='), of=board
        )

    def test_no_boost_stage_is_started(
        self, mistakes: Callable[..., str], profile_with: Callable[..., Profile]
    ) -> None:
        """Levels stay below the threshold of a unit that lifts its bulk capacitor by itself."""
        boosted = ('"2 W"', '"2 W"\nboosted_voltage = "390 V"')
        told = mistakes(boosted, ('"60 V"', '"120 V"'), ('"35 %"', '"50 %"'))

        assert "84.85 V DC, where the boost stage works" in told
        assert profile_with(boosted).fed.input.boosted_v is None

    def test_envelope_ends_at_the_highest_peak(self, profile_with: Callable[..., Profile]) -> None:
        """The envelope may go as far as the peak of the highest line."""
        assert profile_with(('"60 V"', '"186 V"')).envelope.voltage_v == 186.0

    def test_slow_level_below_the_threshold(self, mistakes: Callable[..., str]) -> None:
        """What is weighed slowly lies below the peak of the start threshold, 78 V."""
        told = mistakes(('"60 V"', '"170 V"'), ('["10 %", "20 %", "35 %"]', '["46 %"]'))

        assert "not below the unit's start_threshold of 77.78" in told


class TestPlan:
    def test_levels_are_shares_of_the_peak(self, shipped: Profile) -> None:
        """At a share of nominal the bulk capacitor stands as high as on AC."""
        levels = make_plan(shipped).steps[1].levels
        peak_v = 120.0 * math.sqrt(2.0)

        assert [level.voltage_v for level in levels] == pytest.approx(
            [share * peak_v for share in (0.10, 0.20, 0.35)]
        )
        assert {level.frequency_hz for level in levels} == {None}

    def test_charge_is_watched(self, shipped: Profile) -> None:
        """The budget is that of a DC unit, its threshold at the peak of the stated one."""
        for step in make_plan(shipped).steps[1:]:
            for level in step.levels:
                budget = level.budget
                assert budget is not None
                assert (budget.kind, budget.peak_factor) == ("charge", 1.0)
                assert budget.threshold_v == pytest.approx(55.0 * math.sqrt(2.0))
                assert budget.healthy == pytest.approx(150e-6 * (budget.to_v - budget.from_v))

    def test_says_where_the_unit_begins_to_work(self, shipped: Profile) -> None:
        """The notes give the threshold as DC and as rms."""
        notes = " ".join(make_plan(shipped).notes)

        assert "the peak of the nominal 120 V" in notes
        assert "begins to work at 77.8 V DC (start_threshold, 55 V rms)" in notes

    @pytest.mark.parametrize(
        "words", ["NEVER where a mains transformer", "voltage doubler", "series capacitor"]
    )
    def test_cautions(self, shipped: Profile, words: str) -> None:
        """What DC may not be put on comes with the plan."""
        assert words in " ".join(cautions(shipped))
        assert words not in " ".join(cautions(load_profile("dome-shutter-power-unit")))

    def test_forecast_knows_the_capacitor(self, shipped: Profile, bench: BenchFile) -> None:
        """The start's figures are those of a DC charge."""
        for forecast in make_plan(shipped, bench).forecasts:
            assert forecast.good_enough
            assert forecast.expected == pytest.approx(150e-6)

    def test_says_what_comes_before_the_other_polarity(self, shipped: Profile) -> None:
        """The notes tell that leads are changed over, and that the capacitor is discharged."""
        [note] = [note for note in make_plan(shipped).notes if note.startswith("Step 3 (start, ")]

        assert "The supply's leads are changed over by hand" in note
        assert "discharged through a resistor until it is below 2 V" in note


class TestPreflight:
    def test_dc_supply_is_allowed_by_the_key_alone(
        self, shipped: Profile, bench: BenchFile
    ) -> None:
        """An AC unit on a DC supply is refused unless the profile says so."""
        unfed = load_profile("dome-shutter-power-unit")

        assert preflight(make_plan(shipped, bench), today=TODAY).reasons == ()
        assert "The unit takes AC, the supply gives DC." in (
            preflight(make_plan(unfed, bench), today=TODAY).reasons
        )

    def test_ac_source_is_refused(self, shipped: Profile) -> None:
        """What is to be fed with DC is not put on an AC source."""
        plan = make_plan(shipped, load_bench("bench-simulated-ac"))

        assert "The profile feeds the unit with DC, the supply gives AC." in (
            preflight(plan, today=TODAY).reasons
        )
