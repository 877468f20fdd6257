from __future__ import annotations

from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, Circuit, circuit_of, half_cycle
from harness.rehearse.circuit.half_cycle import HalfCycle
from harness.rehearse.unit_model import UnitModel
from tests.rehearse.circuit.line_period import (
    bulk_swing_v,
    bulk_voltage_mean_v,
    source_peak_current_a,
)


def figures(circuit: Circuit) -> tuple[float, ...]:
    return (
        circuit.source_voltage_v(0.05),
        circuit.source_current_a(0.05),
        circuit.source_power_w(0.05),
        source_peak_current_a(circuit),
        bulk_voltage_mean_v(circuit, 0.05),
        bulk_swing_v(circuit),
        circuit.output_voltage_v(),
        circuit.output_ripple_v(),
        circuit.let_through.charge_c,
        circuit.let_through.energy_j,
        circuit.let_through.i2t_a2s,
    )


def brought_up(model: UnitModel, load_a: float) -> list[tuple[float, ...]]:
    """Figures level by level, through inrush, converter start and load.

    The limit is wide: a source that hunts about it shows another moment after every rounding.
    """
    # What steps without the pulse knows no inductance.
    model = replace(model, rectifier=replace(model.rectifier, inductance_h=0.0))
    circuit = circuit_of(model, replace(AC_SOURCE, inductance_h=0.0))
    circuit.set_load(value=load_a, on=True)
    seen = []
    for number, voltage_v in enumerate((12.0, 40.0, 100.0, 120.0), start=1):
        circuit.set_source(voltage_v=voltage_v, current_limit_a=8.0, frequency_hz=60.0, on=True)
        circuit.advance_to(0.4 * number)
        seen.append(figures(circuit))
    return seen


class TestLongSteps:
    @pytest.mark.parametrize("load_a", [0.0, 1.25, 2.5])
    @pytest.mark.parametrize("fault", ["none", "leak", "worn", "half wave", "short"])
    def test_they_give_what_short_ones_give(
        self, model_b: UnitModel, monkeypatch: pytest.MonkeyPatch, load_a: float, fault: str
    ) -> None:
        """A handful of long steps gives what hundreds of short ones give, within 3 in 1000."""
        model = {
            "none": model_b,
            "leak": replace(model_b, defects=replace(model_b.defects, bulk_leak_ohm=900.0)),
            "worn": replace(model_b, bulk=replace(model_b.bulk, capacitance_f=70e-6)),
            "half wave": replace(
                model_b, rectifier=replace(model_b.rectifier, conducts_negative=False)
            ),
            "short": replace(model_b, defects=replace(model_b.defects, bulk_short_ohm=300.0)),
        }[fault]
        pulses = []
        carried = HalfCycle._pulse
        monkeypatch.setattr(
            HalfCycle, "_pulse", lambda *given: pulses.append(carried(*given)) or pulses[-1]
        )
        in_long_steps = brought_up(model, load_a)
        monkeypatch.setattr(HalfCycle, "_pulse", lambda *_: False)
        monkeypatch.setattr(half_cycle, "_STEPS", 1000)
        monkeypatch.setattr(half_cycle, "_RISE_STEPS", 200)
        in_short_steps = brought_up(model, load_a)

        assert any(pulses), "no pulse was carried in one loop: there was nothing to compare"
        for one, other in zip(in_long_steps, in_short_steps, strict=True):
            assert one[:3] + one[4:] == pytest.approx(other[:3] + other[4:], rel=3e-3, abs=1e-6)
            # the pulse has the inductance of a metre of wires, the short steps have none
            assert one[3] == pytest.approx(other[3], rel=1.5e-2, abs=1e-6)
