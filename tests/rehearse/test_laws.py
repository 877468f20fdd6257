from __future__ import annotations

import math
from dataclasses import fields, replace

import pytest

from harness.profile.load import load_profile
from harness.qualify.population import Population
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.laws import ASSUMED, LAWS, Laws
from harness.rehearse.unit_model import UnitModel, typical_model
from tests.unit.test_charger_output import output

UNITS = {
    "dc": load_profile("mount-controller-board").unit,
    "ac": load_profile("dome-shutter-power-unit").unit,
}
#: Laws that a unit with this kind of input, and all its nameplate states, does not need.
UNUSED = {"bulk_size"}
#: Laws of the person beside it, none of the unit.
OF_PERSON = {"overlooked", "felt_air"}


def loaded(model: UnitModel, load_a: float = 2.0) -> Circuit:
    """The unit at its nominal voltage and at rest, with a load."""
    kind = model.input_kind
    circuit = circuit_of(model, DC_SUPPLY if kind == "dc" else AC_SOURCE)
    volts = UNITS[kind].input.nominal_v
    circuit.set_load(value=load_a, on=True)
    circuit.set_source(voltage_v=volts, current_limit_a=8.0, frequency_hz=60.0, on=True)
    circuit.advance_to(1.0)
    return circuit


class TestTable:
    @pytest.mark.parametrize("name", LAWS)
    def test_each_law_says_what_it_is(self, name: str) -> None:
        """A law has a sentence, a source, and a range with its usual number inside."""
        law, usual = LAWS[name], getattr(Laws(), name)

        assert law.says
        assert law.source
        assert law.least < law.most
        assert law.least <= usual <= law.most
        assert law.is_assumed == (law.source == ASSUMED)

    def test_none_is_left_out(self) -> None:
        """Every number of the laws is in the table."""
        assert list(LAWS) == [field.name for field in fields(Laws)]

    @pytest.mark.parametrize("kind", UNITS)
    @pytest.mark.parametrize("name", sorted(LAWS.keys() - UNUSED - OF_PERSON))
    def test_each_makes_another_unit(self, name: str, kind: str) -> None:
        """Each end of each range gives another unit than the usual number, on either input."""
        law, unit = LAWS[name], UNITS[kind]
        if law.says.startswith(("AC only", "boost stage")) and kind == "dc":
            return
        if law.says.startswith("charger only"):
            assert typical_model(unit, Laws().but(name, law.least)) == typical_model(unit)
            unit = unit.model_copy(update={"output": {"main": output()}})
        if law.says.startswith("boost stage"):
            line = unit.input.model_copy(update={"boosted_v": 390.0})
            unit = unit.model_copy(update={"input": line})
        usual = typical_model(unit)
        for end in {law.least, law.most} - {getattr(Laws(), name)}:
            assert typical_model(unit, Laws().but(name, end)) != usual

    def test_outside_its_range(self) -> None:
        """A number outside the range, and a name that is none, are refused."""
        with pytest.raises(ValueError, match="ripple_by_bulk is from 0 to 1"):
            Laws().but("ripple_by_bulk", 1.5)
        with pytest.raises(ValueError, match="there is no law 'ripples'"):
            Laws().but("ripples", 1.0)


class TestPopulation:
    def test_its_units_follow_the_laws(self) -> None:
        """A campaign's units are drawn around the unit of its laws, from the same numbers."""
        usual = Population(UNITS["dc"], seed=4).draw(0).model
        other = Population(UNITS["dc"], seed=4, laws=Laws().but("ripple_by_bulk", 0.0)).draw(0)

        assert other.model.converter == replace(usual.converter, ripple_by_bulk_frac=0.0)
        assert other.model.bulk == usual.bulk


class TestWhatTheyDecide:
    @pytest.mark.parametrize(("number", "times"), [(0.0, 1.0), (0.8, 8.2), (1.0, 10.0)])
    def test_ripple_of_a_dead_bulk_capacitor(self, number: float, times: float) -> None:
        """With a tenth of its capacitance left, the ripple of unit A grows 1 + 9 k times."""
        laws = replace(Laws(), ripple_by_bulk=number, line_rejection=0.0)
        model = typical_model(UNITS["dc"], laws)
        dead = replace(model, bulk=model.bulk.aged(0.1))

        ripples_v = [loaded(one).output_ripple_v() for one in (model, dead)]

        assert ripples_v[1] == pytest.approx(times * ripples_v[0], rel=1e-3)

    @pytest.mark.parametrize(("power", "ohm_times"), [(0.0, 1.0), (1.0, 4.0), (2.0, 16.0)])
    def test_ageing(self, power: float, ohm_times: float) -> None:
        """With a quarter left, series resistance is 4 to the power of the law times as high."""
        bulk = typical_model(UNITS["ac"], Laws().but("ageing", power)).bulk

        assert bulk.aged(0.25).series_resistance_ohm == pytest.approx(
            ohm_times * bulk.series_resistance_ohm
        )

    def test_loss_by_line(self) -> None:
        """Where loss goes with the root of bulk voltage, idle power at 12 V of 24 V is 0.7 times.

        The bulk voltages behind the diode stand as 11.55 V to 23.55 V: root 0.700.
        """
        laws = replace(Laws(), loss_by_line=0.5, start_margin=1.0, bulk_leak_s=500.0)
        model = typical_model(UNITS["dc"], laws)
        converter = replace(model.converter, start_v=8.0, stop_v=7.0)
        circuit = loaded(replace(model, converter=converter), load_a=0.0)
        nominal_w = circuit.source_power_w()
        circuit.set_source(voltage_v=12.0)
        circuit.advance_to(6.0)

        assert circuit.source_power_w() / nominal_w == pytest.approx(math.sqrt(0.4905), rel=0.02)

    def test_efficiency(self) -> None:
        """At full load and nominal bulk voltage the converter has the efficiency of the law."""
        for efficiency in (0.86, 0.93):
            converter = typical_model(UNITS["ac"], Laws().but("efficiency", efficiency)).converter
            full_w = converter.output_nominal_w

            assert full_w / converter.input_power_w(full_w) == pytest.approx(efficiency, rel=2e-3)
