from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.rehearse import needs
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.faults import FAULTS
from harness.rehearse.unit_model import Onset, UnitModel, typical_model
from harness.rehearse.unit_parts import InrushLimiter
from harness.unit.nameplate import Unit
from tests.rehearse.circuit.line_period import bulk_swing_v

LEVELS = (0.1, 0.25, 0.5, 0.75, 1.0)
WINDOW_S = 0.1


def unit(kind: str) -> Unit:
    """A 24 V DC board with 5 V out, or a 120 V AC power unit with 24 V out."""
    if kind == "dc":
        line = {"kind": "dc", "nominal": "24 V", "bulk_capacitance": "470 uF"}
        output = {"kind": "dc", "nominal": "5 V", "current": "2 A"}
    else:
        line = {"kind": "ac", "nominal": "120 V", "bulk_capacitance": "150 uF"}
        line |= {"frequency": ["60 Hz"], "idle_power": "2 W", "start_threshold": "55 V"}
        output = {"kind": "dc", "nominal": "24 V", "current": "2.5 A"}
    return Unit.model_validate(
        {
            "input": {"tolerance": "10 %", "current": "1.2 A", **line},
            "output": {"main": output},
            "protection_class": "II",
        }
    )


def faulty(kind: str, name: str) -> UnitModel:
    """The unit of that kind with the fault."""
    return FAULTS[name].apply(typical_model(unit(kind)))


def start(model: UnitModel, *, upto: float = 1.0, limit_a: float = 0.4, seed: int = 1) -> Circuit:
    """Take the unit through the start levels, a second each."""
    source = DC_SUPPLY if model.input_kind == "dc" else AC_SOURCE
    nominal_v = 24.0 if model.input_kind == "dc" else 120.0
    circuit = circuit_of(model, source, seed=seed)
    circuit.set_source(current_limit_a=limit_a, frequency_hz=60.0, on=True)
    for number, level in enumerate(LEVELS, start=1):
        if level <= upto:
            circuit.set_source(voltage_v=level * nominal_v)
            circuit.advance_to(float(number))
    return circuit


both_kinds = pytest.mark.parametrize("kind", ["dc", "ac"])
#: Every fault with each kind of unit that can have it; those of a boost stage have tests of their
#: own.
EVERY = [
    (kind, name) for name, fault in FAULTS.items() for kind in ("ac", "dc") if fault.fits(kind)
]


class TestNames:
    def test_every_fault_says_what_it_is(self) -> None:
        """Each fault is filed under its own name and has a summary a technician understands."""
        for name, fault in FAULTS.items():
            assert fault.name == name
            assert len(fault.summary.split()) >= 2

    @pytest.mark.parametrize(("kind", "name"), EVERY)
    def test_a_fault_changes_the_unit(self, kind: str, name: str) -> None:
        """Every fault makes a unit that differs from the healthy one."""
        assert faulty(kind, name) != typical_model(unit(kind))

    def test_a_fault_of_the_other_kind_is_refused(self) -> None:
        """A fault that a unit cannot have is refused by name."""
        fault = replace(FAULTS["open-fuse"], kinds=frozenset({"ac"}))

        with pytest.raises(ValueError, match="open-fuse does not apply to a unit with dc input"):
            fault.apply(typical_model(unit("dc")))


class TestShorts:
    @pytest.mark.parametrize("name", ["shorted-input", "shorted-varistor", "shorted-switch"])
    @both_kinds
    def test_current_without_voltage_at_the_first_level(self, kind: str, name: str) -> None:
        """A short holds the supply in its limit at the first level, with hardly any voltage."""
        circuit = start(faulty(kind, name), upto=0.1)

        assert circuit.source_limiting()
        assert circuit.source_current_a(WINDOW_S) == pytest.approx(0.4, rel=0.05)
        assert circuit.source_voltage_v(WINDOW_S) < (2.4 if kind == "dc" else 12.0)
        assert circuit.let_through.charge_c > 0.0

    @both_kinds
    def test_breakdown_comes_at_its_voltage(self, kind: str) -> None:
        """A weak switch holds up to half of nominal and breaks over below nominal, for good."""
        model = faulty(kind, "switch-breakdown")
        before = start(model, upto=0.5)
        after = start(model, upto=0.75)
        broken_v = after.bulk_v

        assert before.let_through.charge_c == 0.0
        assert after.let_through.charge_c > 0.0
        assert after.source_limiting()
        assert broken_v < 0.1 * model.converter.nominal_bulk_v

    @both_kinds
    def test_let_through_energy_is_heat_of_the_path(self, kind: str) -> None:
        """Energy through a short is its I2t times its resistance."""
        model = faulty(kind, "shorted-varistor")
        path = start(model, upto=0.1).let_through

        assert path.energy_j == pytest.approx(path.i2t_a2s * model.defects.input_short_ohm)


