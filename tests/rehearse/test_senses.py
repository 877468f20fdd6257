"""What a person at the bench sees and feels of a unit, and how often they overlook it."""

from __future__ import annotations

import pytest
from scipy.stats import binom

from harness.profile.load import load_profile
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import LAWS, Laws
from harness.rehearse.senses import (
    answer,
    is_about_bulk_resistance,
    is_about_cooling,
    sense_of,
    sign_of,
)
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel, typical_model

PROFILE = load_profile("dome-shutter-full-release")
BY_HAND, AIR, DAMAGE = (
    "Fan turned by hand, unplugged: does it turn freely?",
    "Fan runs, and as much air as usual is felt at the outlet of the closed case?",
    "Cord, case, solder joints and new parts looked at: no damage?",
)
SURE = Laws().but("overlooked", 0.0)


def unit(fault: str = "", severity: float | str | None = None) -> UnitModel:
    model = typical_model(PROFILE.unit)
    return FAULTS[fault].apply(model, severity=severity) if fault else model


class TestQuestions:
    @pytest.mark.parametrize(
        ("question", "sense"),
        [
            (BY_HAND, "fan by hand"),
            (AIR, "air"),
            ("Do both fans run?", "air"),
            ("Draught at the grille?", "air"),
            (DAMAGE, "damage"),
            ("Fan of paper on the bench: no damage?", "damage"),
        ],
    )
    def test_its_words_say_which_sense(self, question: str, sense: str) -> None:
        """A question is about the fan by hand, the air, or by itself about damage."""
        assert sense_of(question) == sense
        assert is_about_cooling(question) == (sense != "damage")

    def test_which_question_a_tester_of_series_resistance_answers(self) -> None:
        """The shipped releases' own, and no other about the capacitor or a resistance."""
        for name in ("mount-controller-full-release", "dome-shutter-full-release"):
            asked = [
                check.ask or ""
                for step in load_profile(name).steps
                for check in step.checks
                if check.by_operator
            ]
            assert sum(map(is_about_bulk_resistance, asked)) == 1
        assert not is_about_bulk_resistance("Insulation resistance of the bulk capacitor's can")
        assert not is_about_bulk_resistance("Series resistance of the choke")

    def test_the_shipped_release_asks_all_three(self) -> None:
        """Before power for damage and the fan, in the soak for the air."""
        asked = {
            (step.kind, sense_of(check.ask or ""))
            for step in PROFILE.steps
            for check in step.checks
            if check.measure == "operator.yes_no"
        }

        assert asked == {("cold", "damage"), ("cold", "fan by hand"), ("soak", "air")}


class TestSigns:
    @pytest.mark.parametrize(
        ("fault", "severity", "noticed"),
        [
            ("", None, set()),
            ("stuck-fan", "mild", {BY_HAND, AIR}),
            ("dead-fan", "mild", {AIR}),
            ("blocked-air", 0.2, {AIR}),
            ("blocked-air", 0.3, set()),
            ("shorted-varistor", None, {DAMAGE}),
            ("shorted-input", None, set()),
            ("lost-efficiency", None, set()),
        ],
    )
    def test_follow_from_the_fault(
        self, fault: str, severity: float | str | None, noticed: set[str]
    ) -> None:
        """A bearing that sticks is felt by hand, a dead motor is not; little air is no air."""
        model = unit(fault, severity)

        assert {one for one in (BY_HAND, AIR, DAMAGE) if sign_of(model, one, SURE)} == noticed

    def test_how_little_air_is_missed_a_law_says(self) -> None:
        """Three tenths of the air pass for air, but not to a fine hand."""
        model = unit("blocked-air", 0.3)

        assert sign_of(model, AIR, Laws().but("felt_air", 0.5))
        assert not sign_of(model, AIR, Laws().but("felt_air", 0.1))


class TestAnswers:
    @pytest.mark.parametrize("overlooked", [0.0, 0.02, 0.1])
    def test_are_wrong_as_often_as_the_law_says(self, overlooked: float) -> None:
        """Of 2000 dead fans so many are overlooked as the law has it.

        Source: binomial distribution, two-sided at 1 in 10,000 (scipy).
        """
        laws, model = Laws().but("overlooked", overlooked), unit("dead-fan")
        yes = sum(answer(model, AIR, laws, stream(seed, "q"))[0] for seed in range(2000))
        low, high = binom.interval(0.9999, 2000, overlooked) if overlooked else (0, 0)

        assert low <= yes <= high

    def test_nobody_sees_what_is_not_there(self) -> None:
        """Of a healthy unit every answer is yes, however much is overlooked."""
        laws = Laws().but("overlooked", LAWS["overlooked"].most)

        assert all(
            answer(unit(), one, laws, stream(seed))[0]
            for one in (BY_HAND, AIR, DAMAGE)
            for seed in range(50)
        )

    def test_the_note_says_what_was_noticed(self) -> None:
        """A rehearsal's record says what the simulated person went by."""
        assert answer(unit("stuck-fan"), BY_HAND, SURE, stream(1)) == (
            False,
            "simulated: the fan does not turn freely",
        )


class TestCooling:
    @pytest.mark.parametrize(
        ("left", "times"), [(0.5, 1.741), (0.4, 2.081), (0.2, 3.624), (0.1, 6.310), (0.0, 6.310)]
    )
    def test_less_air_cools_less(self, left: float, times: float) -> None:
        """Half the air, and the case warms 2^0.8 times as much; without any 10^0.8 times.

        Source: heat transfer of turbulent flow goes with the flow to the power 0.8 (Dittus and
        Boelter, textbook); the rest by itself an assumption.
        """
        usual, blocked = unit().case, unit("blocked-air", left).case

        assert blocked.rise_k_per_w / usual.rise_k_per_w == pytest.approx(times, abs=1e-3)
        assert blocked.heating_s / usual.heating_s == pytest.approx(times, abs=1e-3)
        assert blocked.air_frac == left
