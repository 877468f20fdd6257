"""What a fault is: its severity, its border of clearly faulty, its remedies."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.api import simulated_unit
from harness.errors import UsageError
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.rehearse import needs
from harness.rehearse.fault import Severity
from harness.rehearse.faults import FAULTS, faults_of, faults_of_unit
from harness.rehearse.laws import LAWS
from harness.rehearse.unit_model import UnitModel, typical_model

GRADED = {name: fault.severity for name, fault in FAULTS.items() if fault.severity is not None}
SEVERITIES = st.sampled_from(list(GRADED.values()))


class TestWay:
    @pytest.mark.parametrize("name", GRADED)
    def test_it_leads_from_mild_to_severe(self, name: str) -> None:
        """Share 0 is the mild severity, share 1 the severe one; between them it only gets worse."""
        severity = GRADED[name]
        mild, _, severe = severity.levels
        numbers = [severity.at(step / 20) for step in range(21)]

        assert numbers[0] == pytest.approx(mild)
        assert numbers[-1] == pytest.approx(severe)
        assert numbers == sorted(numbers, reverse=severe < mild)

    @given(SEVERITIES, st.floats(0.0, 1.0))
    def test_a_place_leads_back_to_its_number(self, severity: Severity, share_frac: float) -> None:
        """Where a number stands is the share it was made from."""
        assert severity.place_of(severity.at(share_frac)) == pytest.approx(share_frac, abs=1e-9)

    @given(SEVERITIES, st.floats(0.0, 1.0))
    def test_every_number_on_it_can_be_given(self, severity: Severity, share_frac: float) -> None:
        """No number between mild and severe is refused as a severity."""
        number = severity.at(share_frac)

        assert severity.number(number) == number

    def test_by_decades_the_middle_is_the_geometric_mean(self) -> None:
        """Half-way from 5 ohm to 0.05 ohm by decades is 0.5 ohm; evenly it would be 2.525 ohm."""
        short = GRADED["shorted-input"]

        assert short.by_decades
        assert short.at(0.5) == pytest.approx(0.5)
        assert GRADED["output-low"].at(0.5) == pytest.approx(0.165)


UNIT = load_profile("mount-controller-board").unit


def exact(*, idle_w: float = 0.6, output_v: float = 5.0) -> UnitModel:
    """Unit A with what its nameplate says, to the digit."""
    model = typical_model(UNIT)
    converter = replace(model.converter, idle_power_w=idle_w, output_v=output_v)
    return replace(model, converter=converter)


def clear(name: str, severity: float, model: UnitModel) -> bool:
    fault = FAULTS[name]
    return fault.is_clear(fault.apply(model, severity=severity), UNIT)


def beyond(profile: Profile) -> set[str]:
    """The faults that a profile of a unit with one output, not a charger's, has no step for."""
    return {
        name
        for name, fault in FAULTS.items()
        if not (fault.charges or fault.of) and fault.out_of_reach(profile)
    }


