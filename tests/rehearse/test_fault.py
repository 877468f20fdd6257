"""What a fault is: its severity, its border of clearly faulty, its remedies."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.rehearse.fault import Severity
from harness.rehearse.faults import FAULTS
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


class TestBorder:
    def test_each_belongs_to_a_fault_with_a_severity(self) -> None:
        """A border is drawn only through faults that can be better or worse."""
        assert [one.name for one in FAULTS.values() if one.border and one.severity is None] == []

    @pytest.mark.parametrize(
        ("name", "severity", "expected"),
        [
            ("shorted-input", 5.0, True),
            ("switch-breakdown", 0.95, True),
            ("leaky-bulk-capacitor", 0.02, False),
            ("leaky-bulk-capacitor", 1.0, True),
            ("weak-bulk-capacitor", 0.25, True),
            ("weak-bulk-capacitor", 0.2501, False),
            ("output-low", 0.0499, False),
            ("output-low", 0.0501, True),
            ("output-high", 0.0499, False),
            ("output-high", 0.0501, True),
            ("current-limit-folded-back", 0.95, True),
            ("intermittent-contact", 0.099, False),
            ("intermittent-contact", 0.1, True),
            ("idle-over-consumption", 1.49, False),
            ("idle-over-consumption", 1.5, True),
        ],
    )
    def test_it_is_where_the_page_has_it(self, name: str, severity: float, expected: bool) -> None:
        """What a technician rejects without a doubt begins where docs/qualify.md says."""
        assert clear(name, severity, exact()) is expected

    @pytest.mark.parametrize("name", [name for name, fault in FAULTS.items() if not fault.severity])
    def test_what_is_there_or_not_is_always_clear(self, name: str) -> None:
        """A fault that has no severity has no border."""
        assert FAULTS[name].is_clear(FAULTS[name].apply(exact()), UNIT)


class TestTheUnitDecides:
    def test_a_leak_counts_by_what_it_draws(self) -> None:
        """Leak and idle draw together decide: a thrifty unit may leak more before it is clear."""
        share = 0.035  # 0.4 W of 11.5 W

        assert clear("leaky-bulk-capacitor", share, exact(idle_w=0.59))
        assert not clear("leaky-bulk-capacitor", share, exact(idle_w=0.39))

    def test_idle_draw_counts_against_the_nameplate(self) -> None:
        """Twice its own idle power is much for a unit at the nameplate's, not for a thrifty one."""
        assert clear("idle-over-consumption", 2.0, exact(idle_w=0.6))
        assert not clear("idle-over-consumption", 2.0, exact(idle_w=0.4))

    def test_an_output_counts_against_the_nameplate(self) -> None:
        """An output that stood 1 % high is 5 % low only when it has fallen by more."""
        assert clear("output-low", 0.055, exact(output_v=5.0))
        assert not clear("output-low", 0.055, exact(output_v=5.05))

    def test_a_unit_without_named_output_is_held_to_the_typical_one(self) -> None:
        """Where the nameplate has no output, the border is 5 % off the typical voltage."""
        unit = UNIT.model_copy(update={"output": {}})
        low = FAULTS["output-low"]
        model = typical_model(unit)

        assert low.is_clear(low.apply(model, severity=0.051), unit)
        assert not low.is_clear(low.apply(model, severity=0.049), unit)


@pytest.fixture(scope="module")
def board() -> Profile:
    """The profile of unit A, without a load step."""
    return load_profile("mount-controller-board")


@pytest.fixture(scope="module")
def power_unit() -> Profile:
    """The profile of unit B, with one."""
    return load_profile("dome-shutter-power-unit")


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

    def test_only_what_needs_a_load_is_out_of_reach(
        self, board: Profile, power_unit: Profile
    ) -> None:
        """Without a load step faults that need one are out of reach, and no others."""
        assert {name for name, fault in FAULTS.items() if fault.out_of_reach(board)} == {
            name for name, fault in FAULTS.items() if fault.needs_load
        }
        assert not any(fault.out_of_reach(power_unit) for fault in FAULTS.values())
