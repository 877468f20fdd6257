"""Suppressor, polymer fuse, relay, connector and regulator, by figures worked out by hand."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import pytest

from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Assessment, Replacement, Severity
from harness.unit.unit_file import UnitFile, load_unit

from .conftest import part, stress

UnitOf = Callable[[dict[str, Any]], UnitFile]

WITHIN, MARGINAL, OVER, DESTROYED = Severity

SUPPRESSOR = {"kind": "suppressor", "standoff_voltage": "28 V", "pulse_power": "600 W"}
POLYMER = {"kind": "polymer-fuse", "hold_current": "1.6 A", "voltage": "30 V"}
RELAY = {"kind": "relay", "coil_voltage": "24 V", "current": "5 A", "coil_resistance": "1.1 kohm"}
REGULATOR = {"kind": "regulator", "input_voltage": "40 V", "current": "1 A"}
CONNECTOR = {"kind": "connector", "current": "5 A", "voltage": "60 V"}


def replacement(found: Assessment, name: str) -> Replacement:
    """Return the verdict on one replacement."""
    return next(one for one in found.replacements if one.name == name)


def severity(unit_of: UnitOf, name: str, kind: dict[str, Any], **event: Any) -> Severity:
    """Return the verdict on one added part, the event changed."""
    changes = {f"parts.{name}": kind} | {f"event.{key}": value for key, value in event.items()}
    return part(assess(unit_of(changes)), name).severity


class TestSuppressor:
    def test_the_highest_line_is_within_it(self, dc_unit: UnitOf) -> None:
        """26.4 V at a standoff of 28 V: it never conducts."""
        found = assess(dc_unit({"parts.D1": SUPPRESSOR}))

        assert stress(found, "D1", "standoff voltage").ratio == pytest.approx(26.4 / 28)
        assert part(found, "D1").severity is WITHIN

    def test_a_lasting_over_voltage_spends_it(self, dc_unit: UnitOf) -> None:
        """48 V behind 1.6 ohm, 31 V across it: 10.6 A, 328 W, its 0.87 J gone within 3 ms."""
        # Source: P = V I; energy of a 10/1000 us pulse, P times 1 ms over ln 2, textbook.
        changes = {"parts.D1": SUPPRESSOR, "event.voltage": "48 V"}
        found = assess(dc_unit({**changes, "event.prospective_current": "30 A"}))
        across_v, source_ohm = 1.11 * 28, 48 / 30

        energy = stress(found, "D1", "pulse energy")
        assert energy.rating == pytest.approx(600 * 1e-3 / math.log(2))
        assert energy.event == pytest.approx((48 - across_v) / source_ohm * across_v * 2.0)
        assert part(found, "D1").severity is DESTROYED
        # it fails short, so the fuse before it had to break what the supply gives
        assert stress(found, "F1", "breaking capacity").event == pytest.approx(30, rel=0.01)

    def test_it_conducts_the_wrong_way_round(self, dc_unit: UnitOf) -> None:
        """One direction only: with the polarity reversed it is a diode across the line."""
        both = {**SUPPRESSOR, "bidirectional": True}

        assert severity(dc_unit, "D1", SUPPRESSOR, polarity_reversed=True) is OVER
        assert severity(dc_unit, "D1", both, polarity_reversed=True) is WITHIN

    def test_a_surge_is_held_against_its_pulse(self, dc_unit: UnitOf) -> None:
        """500 V behind 2 ohm into 45 V: 227 A, of which 8/20 us leave less than a joule."""
        event = {"kind": "surge", "voltage": "500 V", "voltage_tolerance": "0 %"}
        found = assess(dc_unit({"parts.D1": SUPPRESSOR, "event": event}))
        across_v = 1.45 * 1.11 * 28

        # Source: charge of the 8/20 us wave over its crest: see the tables of surges.
        energy = stress(found, "D1", "pulse energy").event
        assert energy is not None
        per_ampere = energy / (across_v * (500 - across_v) / 2.0)
        assert 10e-6 < per_ampere < 25e-6

    def test_a_replacement_that_conducts_in_service_is_not_acceptable(
        self, dc_unit: UnitOf
    ) -> None:
        """20 V standoff at a highest line of 26.4 V."""
        fitted = {**SUPPRESSOR, "fitted": {"standoff_voltage": "20 V", "pulse_power": "600 W"}}
        found = replacement(assess(dc_unit({"parts.D1": fitted})), "D1")

        assert found.adequacy is Adequacy.UNACCEPTABLE


class TestOthers:
    @pytest.mark.parametrize(
        ("volts", "verdict"), [("24 V", WITHIN), ("32 V", OVER), ("48 V", DESTROYED)]
    )
    def test_polymer_fuse(self, dc_unit: UnitOf, volts: str, verdict: Severity) -> None:
        """It may break 30 V."""
        assert severity(dc_unit, "PF1", POLYMER, voltage=volts) is verdict

    @pytest.mark.parametrize(
        ("volts", "verdict"), [("24 V", WITHIN), ("30 V", OVER), ("48 V", DESTROYED)]
    )
    def test_relay_coil_at_the_input(self, dc_unit: UnitOf, volts: str, verdict: Severity) -> None:
        """A 24 V coil bears 26.4 V for good, and not twice its voltage."""
        elsewhere = {**RELAY, "coil_at": "elsewhere"}

        assert severity(dc_unit, "K1", RELAY, voltage=volts) is verdict
        assert severity(dc_unit, "K1", elsewhere, voltage=volts) is WITHIN

    @pytest.mark.parametrize(
        ("volts", "verdict"), [("24 V", WITHIN), ("42 V", OVER), ("48 V", DESTROYED)]
    )
    def test_regulator(self, dc_unit: UnitOf, volts: str, verdict: Severity) -> None:
        """It meets the bulk voltage; behind an output it does not."""
        behind = {**REGULATOR, "fed_by": "main"}

        assert severity(dc_unit, "U3", REGULATOR, voltage=volts) is verdict
        assert severity(dc_unit, "U3", behind, voltage=volts) is WITHIN

    def test_a_regulator_of_an_unknown_output(self, tmp_path: Any) -> None:
        """An output that the nameplate does not have is a mistake in the file."""
        from harness.errors import FileError

        text = (
            'title = "board"\nserial = "HRW-0012"\n[unit]\nprotection_class = "III"\n'
            '[unit.input]\nkind = "dc"\nnominal = "24 V"\ntolerance = "10 %"\ncurrent = "1.2 A"\n'
            '[unit.output.main]\nkind = "dc"\nnominal = "5 V"\ncurrent = "2 A"\n[[parts]]\n'
            'name = "U3"\nkind = "regulator"\ninput_voltage = "40 V"\ncurrent = "1 A"\n'
            'fed_by = "mian"\n'
        )
        path = tmp_path / "unit.toml"
        path.write_text(text, encoding="utf-8")
        with pytest.raises(FileError, match="mian"):
            load_unit(path)

    def test_connector(self, dc_unit: UnitOf) -> None:
        """Its rated current is held against the nameplate's, in service."""
        found = assess(dc_unit({"parts.X1": CONNECTOR}))
        assert stress(found, "X1", "rated current").ratio == pytest.approx(1.2 / 5)

        thin = {**CONNECTOR, "fitted": {"current": "1 A", "voltage": "60 V"}}
        found = assess(dc_unit({"parts.X1": thin}))
        assert replacement(found, "X1").adequacy is Adequacy.UNACCEPTABLE

    def test_cold_checks(self, dc_unit: UnitOf) -> None:
        """A coil's resistance has both bounds, 15 % either way."""
        check = part(assess(dc_unit({"parts.K1": RELAY})), "K1").check

        assert (check.low, check.high) == (pytest.approx(935.0), pytest.approx(1265.0))
