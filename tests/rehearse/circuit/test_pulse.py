from __future__ import annotations

from dataclasses import replace

import pytest

from harness.rehearse.circuit import Circuit, ac_source
from harness.rehearse.circuit.half_cycle import HalfCycle
from harness.rehearse.unit_model import UnitModel


def figures(circuit: Circuit) -> tuple[float, ...]:
    return (
        circuit.source_voltage_v(0.05),
        circuit.source_current_a(0.05),
        circuit.source_power_w(0.05),
        circuit.source_peak_current_a(),
        circuit.bulk_voltage_v(),
        circuit.bulk_swing_v(),
        circuit.output_voltage_v(),
        circuit.output_ripple_v(),
        circuit.let_through.charge_c,
        circuit.let_through.energy_j,
        circuit.let_through.i2t_a2s,
    )


def brought_up(model: UnitModel, load_a: float) -> list[tuple[float, ...]]:
    """Figures level by level, through inrush, converter start, load and current limit."""
    circuit = Circuit(model, ac_source())
    circuit.set_load(current_a=load_a, on=True)
    seen = []
    for number, voltage_v in enumerate((12.0, 60.0, 90.0, 120.0), start=1):
        circuit.set_source(voltage_v=voltage_v, current_limit_a=1.2, frequency_hz=60.0, on=True)
        circuit.advance_to(0.4 * number)
        seen.append(figures(circuit))
    return seen


class TestOneLoop:
    @pytest.mark.parametrize("load_a", [0.0, 1.25, 2.5])
    @pytest.mark.parametrize("fault", ["none", "leak", "worn", "half wave", "short"])
    def test_it_gives_what_the_single_steps_give(
        self, model_b: UnitModel, monkeypatch: pytest.MonkeyPatch, load_a: float, fault: str
    ) -> None:
        """A pulse carried in one loop gives the figures of the same steps taken one by one."""
        model = {
            "none": model_b,
            "leak": replace(model_b, defects=replace(model_b.defects, bulk_leak_ohm=900.0)),
            "worn": replace(model_b, bulk=replace(model_b.bulk, capacitance_f=20e-6)),
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
        in_one_loop = brought_up(model, load_a)
        monkeypatch.setattr(HalfCycle, "_pulse", lambda *_: False)
        step_by_step = brought_up(model, load_a)

        assert any(pulses), "no pulse was carried in one loop: there was nothing to compare"
        for one, other in zip(in_one_loop, step_by_step, strict=True):
            assert one == pytest.approx(other, rel=1e-6, abs=1e-9)
