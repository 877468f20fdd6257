from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.profile.level import LoadMode
from harness.profile.load import load_profile
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.converter import OutputLoad
from harness.rehearse.unit_model import typical_model


def running(kind: str) -> Circuit:
    name = "mount-controller-board" if kind == "dc" else "dome-shutter-power-unit"
    circuit = circuit_of(
        typical_model(load_profile(name).unit), DC_SUPPLY if kind == "dc" else AC_SOURCE
    )
    circuit.set_source(
        voltage_v=24.0 if kind == "dc" else 120.0, current_limit_a=4.0, frequency_hz=60.0, on=True
    )
    circuit.advance_to(0.5)
    return circuit


class TestOneUnit:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    @pytest.mark.parametrize("mode", ["resistance", "power"])
    def test_it_settles_where_the_law_says(self, kind: str, mode: LoadMode) -> None:
        """Output voltage and current satisfy V = R I, or P = V I, once all is at rest."""
        circuit = running(kind)
        nominal_v = circuit.output_voltage_v()
        value = 5.0 * nominal_v / 5.0 if mode == "resistance" else nominal_v
        circuit.set_load(mode=mode, value=value, on=True)  # about one ampere
        circuit.advance_to(1.5)
        voltage_v, current_a = circuit.output_voltage_v(), circuit.converter.output_a
        product = voltage_v / current_a if mode == "resistance" else voltage_v * current_a

        assert product == pytest.approx(value, rel=2e-3)

    def test_a_resistor_by_hand_adds_to_the_electronic_load(self) -> None:
        """Both hang on the same output: their currents add up."""
        circuit = running("dc")
        circuit.set_load(value=0.5, on=True)
        circuit.connect_resistor(10.0)
        circuit.advance_to(1.0)

        assert circuit.converter.output_a == pytest.approx(0.5 + 5.0 / 10.0, rel=0.01)
        circuit.connect_resistor(math.inf)
        circuit.advance_to(1.5)
        assert circuit.converter.output_a == pytest.approx(0.5)

    def test_too_much_lets_the_output_give_in(self) -> None:
        """Below its smallest load the converter limits, and the voltage falls with R I."""
        circuit = running("dc")
        circuit.set_load(mode="resistance", value=1.0, on=True)  # 5 A where 2.5 A is the limit
        circuit.advance_to(2.0)

        assert circuit.output_voltage_v() < 3.0

    @pytest.mark.parametrize("looks", [1, 500])
    def test_what_gives_in_on_a_resistor_comes_to_rest(self, looks: int) -> None:
        """At its limit the output stands at I R, however long nobody looks. Source: Ohm's law."""
        circuit = running("dc")
        limit_a = circuit.model.converter.output_limit_a
        ohm = 0.5 * circuit.output_voltage_v() / limit_a
        circuit.connect_resistor(ohm)
        for look in range(1, looks + 1):
            circuit.advance_to(0.5 + 3.0 * look / looks)

        assert circuit.output_voltage_v() == pytest.approx(limit_a * ohm, rel=2e-3)
        assert circuit.converter.output_a == pytest.approx(limit_a, rel=2e-3)
        assert circuit.converter.is_still

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_to_hold_a_voltage_it_takes_the_output_s_limit(self, kind: str) -> None:
        """The output falls to the voltage that is held, and gives its limit; above it, nothing."""
        circuit = running(kind)
        limit_a, nominal_v = circuit.model.converter.output_limit_a, circuit.output_voltage_v()
        circuit.set_load(mode="voltage", value=0.8 * nominal_v, on=True)
        circuit.advance_to(1.5)
        assert circuit.output_voltage_v() == pytest.approx(0.8 * nominal_v)
        assert circuit.converter.output_a == pytest.approx(limit_a)

        circuit.set_load(value=1.2 * nominal_v)
        circuit.advance_to(2.5)
        assert circuit.output_voltage_v() == pytest.approx(nominal_v)
        assert circuit.converter.output_a == 0.0

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_a_unit_starts_up_to_the_voltage_that_is_held(self, kind: str) -> None:
        """Below it the load takes nothing; off, the output falls to it at once and no further."""
        circuit = running(kind)
        nominal_v = circuit.output_voltage_v()
        circuit.set_source(on=False)
        circuit.advance_to(60.0)
        circuit.set_load(mode="voltage", value=0.5 * nominal_v, on=True)
        circuit.set_source(on=True)
        circuit.advance_to(62.0)
        assert circuit.output_voltage_v() == pytest.approx(0.5 * nominal_v)
        assert circuit.converter.output_a > 0.0

    def test_a_stopped_unit_takes_nothing(self) -> None:
        """After off a load that follows the voltage falls to nothing with it."""
        circuit = running("ac")
        circuit.set_load(mode="resistance", value=20.0, on=True)
        circuit.advance_to(1.0)
        circuit.set_source(on=False)
        circuit.advance_to(20.0)

        assert circuit.converter.output_a == pytest.approx(0.0, abs=1e-3)


@given(
    st.sampled_from(["current", "resistance", "power", "voltage"]),
    st.floats(0.5, 100.0),
    st.floats(0.0, 60.0),
)
def test_current_is_never_negative_nor_beyond_the_instrument(
    mode: LoadMode, value: float, voltage_v: float
) -> None:
    """Whatever it is told, at any voltage, the load takes between nothing and its most."""
    load = OutputLoad()
    load.on = True
    load.mode, load.levels[mode] = mode, min(value, 10.0) if mode == "current" else value

    assert 0.0 <= load.current_a(voltage_v) <= 10.0
