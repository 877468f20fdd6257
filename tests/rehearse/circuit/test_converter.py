"""What a converter does that is not as it should be, against closed formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.unit_model import UnitModel


def loaded(model: UnitModel, voltage_v: float, load_a: float) -> Circuit:
    """The unit at a line voltage and load, two seconds after power."""
    circuit = circuit_of(model, DC_SUPPLY if model.input_kind == "dc" else AC_SOURCE)
    circuit.set_source(voltage_v=voltage_v, current_limit_a=8.0, frequency_hz=60.0, on=True)
    circuit.advance_to(1.0)
    circuit.set_load(value=load_a, on=True)
    circuit.advance_to(2.0)
    return circuit


def with_converter(model: UnitModel, **values: float) -> UnitModel:
    return replace(model, converter=replace(model.converter, **values))


class TestGivesIn:
    @pytest.mark.parametrize(("share", "holds"), [(0.0, True), (0.9, True), (1.02, False)])
    def test_at_low_line(self, model_a: UnitModel, share: float, holds: bool) -> None:
        """At a bulk voltage 5 % under its threshold it gives 95 % of nominal power, no more."""
        weak = with_converter(model_a, gives_in_below_v=21.0)
        # 20 V at the bulk capacitor: what line, diode and path take at this load on top.
        bulk_v = 21.0 * 0.95
        load_a = share * 2.0
        converter = model_a.converter
        line_a = converter.input_power_w(5.0 * load_a) / bulk_v
        ohm = 0.08 + model_a.fuse.resistance_ohm + model_a.rectifier.resistance_ohm
        circuit = loaded(weak, bulk_v + model_a.rectifier.drop_v + ohm * line_a, load_a)

        assert (circuit.output_voltage_v() > 4.9) == holds

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_only_there(self, model_a: UnitModel, model_b: UnitModel, kind: str) -> None:
        """Under full load it works at nominal and high line; at low line it stops and retries."""
        model, volts, load_a = (model_a, 24.0, 2.0) if kind == "dc" else (model_b, 120.0, 2.5)
        threshold_v = 0.95 * model.converter.nominal_bulk_v
        if kind == "ac":  # the valley of the ripple counts
            threshold_v = 0.82 * model.converter.nominal_bulk_v
        weak = with_converter(model, gives_in_below_v=threshold_v)
        nominal_v = model.converter.output_v
        outputs_v = [
            loaded(weak, times * volts, load_a).output_voltage_v() for times in (0.9, 1.0, 1.1)
        ]

        assert outputs_v[0] < 0.9 * nominal_v
        assert outputs_v[1:] == pytest.approx([nominal_v, nominal_v], rel=0.01)
        assert loaded(weak, 0.9 * volts, 0.0).output_voltage_v() == pytest.approx(
            nominal_v, rel=0.01
        )

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_at_high_line(self, model_a: UnitModel, model_b: UnitModel, kind: str) -> None:
        """One that gives in above a bulk voltage does so at high line under load, and only then."""
        model, volts, load_a = (model_a, 24.0, 2.0) if kind == "dc" else (model_b, 120.0, 2.5)
        weak = with_converter(model, gives_in_above_v=1.05 * model.converter.nominal_bulk_v)
        nominal_v = model.converter.output_v
        outputs_v = [
            loaded(weak, times * volts, load_a).output_voltage_v() for times in (0.9, 1.0, 1.1)
        ]

        assert outputs_v[:2] == pytest.approx([nominal_v, nominal_v], rel=0.01)
        assert outputs_v[2] < 0.9 * nominal_v
        assert loaded(weak, 1.1 * volts, 0.0).output_voltage_v() == pytest.approx(
            nominal_v, rel=0.01
        )


class TestOutput:
    def test_without_a_limit(self, model_a: UnitModel) -> None:
        """Without a limit it holds twice its nominal current; with one it gives in (Ohm's law)."""
        lost = with_converter(model_a, output_limit_a=math.inf)
        droop_v = 4.0 * model_a.converter.output_resistance_ohm

        assert loaded(lost, 24.0, 4.0).output_voltage_v() == pytest.approx(
            model_a.converter.output_v - droop_v, rel=1e-3
        )
        assert loaded(model_a, 24.0, 4.0).output_voltage_v() < 1.0

    def test_sags_under_load_only(self, model_a: UnitModel) -> None:
        """With 0.1 ohm more in the rail, 2 A take 0.2 V and no load takes nothing (Ohm's law)."""
        more_ohm = 0.1 + model_a.converter.output_resistance_ohm
        sags = with_converter(model_a, output_resistance_ohm=more_ohm)
        fallen_v = [
            loaded(model_a, 24.0, load_a).output_voltage_v()
            - loaded(sags, 24.0, load_a).output_voltage_v()
            for load_a in (0.0, 2.0)
        ]

        assert fallen_v == pytest.approx([0.0, 0.2], abs=1e-3)

    def test_doubled_ripple(self, model_a: UnitModel) -> None:
        """Twice the switching ripple is twice the reading where no line ripple comes through."""
        ripple_v = model_a.converter.switching_ripple_v
        doubled = with_converter(model_a, switching_ripple_v=2.0 * ripple_v)
        readings_v = [loaded(one, 24.0, 2.0).output_ripple_v() for one in (model_a, doubled)]

        assert readings_v == pytest.approx([ripple_v, 2.0 * ripple_v], rel=1e-3)

    def test_lost_efficiency(self, model_a: UnitModel) -> None:
        """A tenth of output power lost on top is taken from the line on top (balance of power)."""
        converter = model_a.converter
        lossy = with_converter(
            model_a, proportional_loss_frac=0.1 + converter.proportional_loss_frac
        )
        powers_w = [loaded(one, 24.0, 2.0).source_power_w() for one in (model_a, lossy)]
        # The line's own loss grows a little with the current.
        assert powers_w[1] - powers_w[0] == pytest.approx(0.1 * 10.0, rel=0.05)