class TestBorder:
    @pytest.mark.parametrize("name", FAULTS)
    def test_each_has_its_source(self, name: str) -> None:
        """Each border rests on a standard, the practice of sheets, or what the nameplate says."""
        source = FAULTS[name].border.source

        assert re.search(r"IEC \d{5}|common practice|nameplate|breakdown voltage", source)
        assert "from memory" in source or "IEC 60127-1" in source or "IEC" not in source
        assert FAULTS[name].shown_by

    def test_none_is_told_from_what_a_profile_can_see(self) -> None:
        """A bulk capacitor at half its value is past its life, whether a profile sees it or not.

        Source: 20 % of the capacitance lost ends the endurance test (IEC 60384-4, from memory).
        """
        assert clear("weak-bulk-capacitor", 0.5, exact())

    def test_a_capacitor_is_worn_by_its_series_resistance_as_well(self) -> None:
        """At full capacitance, three times the usual series resistance is the end of its life.

        Source: Twice the sheet's limit (common practice).
        """
        worn = FAULTS["weak-bulk-capacitor"].border.is_beyond
        bulk = typical_model(UNIT).bulk
        for times, expected in ((2.99, False), (3.01, True)):
            aged = replace(bulk, series_resistance_ohm=times * bulk.series_resistance_ohm)
            assert worn(replace(exact(), bulk=aged), UNIT) is expected

    def test_a_leak_counts_by_the_limit_of_the_part(self) -> None:
        """470 uF at 24 V may leak 0.05 C V, 0.55 mA: 42.5 kohm. Source: Ohm's law."""
        leaks = FAULTS["leaky-bulk-capacitor"].border.is_beyond
        for ohm, expected in ((42_400.0, True), (42_700.0, False)):
            defects = replace(exact().defects, bulk_leak_ohm=ohm)
            assert leaks(replace(exact(), defects=defects), UNIT) is expected

    @pytest.mark.parametrize(
        ("name", "severity", "expected"),
        [
            ("shorted-input", 5.0, True),
            ("switch-breakdown", 0.95, True),
            ("leaky-bulk-capacitor", 0.001, False),
            ("leaky-bulk-capacitor", 0.02, True),
            ("weak-bulk-capacitor", 0.8, True),
            ("weak-bulk-capacitor", 0.8001, False),
            ("drifted-varistor", 0.0999, False),
            ("drifted-varistor", 0.1001, True),
            ("resistive-bulk-capacitor", 2.99, False),
            ("resistive-bulk-capacitor", 3.01, True),
            ("gives-in-at-low-line", 0.899, False),
            ("gives-in-at-low-line", 0.901, True),
            ("gives-in-at-high-line", 1.101, False),
            ("gives-in-at-high-line", 1.099, True),
            ("sagging-output", 0.0499, False),
            ("sagging-output", 0.0501, True),
            ("lost-efficiency", 1.8, False),
            ("lost-efficiency", 1.9, True),
            ("rippling-output", 1.99, False),
            ("rippling-output", 2.0, True),
            ("output-low", 0.0499, False),
            ("output-low", 0.0501, True),
            ("output-high", 0.0499, False),
            ("output-high", 0.0501, True),
            ("current-limit-folded-back", 0.95, True),
            ("intermittent-contact", 0.02, True),
            ("idle-over-consumption", 1.09, False),
            ("idle-over-consumption", 1.1, True),
        ],
    )
    def test_it_is_where_the_page_has_it(self, name: str, severity: float, expected: bool) -> None:
        """What is clearly faulty begins where docs/qualify.md says."""
        assert clear(name, severity, exact()) is expected

    @pytest.mark.parametrize("name", [name for name in faults_of("dc") if name not in GRADED])
    def test_what_is_there_or_not_is_always_clear(self, name: str) -> None:
        """A fault that has no severity has no border."""
        assert FAULTS[name].is_clear(FAULTS[name].apply(exact()), UNIT)


class TestTheUnitDecides:
    def test_idle_draw_counts_against_the_nameplate(self) -> None:
        """Half more than its own is much for a unit at the nameplate's, not for a thrifty one."""
        assert clear("idle-over-consumption", 1.5, exact(idle_w=0.6))
        assert not clear("idle-over-consumption", 1.5, exact(idle_w=0.4))

    def test_an_output_counts_against_the_nameplate(self) -> None:
        """An output that stood 1 % high is 5 % low only when it has fallen by more."""
        assert clear("output-low", 0.055, exact(output_v=5.0))
        assert not clear("output-low", 0.055, exact(output_v=5.05))

    @pytest.mark.parametrize("name", ["output-low", "gives-in-at-low-line", "lost-efficiency"])
    def test_a_unit_without_an_output_has_no_fault_of_one(self, name: str) -> None:
        """Where the nameplate has no output, nothing is wrong with it, or with a load at it."""
        unit = UNIT.model_copy(update={"output": {}})

        assert name not in faults_of_unit(unit)
        assert "weak-bulk-capacitor" in faults_of_unit(unit)
        with pytest.raises(ValueError, match="does not apply"):
            FAULTS[name].apply(typical_model(unit))


@pytest.fixture(scope="module")
def board() -> Profile:
    """The profile of unit A, without a load step."""
    return load_profile("mount-controller-board")


@pytest.fixture(scope="module")
def power_unit() -> Profile:
    """The profile of unit B, with one."""
    return load_profile("dome-shutter-power-unit")