class TestOpenPaths:
    @both_kinds
    def test_open_fuse(self, kind: str) -> None:
        """With the fuse open there is voltage and no current."""
        circuit = start(faulty(kind, "open-fuse"))

        assert circuit.source_voltage_v(WINDOW_S) > 20.0
        assert circuit.source_current_a(WINDOW_S) < 1e-4
        assert circuit.bulk_v == 0.0

    def test_open_series_diode(self) -> None:
        """With the series diode open nothing reaches the bulk capacitor."""
        circuit = start(faulty("dc", "open-rectifier-diode"))

        assert circuit.bulk_v == 0.0
        assert circuit.output_voltage_v() == 0.0

    def test_open_bridge_leg(self) -> None:
        """With a leg of the bridge open the unit works, with twice the bulk ripple."""
        circuits = [start(typical_model(unit("ac"))), start(faulty("ac", "open-rectifier-diode"))]
        for circuit in circuits:
            circuit.set_source(current_limit_a=2.0)
            circuit.set_load(value=2.5, on=True)
            circuit.advance_to(8.0)
        healthy, half_wave = circuits

        assert half_wave.output_voltage_v() == pytest.approx(24.0, rel=0.01)
        assert bulk_swing_v(half_wave) > 1.8 * bulk_swing_v(healthy)
        assert half_wave.source_current_a(WINDOW_S) > 1.2 * healthy.source_current_a(WINDOW_S)

    @both_kinds
    def test_no_start(self, kind: str) -> None:
        """A converter that does not start leaves a charged input and no output."""
        model = faulty(kind, "no-start")
        circuit = start(model)

        assert circuit.bulk_v == pytest.approx(model.converter.nominal_bulk_v, rel=0.02)
        assert circuit.output_voltage_v() == 0.0

    @both_kinds
    def test_intermittent_contact(self, kind: str) -> None:
        """A bad contact takes the output down now and then, at times that the seed decides."""

        def outputs(seed: int) -> list[float]:
            circuit = start(faulty(kind, "intermittent-contact"), limit_a=1.5, seed=seed)
            circuit.set_load(value=1.0, on=True)
            values = []
            for step in range(100):
                circuit.advance_to(5.0 + 0.1 * step)
                values.append(circuit.output_voltage_v())
            return values

        values = outputs(seed=1)

        assert min(values) < 1.0
        assert max(values) > 4.0
        assert outputs(seed=1) == values
        assert outputs(seed=2) != values


class TestCapacitor:
    @both_kinds
    def test_leak_draws_current_at_the_first_level(self, kind: str) -> None:
        """A leaky capacitor draws more than a healthy unit may, from the first level on."""
        circuit = start(faulty(kind, "leaky-bulk-capacitor"), upto=0.1)

        assert circuit.source_current_a(WINDOW_S) > 2 * 0.01 * 1.2
        assert circuit.let_through.charge_c > 0.0

    @both_kinds
    def test_lost_capacitance_shows_as_ripple(self, kind: str) -> None:
        """A dried-out capacitor multiplies the output's ripple by five, even at idle."""
        healthy = start(typical_model(unit(kind)))
        weak = start(faulty(kind, "weak-bulk-capacitor"))

        assert weak.output_ripple_v() > 5.0 * healthy.output_ripple_v()

    def test_lost_capacitance_lets_the_output_dip(self) -> None:
        """At full load a dried-out capacitor cannot bridge half a line period."""
        circuit = start(faulty("ac", "weak-bulk-capacitor"))
        circuit.set_source(current_limit_a=1.5)
        circuit.set_load(value=2.5, on=True)
        circuit.advance_to(8.0)

        assert circuit.output_voltage_v() < 20.0
        assert circuit.output_ripple_v() > 0.5


