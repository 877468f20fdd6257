"""Transformer, by figures worked out by hand."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import FileError
from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Severity
from harness.unit.unit_file import UnitFile, load_unit

from .conftest import part, stress

UnitOf = Callable[[dict[str, Any]], UnitFile]

AT_LINE = {"kind": "transformer", "place": "line", "voltage": "120 V", "resistance": "30 ohm"}
OF_CONVERTER = {"kind": "transformer", "place": "converter", "voltage": "200 V"}
EXACT = {"event.voltage_tolerance": "0 %"}


class TestAtTheLine:
    def test_its_core_saturates_at_twice_the_voltage(self, ac_unit: UnitOf) -> None:
        """A line of 230 V on 120 V: the flux is 1.67 times what a core takes at most."""
        # Source: U = 4.44 f N B A, textbook; 15 % to spare, common practice.
        found = assess(ac_unit({"parts.T9": AT_LINE, "event.voltage": "230 V", **EXACT}))

        stands = ac_unit({}).unit.input.frequency_hz[0]  # type: ignore[union-attr]
        assert stands == 60.0
        assert stress(found, "T9", "primary voltage").event_ratio == pytest.approx(
            230 / (1.15 * 120)
        )
        assert part(found, "T9").severity is Severity.DESTROYED

    def test_a_lower_frequency_is_a_higher_voltage(self, ac_unit: UnitOf) -> None:
        """Made for 60 Hz and fed with 50 Hz, 120 V are as 144 V to its core."""
        made_for = {**AT_LINE, "frequency": "60 Hz"}
        event = {"event.voltage": "120 V", "event.frequency": "50 Hz", **EXACT}
        found = assess(ac_unit({"parts.T9": made_for, **event}))

        assert stress(found, "T9", "primary voltage").event == pytest.approx(144.0)
        assert part(found, "T9").severity is Severity.OVER

    def test_dc_meets_only_its_winding(self, ac_unit: UnitOf) -> None:
        """DC of 120 V across 30 ohm: 4 A flow, whatever its core."""
        event = {"kind": "dc", "voltage": "120 V", "voltage_tolerance": "0 %"}
        found = part(assess(ac_unit({"parts.T9": AT_LINE, "event": event})), "T9")

        assert found.severity is Severity.OVER
        assert any("4 A" in remark for remark in found.remarks)

    def test_a_dc_unit_has_none(self, tmp_path: Path) -> None:
        """A DC input feeds no transformer: the file is refused, with its line."""
        text = (
            'title = "board"\nserial = "HRW-0012"\n[unit]\nprotection_class = "III"\n'
            '[unit.input]\nkind = "dc"\nnominal = "24 V"\ntolerance = "10 %"\ncurrent = "1.2 A"\n'
            '[[parts]]\nname = "T1"\nkind = "transformer"\nplace = "line"\nvoltage = "24 V"\n'
        )
        (tmp_path / "unit.toml").write_text(text, encoding="utf-8")

        with pytest.raises(FileError, match="DC feeds no transformer"):
            load_unit(tmp_path / "unit.toml")


class TestOfAConverter:
    def test_it_meets_the_bulk_voltage(self, ac_unit: UnitOf) -> None:
        """The peak of the highest line less two diodes stands across its primary."""
        # Source: peak rectifier, textbook: 132 V times the root of two, less 1.4 V.
        found = assess(ac_unit({"parts.T1": OF_CONVERTER}))

        assert stress(found, "T1", "primary voltage").service == pytest.approx(
            132 * 2**0.5 - 1.4, rel=1e-3
        )

    def test_a_shorted_switch_puts_it_in_the_path(self, ac_unit: UnitOf) -> None:
        """What the short drew went through its primary, so it is a suspect."""
        sound = part(assess(ac_unit({"parts.T1": OF_CONVERTER, "event.voltage": "120 V"})), "T1")
        shorted = {"parts.T1": OF_CONVERTER, "parts.Q1.voltage": "200 V"}
        found = part(assess(ac_unit(shorted)), "T1")

        assert not sound.severity.suspect
        assert found.severity.suspect
        assert any("Q1" in remark for remark in found.remarks)


class TestReplacement:
    @pytest.mark.parametrize(
        ("fitted", "adequacy"),
        [("200 V", Adequacy.NOTE), ("100 V", Adequacy.UNACCEPTABLE)],
    )
    def test_its_insulation_is_never_taken_for_granted(
        self, ac_unit: UnitOf, fitted: str, adequacy: Adequacy
    ) -> None:
        """A like one is acceptable with a note; one below the bulk voltage is not."""
        changed = {**OF_CONVERTER, "fitted": {"voltage": fitted}}
        [found] = [
            one for one in assess(ac_unit({"parts.T1": changed})).replacements if one.name == "T1"
        ]

        assert found.adequacy is adequacy

    def test_its_check_has_the_limits_of_the_winding(self, ac_unit: UnitOf) -> None:
        """A primary of 2 ohm reads 1.7 to 2.3 ohm on a sound one."""
        changed = {**OF_CONVERTER, "resistance": "2 ohm"}
        check = part(assess(ac_unit({"parts.T1": changed})), "T1").check

        assert (check.low, check.high) == pytest.approx((1.7, 2.3))
