from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.profile.load import load_profile
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.faults import FAULTS
from harness.rehearse.readings import cold_resistance_ohm, place_voltage_v
from harness.rehearse.unit_model import typical_model
from harness.rehearse.unit_parts import InrushLimiter

PLACES = ("input", "input reversed", "fuse", "limiter", "bulk", "output")


def circuit(kind: str, fault: str | None = None) -> Circuit:
    name = "mount-controller-board" if kind == "dc" else "dome-shutter-power-unit"
    model = typical_model(load_profile(name).unit)
    if fault is not None:
        model = FAULTS[fault].apply(model)
    return circuit_of(model, DC_SUPPLY if kind == "dc" else AC_SOURCE)


class TestCold:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_a_healthy_unit_is_no_short_anywhere(self, kind: str) -> None:
        """Input and bulk are well above 10 kohm, the fuse well below an ohm."""
        ohms = {place: cold_resistance_ohm(circuit(kind), place) for place in PLACES}

        assert ohms["fuse"] < 0.5
        assert min(ohms["input"], ohms["input reversed"], ohms["bulk"]) > 10e3

    def test_a_series_diode_reads_differently_each_way(self) -> None:
        """A DC input with a diode blocks one way; a bridge is alike both ways."""
        forward, reverse = (cold_resistance_ohm(circuit("dc"), place) for place in PLACES[:2])
        bridge = {cold_resistance_ohm(circuit("ac"), place) for place in PLACES[:2]}

        assert reverse > 10 * forward
        assert len(bridge) == 1

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    @pytest.mark.parametrize(
        ("fault", "place", "most_ohm"),
        [
            ("shorted-input", "input", 1.0),
            ("shorted-varistor", "input reversed", 1.0),
            ("shorted-switch", "bulk", 1.0),
            ("leaky-bulk-capacitor", "bulk", 1e3),
        ],
    )
    def test_a_short_shows_where_it_sits(
        self, kind: str, fault: str, place: str, most_ohm: float
    ) -> None:
        """An ohmmeter across the part finds the short."""
        assert cold_resistance_ohm(circuit(kind, fault), place) < most_ohm

    def test_a_limiter_shows_what_it_has_in_the_cold(self) -> None:
        """An ohmmeter across a named inrush limiter reads its cold resistance; under power, none.

        Source: zero-power resistance at 25 degC (IEC 60539-1, from memory).
        """
        model = typical_model(load_profile("dome-shutter-power-unit").unit)
        limiter = InrushLimiter(cold_ohm=8.0)
        model = replace(model, rectifier=replace(model.rectifier, limiter=limiter))
        cold = circuit_of(model, AC_SOURCE)
        ohm = cold_resistance_ohm(cold, "limiter")
        cold.set_source(voltage_v=120.0, frequency_hz=60.0, on=True)

        assert ohm == pytest.approx(8.0)
        assert cold_resistance_ohm(cold, "limiter") == math.inf

    def test_an_open_fuse_hides_everything_behind_it(self) -> None:
        """With the fuse open the input reads open, short or not."""
        faulty = circuit("dc", "open-fuse")

        assert {cold_resistance_ohm(faulty, place) for place in PLACES[:3]} == {math.inf}

    def test_a_charged_capacitor_spoils_ohms(self) -> None:
        """Under voltage an ohmmeter shows overload."""
        live = circuit("dc")
        live.set_source(voltage_v=24.0, current_limit_a=1.0, on=True)
        live.advance_to(0.5)
        live.set_source(on=False)
        live.advance_to(0.51)

        assert cold_resistance_ohm(live, "bulk") == math.inf


class TestVoltage:
    def test_each_place_has_its_voltage(self) -> None:
        """Input, swapped input, bulk behind its diode, and the regulated output."""
        live = circuit("dc")
        live.set_source(voltage_v=24.0, current_limit_a=1.0, on=True)
        live.advance_to(1.0)
        volts = {place: place_voltage_v(live, place) for place in PLACES}

        assert volts["input"] == pytest.approx(24.0, abs=0.1)
        assert volts["input reversed"] == -volts["input"]
        assert volts["bulk"] == pytest.approx(24.0 - 0.45, abs=0.2)
        assert volts["output"] == pytest.approx(5.0, rel=0.01)
        assert volts["fuse"] == volts["limiter"] == 0.0