class TestOutput:
    @pytest.mark.parametrize(("name", "factor"), [("output-low", 0.94), ("output-high", 1.06)])
    @both_kinds
    def test_output_off_its_value(self, kind: str, name: str, factor: float) -> None:
        """A drifted output is 6 % off."""
        nominal_v = 5.0 if kind == "dc" else 24.0
        circuit = start(faulty(kind, name))

        assert circuit.output_voltage_v() == pytest.approx(factor * nominal_v, rel=0.005)

    @both_kinds
    def test_folded_limit_shows_under_load_only(self, kind: str) -> None:
        """An output with a folded limit holds half its nominal current and not all of it."""
        circuit = start(faulty(kind, "current-limit-folded-back"), limit_a=1.5)
        nominal_v, nominal_a = (5.0, 2.0) if kind == "dc" else (24.0, 2.5)
        circuit.set_load(value=0.5 * nominal_a, on=True)
        circuit.advance_to(7.0)
        half_v = circuit.output_voltage_v()
        circuit.set_load(value=nominal_a)
        circuit.advance_to(8.0)

        assert FAULTS["current-limit-folded-back"].need is needs.NOMINAL_LOAD
        assert half_v == pytest.approx(nominal_v, rel=0.01)
        assert circuit.output_voltage_v() < 0.1 * nominal_v

    @both_kinds
    def test_over_consumption(self, kind: str) -> None:
        """The over-consuming unit works, and draws more than its idle power."""
        model = faulty(kind, "idle-over-consumption")
        nameplate = unit(kind).input
        circuit = start(model, limit_a=1.5)

        assert circuit.source_power_w(WINDOW_S) > 2.0 * nameplate.idle_power_w
        assert circuit.output_voltage_v() > 4.9
        assert not circuit.source_limiting()


class TestHealthy:
    @both_kinds
    def test_nothing_is_let_through(self, kind: str) -> None:
        """A healthy unit lets nothing through a fault path."""
        path = start(typical_model(unit(kind))).let_through

        assert (path.charge_c, path.energy_j, path.i2t_a2s) == (0.0, 0.0, 0.0)


#: Share of nominal voltage, share of nominal current as limit, load as a share, seconds to hold.
MOVES = st.lists(
    st.tuples(
        st.sampled_from([0.0, 0.1, 0.5, 0.75, 1.0, 1.1]),
        st.sampled_from([0.0, 0.05, 0.4, 2.0]),
        st.sampled_from([0.0, 0.5, 1.0, 1.3]),
        st.sampled_from([0.001, 0.02, 0.3]),
    ),
    min_size=1,
    max_size=5,
)


@settings(max_examples=60)
@given(
    kind=st.sampled_from(["dc", "ac"]),
    names=st.sets(st.sampled_from(sorted(FAULTS)), max_size=3),
    moves=MOVES,
)
def test_no_unit_makes_energy(
    kind: str, names: set[str], moves: list[tuple[float, float, float, float]]
) -> None:
    """With any faults and settings all values stay finite, and the unit never feeds the supply."""
    subject = unit(kind)
    model = typical_model(subject)
    for name in sorted(names):
        if FAULTS[name].fits(kind):
            model = FAULTS[name].apply(model)
    circuit = circuit_of(model, DC_SUPPLY if kind == "dc" else AC_SOURCE)
    circuit.set_source(frequency_hz=60.0, on=True)
    line, peak_v = subject.input, 1.1 * subject.input.nominal_v * subject.input.peak_factor
    time_s = 0.0
    for volts, amps, load, hold_s in moves:
        circuit.set_source(voltage_v=volts * line.nominal_v, current_limit_a=amps * line.current_a)
        circuit.set_load(value=load * model.converter.output_nominal_a, on=load > 0.0)
        for _ in range(4):
            time_s += hold_s
            circuit.advance_to(time_s)
            values = (
                circuit.source_voltage_v(WINDOW_S),
                circuit.source_current_a(WINDOW_S),
                circuit.source_power_w(WINDOW_S),
                circuit.output_voltage_v(),
                circuit.output_ripple_v(),
                circuit.bulk_v,
                circuit.let_through.energy_j,
            )

            assert all(math.isfinite(value) and value > -1e-6 for value in values)
            assert circuit.bulk_v <= peak_v + 0.01


#: Faults with a severity, and those that may come late.
GRADED = [name for name, fault in FAULTS.items() if fault.severity is not None]
LATE = [name for name, fault in FAULTS.items() if fault.onset is not None]