class TestLaws:
    @pytest.mark.parametrize("name", FAULTS)
    def test_they_are_in_the_table(self, name: str) -> None:
        """What decides whether a fault is seen is a law of the simulated unit."""
        assert set(FAULTS[name].laws) <= set(LAWS)

    def test_the_worn_capacitor_rests_on_the_ripple(self) -> None:
        """That the output's ripple follows the bulk capacitor is assumed, and swept."""
        assert "ripple_by_bulk" in FAULTS["weak-bulk-capacitor"].laws
        assert LAWS["ripple_by_bulk"].is_assumed


class TestRemedies:
    def test_every_fault_has_one(self) -> None:
        """For each fault, on each kind of input it exists for, something is known that shows it."""
        for name, fault in FAULTS.items():
            for kind in fault.kinds:
                assert [one for one in fault.remedies if kind in one.kinds], (name, kind)

    def test_what_the_profile_lacks_comes_alone(self, board: Profile) -> None:
        """Only ways the profile does not take are suggested, where there are any."""
        (only,) = FAULTS["current-limit-folded-back"].lacking(board)

        assert str(only).startswith("meter.voltage_dc in a load step, low limit: ")

    def test_where_all_is_there_the_limits_are_too_wide(self, power_unit: Profile) -> None:
        """A profile that takes every way already is shown them all."""
        assert FAULTS["output-low"].lacking(power_unit) == FAULTS["output-low"].remedies

    def test_a_start_without_capacitance_lacks_its_budget(self, board: Profile) -> None:
        """Without bulk_capacitance on the nameplate the budget is what is lacking."""
        bare = board.model_copy(
            update={
                "unit": board.unit.model_copy(
                    update={
                        "input": board.unit.input.model_copy(update={"bulk_capacitance_f": None})
                    }
                )
            }
        )
        (budget,) = FAULTS["shorted-input"].lacking(bare)

        assert "with bulk_capacitance on the nameplate" in str(budget)

    def test_what_a_profile_has_no_step_for_is_out_of_reach(
        self, board: Profile, power_unit: Profile
    ) -> None:
        """What needs a step the profile lacks is out of reach, and nothing else."""
        loads = {"current-limit-folded-back", "sagging-output", "lost-efficiency"}
        loads.add("boost-stage-dead")
        further = {
            *("boost-voltage-high", "boost-voltage-low"),
            *("leaky-varistor", "drifted-varistor", "gives-in-at-low-line"),
            *("gives-in-at-high-line", "output-unlimited", "inrush-limiter-bridged"),
            *("stuck-fan", "dead-fan", "blocked-air"),
        }

        assert beyond(board) == loads | further
        assert beyond(power_unit) == further

    def test_the_full_releases_reach_all_that_a_bench_can_show(self) -> None:
        """Of the faults a unit can have one is out of reach of its full release.

        A drifted varistor shows on the part alone.
        """
        for name in ("mount-controller-full-release", "dome-shutter-full-release"):
            profile = load_profile(name)
            kind = profile.unit.input.kind

            assert beyond(profile) & {*faults_of(kind)} == {"drifted-varistor"}

    def test_each_need_says_what_to_add(self) -> None:
        """Whoever asks for a fault out of reach is told when it shows, and what to add."""
        with pytest.raises(UsageError, match="on the part by itself") as caught:
            simulated_unit(load_profile("dome-shutter-full-release"), "drifted-varistor")

        assert "measure the part" in caught.value.remedy

    def test_half_an_hour_under_load_or_a_look_shows_a_stuck_fan(self, power_unit: Profile) -> None:
        """A hold of half an hour at full load with a look at the temperature is what it needs, or
        a question about the fan.
        """
        (asked,) = [
            step for step in load_profile("dome-shutter-full-release").steps if step.kind == "soak"
        ]
        read = tuple(check for check in asked.checks if not check.by_operator)
        soak = asked.model_copy(update={"checks": read})
        for changed, met in (
            ({"checks": asked.checks}, True),
            ({"duration_s": 1800.0}, True),
            ({"duration_s": 1799.0}, False),
            ({"duration_s": 1800.0, "current_a": 1.25}, False),
            ({"duration_s": 1800.0, "checks": ()}, False),
        ):
            steps = (*power_unit.steps, soak.model_copy(update=changed))
            assert needs.COOLED.is_met(power_unit.model_copy(update={"steps": steps})) is met
