from __future__ import annotations

from dataclasses import replace

import pytest

from harness.profile.load import load_profile
from harness.qualify.clearly_faulty import BORDERS, is_clearly_faulty
from harness.rehearse.faults import FAULTS
from harness.rehearse.unit_model import UnitModel, typical_model

UNIT = load_profile("mount-controller-board").unit


def exact(*, idle_w: float = 0.6, output_v: float = 5.0) -> UnitModel:
    """Unit A with what its nameplate says, to the digit."""
    model = typical_model(UNIT)
    converter = replace(model.converter, idle_power_w=idle_w, output_v=output_v)
    return replace(model, converter=converter)


def clear(name: str, severity: float, model: UnitModel) -> bool:
    return is_clearly_faulty(name, FAULTS[name].apply(model, severity=severity), UNIT)


class TestBorder:
    def test_each_belongs_to_a_fault_with_a_degree(self) -> None:
        """A border is drawn only through faults that can be better or worse."""
        assert [name for name in BORDERS if FAULTS[name].degree is None] == []

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

    @pytest.mark.parametrize("name", [name for name, fault in FAULTS.items() if not fault.degree])
    def test_what_is_there_or_not_is_always_clear(self, name: str) -> None:
        """A fault that has no degree has no border."""
        assert is_clearly_faulty(name, FAULTS[name].apply(exact()), UNIT)


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

        assert is_clearly_faulty("output-low", low.apply(model, severity=0.051), unit)
        assert not is_clearly_faulty("output-low", low.apply(model, severity=0.049), unit)