class TestSeverity:
    @pytest.mark.parametrize(("kind", "name"), [one for one in EVERY if one[1] in GRADED])
    def test_the_usual_severity_is_the_one_left_out(self, kind: str, name: str) -> None:
        """A fault without a severity, with the usual one by name and by number is the same."""
        model, severity = typical_model(unit(kind)), FAULTS[name].severity
        assert severity is not None

        assert FAULTS[name].apply(model, severity="usual") == faulty(kind, name)
        assert FAULTS[name].apply(model, severity=severity.levels[1]) == faulty(kind, name)

    @pytest.mark.parametrize("name", GRADED)
    def test_named_severities_are_in_order(self, name: str) -> None:
        """Usual lies between mild and severe, and all three inside what the fault can be."""
        severity = FAULTS[name].severity
        assert severity is not None
        numbers = list(severity.levels)

        assert numbers in (sorted(numbers), sorted(numbers, reverse=True))
        assert severity.within[0] <= min(numbers)
        assert max(numbers) <= severity.within[1]

    @pytest.mark.parametrize("name", sorted({name for _, name in EVERY} - set(GRADED)))
    def test_some_faults_have_none(self, name: str) -> None:
        """A fault that is there or not refuses a severity by name."""
        with pytest.raises(ValueError, match=f"{name} is there or it is not"):
            FAULTS[name].apply(typical_model(unit("dc")), severity="mild")

    @pytest.mark.parametrize("severity", ["terrible", 0.0, -1.0, math.nan, math.inf])
    def test_a_severity_that_means_nothing_is_refused(self, severity: float | str) -> None:
        """A word that is no severity, zero, not-a-number and infinity are refused."""
        with pytest.raises(ValueError, match="severity is"):
            FAULTS["shorted-switch"].apply(typical_model(unit("dc")), severity=severity)

    def test_leak_takes_its_share_of_full_power(self) -> None:
        """A leak of severity 0.5 takes half of full-load input power at nominal (Ohm's law)."""
        model = FAULTS["leaky-bulk-capacitor"].apply(typical_model(unit("dc")), severity=0.5)
        converter = model.converter
        full_w = converter.input_power_w(converter.output_v * converter.output_nominal_a)

        leak_w = converter.nominal_bulk_v**2 / model.defects.bulk_leak_ohm
        assert leak_w == pytest.approx(0.5 * full_w)


class TestShortedBridgeDiode:
    def test_every_second_half_of_the_line_is_shorted(self) -> None:
        """At 12 V the short takes a half-wave: rms current is peak voltage over twice its path."""
        model = FAULTS["shorted-bridge-diode"].apply(typical_model(unit("ac")), severity=1.0)
        circuit = start(model, upto=0.1, limit_a=100.0)
        source = AC_SOURCE
        path_ohm = source.resistance_ohm + source.wiring_ohm + model.fuse.resistance_ohm
        # the converter does not run yet: the inrush limiter is cold
        path_ohm += model.rectifier.resistance_ohm + model.rectifier.cold_limiter_ohm + 1.0

        assert circuit.source_current_a() == pytest.approx(12.0 * 2**0.5 / (2 * path_ohm), rel=0.02)
        assert circuit.let_through.i2t_a2s > 0.0

    def test_a_warming_limiter_does_not_end_the_short(self) -> None:
        """An inrush limiter that warms within a half-cycle leaves the shorted diode shorted."""
        model = FAULTS["shorted-bridge-diode"].apply(typical_model(unit("ac")), severity=1.0)
        limiter = InrushLimiter(cold_ohm=1.0, heat_time_s=0.05)
        warming = replace(model, rectifier=replace(model.rectifier, limiter=limiter))
        cold_ohm = model.rectifier.resistance_ohm + limiter.cold_ohm
        cold = replace(model, rectifier=replace(model.rectifier, resistance_ohm=cold_ohm))
        currents_a = [
            start(one, upto=0.1, limit_a=100.0).source_current_a() for one in (cold, warming)
        ]

        assert currents_a[1] > currents_a[0]


class TestOnset:
    @pytest.mark.parametrize("name", LATE)
    @both_kinds
    def test_nothing_tells_before(self, kind: str, name: str) -> None:
        """Until its onset a late fault draws what the healthy unit draws, and lets nothing out."""
        model = FAULTS[name].apply(typical_model(unit(kind)), onset=Onset(time_s=100.0))
        late, healthy = start(model), start(typical_model(unit(kind)))

        assert late.let_through.charge_c == 0.0
        assert late.output_voltage_v() == healthy.output_voltage_v()
        assert late.source_power_w(WINDOW_S) == pytest.approx(
            healthy.source_power_w(WINDOW_S), rel=1e-6
        )

    @pytest.mark.parametrize("name", LATE)
    @both_kinds
    def test_it_shows_at_its_time(self, kind: str, name: str) -> None:
        """From its onset on something goes through the fault."""
        model = FAULTS[name].apply(typical_model(unit(kind)), onset=Onset(time_s=4.5))

        assert start(model).let_through.charge_c > 0.0

    @pytest.mark.parametrize(("kind", "name"), [one for one in EVERY if one[1] not in LATE])
    def test_other_faults_cannot_come_late(self, kind: str, name: str) -> None:
        """A fault that has no onset refuses one by name."""
        with pytest.raises(ValueError, match=f"{name} is there from the beginning"):
            FAULTS[name].apply(typical_model(unit(kind)), onset=Onset(time_s=1.0))
