"""What happens when the output of an AC source comes on, against closed formulas."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import Varistor
from harness.unit.formulas import peak_v


def plain(model: UnitModel, **rectifier: float) -> UnitModel:
    """The unit with no drop, no varistor, and a path of the given resistances."""
    bare = {
        "drop_v": 0.0,
        "emission_v": 0.0,
        "resistance_ohm": 0.0,
        "cold_limiter_ohm": 0.0,
        "inductance_h": 0.0,
    }
    return replace(
        model,
        varistor=None,
        fuse=replace(model.fuse, resistance_ohm=0.0),
        rectifier=replace(model.rectifier, **{**bare, **rectifier}),
        bulk=replace(model.bulk, series_resistance_ohm=0.0),
        converter=replace(model.converter, starts=False),
    )


def switched_on(
    model: UnitModel, deg: float | None, *, volts: float = 100.0, hertz: float = 50.0, seed: int = 1
) -> Circuit:
    """The unit empty, on a stiff line that comes on at a phase; no limit."""
    source = replace(
        AC_SOURCE, resistance_ohm=1e-9, wiring_ohm=1e-9, inductance_h=0.0, switch_on_deg=deg
    )
    circuit = circuit_of(model, source, seed=seed)
    circuit.set_source(voltage_v=volts, current_limit_a=1e4, frequency_hz=hertz, on=True)
    return circuit


class TestPeak:
    @pytest.mark.parametrize("deg", [90.0, 270.0])
    @pytest.mark.parametrize("ohm", [10.0, 5.0])
    def test_at_the_crest(self, model_b: UnitModel, deg: float, ohm: float) -> None:
        """At the crest, onto an empty capacitor, the current is crest voltage over resistance.

        100 V onto 10 ohm: 14.14 A (Ohm's law).
        """
        circuit = switched_on(plain(model_b, resistance_ohm=ohm), deg)
        circuit.advance_to(0.1)

        assert circuit.source_peak_current_a() == pytest.approx(peak_v(100.0) / ohm, rel=0.01)

    def test_at_zero(self, model_b: UnitModel) -> None:
        """Closed at a zero crossing it is that of a sine onto R and C in series.

        i = C w V / sqrt(1 + (w R C)^2) (cos(w t - a) - cos(a) exp(-t / R C)), tan(a) = w R C:
        textbook.
        """
        ohm, farad, omega = 10.0, model_b.bulk.capacitance_f, 2.0 * math.pi * 50.0
        tau_s = ohm * farad
        lag = math.atan(omega * tau_s)
        scale_a = farad * omega * peak_v(100.0) * math.cos(lag)
        highest_a = max(
            scale_a * (math.cos(omega * time_s - lag) - math.cos(lag) * math.exp(-time_s / tau_s))
            for time_s in (1e-6 * step for step in range(10_000))
        )
        circuit = switched_on(plain(model_b, resistance_ohm=ohm), 0.0)
        circuit.advance_to(0.1)

        assert circuit.source_peak_current_a() == pytest.approx(highest_a, rel=0.01)

    def test_limiter(self, model_b: UnitModel) -> None:
        """The cold limiter holds the peak down; without it, what is left of the path does."""
        peaks_a = []
        for cold_ohm in (9.0, 0.0):
            circuit = switched_on(plain(model_b, resistance_ohm=1.0, cold_limiter_ohm=cold_ohm), 90)
            circuit.advance_to(0.1)
            peaks_a.append(circuit.source_peak_current_a())

        # a metre of wires, 1 uH, takes a little of the second
        assert peaks_a == pytest.approx([14.142, 141.42], rel=0.03)

    def test_since_the_output_came_on(self, model_b: UnitModel) -> None:
        """It is held while the output stays on and after, and begins again when it comes on."""
        circuit = switched_on(plain(model_b, resistance_ohm=10.0), 90.0)
        circuit.advance_to(0.5)
        held_a = circuit.source_peak_current_a()
        circuit.set_source(on=False)
        off_a = circuit.source_peak_current_a()
        circuit.advance_to(0.6)
        circuit.set_source(on=True)  # with the capacitor charged
        circuit.advance_to(1.0)

        assert held_a == pytest.approx(14.142, rel=0.01)
        assert off_a == held_a  # it can still be read
        assert circuit.source_peak_current_a() < 0.1

    def test_dc(self, model_a: UnitModel) -> None:
        """A DC supply passes its limit and no more."""
        circuit = circuit_of(model_a, DC_SUPPLY)
        circuit.set_source(voltage_v=24.0, current_limit_a=0.7, on=True)
        circuit.advance_to(1.0)

        assert circuit.source_peak_current_a() == pytest.approx(0.7)


class TestInductance:
    @pytest.mark.parametrize("henry", [100e-6, 1e-3])
    def test_rings(self, model_b: UnitModel, henry: float) -> None:
        """Closed at the crest through L and R onto C, the current is that of the series circuit.

        Highest: V sqrt(C / L) exp(-x arccos(x) / sqrt(1 - x x)), x = R / 2 sqrt(C / L); the line
        falls by little meanwhile. Textbook.
        """
        ohm, farad = 0.5, model_b.bulk.capacitance_f
        damping = 0.5 * ohm * math.sqrt(farad / henry)
        decay = damping * math.acos(damping) / math.sqrt(1.0 - damping**2)
        highest_a = peak_v(100.0) * math.sqrt(farad / henry) * math.exp(-decay)
        circuit = switched_on(plain(model_b, resistance_ohm=ohm, inductance_h=henry), 90.0)
        circuit.advance_to(0.02)

        assert circuit.source_peak_current_a() == pytest.approx(highest_a, rel=0.02)


class TestLeakingVaristor:
    @pytest.mark.parametrize("load_a", [0.0, 2.5])
    def test_milliamperes(self, model_b: UnitModel, load_a: float) -> None:
        """A varistor of 12 mA at the crest of 132 V adds the power of its law, at idle and loaded.

        Mean of V I with I = K V^31 over a sine: the mean of sin^32 (Wallis'
        product), 0.14 of the crest's V I; under load its own voltage is a little less.
        """
        crest_v = peak_v(132.0)
        exponent, crest_a = 31.0, 12e-3
        at_1ma_v = crest_v / (crest_a / 1e-3) ** (1.0 / exponent)
        leaking = replace(model_b, varistor=Varistor(voltage_at_1ma_v=at_1ma_v, exponent=exponent))
        sound = replace(model_b, varistor=None)
        powers_w = []
        for model in (sound, leaking):
            circuit = circuit_of(model, AC_SOURCE)
            circuit.set_source(voltage_v=132.0, current_limit_a=8.0, frequency_hz=60.0, on=True)
            circuit.set_load(value=load_a, on=True)
            circuit.advance_to(3.0)
            powers_w.append(circuit.source_power_w(0.1))
        wallis = math.prod((2.0 * n - 1.0) / (2.0 * n) for n in range(1, 17))
        added_w = crest_v * crest_a * wallis

        assert powers_w[1] - powers_w[0] == pytest.approx(added_w, rel=0.2 if load_a else 0.02)

    def test_it_is_nothing_at_the_nominal_line(self, model_b: UnitModel) -> None:
        """The same varistor adds less than 30 mW at 120 V: (120 / 132)^32 is a twentieth."""
        crest_v = peak_v(132.0)
        leaking = Varistor(voltage_at_1ma_v=crest_v / 12.0 ** (1.0 / 31.0), exponent=31.0)
        powers_w = []
        for model in (replace(model_b, varistor=None), replace(model_b, varistor=leaking)):
            circuit = circuit_of(model, AC_SOURCE)
            circuit.set_source(voltage_v=120.0, current_limit_a=8.0, frequency_hz=60.0, on=True)
            circuit.advance_to(3.0)
            powers_w.append(circuit.source_power_w(0.1))

        assert 0.0 < powers_w[1] - powers_w[0] < 0.03


class TestLimiter:
    def test_out_of_the_way_once_the_converter_runs(self, model_b: UnitModel) -> None:
        """At full load a unit with a cold limiter draws what one without it draws."""
        currents_a = []
        for cold_ohm in (10.0, 0.0):
            model = replace(
                model_b, rectifier=replace(model_b.rectifier, cold_limiter_ohm=cold_ohm)
            )
            circuit = circuit_of(model, AC_SOURCE)
            circuit.set_source(voltage_v=120.0, current_limit_a=8.0, frequency_hz=60.0, on=True)
            circuit.set_load(value=2.5, on=True)
            circuit.advance_to(2.0)
            currents_a.append(circuit.source_current_a(0.1))

        assert currents_a[0] == pytest.approx(currents_a[1], rel=1e-4)


class TestPhase:
    def test_any(self, model_b: UnitModel) -> None:
        """Without a phase of its own the source comes on at any, by the seed and each time anew."""
        model = plain(model_b, resistance_ohm=10.0)
        peaks_a = {}
        for seed in range(40):
            circuit = switched_on(model, None, seed=seed)
            circuit.advance_to(0.1)
            peaks_a[seed] = circuit.source_peak_current_a()
        again = switched_on(model, None, seed=7)
        again.advance_to(0.1)

        # from a zero crossing at 5.3 A to the crest at 14.1 A
        assert min(peaks_a.values()) < 6.5
        assert max(peaks_a.values()) > 13.5
        assert again.source_peak_current_a() == peaks_a[7]

    @pytest.mark.parametrize("deg", [0.0, 70.0, 200.0, 359.0])
    def test_it_does_not_matter_later(self, model_b: UnitModel, deg: float) -> None:
        """At rest, nothing tells at which phase the output came on."""
        figures = []
        for each in (0.0, deg):
            source = replace(AC_SOURCE, switch_on_deg=each)
            circuit = circuit_of(model_b, source)
            circuit.set_source(voltage_v=120.0, current_limit_a=1.5, frequency_hz=60.0, on=True)
            circuit.set_load(value=2.0, on=True)
            circuit.advance_to(2.0)
            figures.append(
                (
                    circuit.source_voltage_v(0.05),
                    circuit.source_current_a(0.05),
                    circuit.source_power_w(0.05),
                    circuit.output_voltage_v(),
                )
            )

        assert figures[1] == pytest.approx(figures[0], rel=2e-4)

    def test_off_before_the_first_zero_crossing(self, model_b: UnitModel) -> None:
        """An output that goes off within its first half-cycle has charged what flowed till then."""
        circuit = switched_on(plain(model_b, resistance_ohm=10.0), 90.0)
        circuit.advance_to(1e-3)
        circuit.set_source(on=False)
        charged_v = circuit.bulk_v
        circuit.advance_to(0.1)

        # R C is 1.5 ms: a share of 1 - exp(-1 / 1.5) of the crest, or a little less
        assert charged_v == pytest.approx(0.487 * peak_v(100.0), rel=0.03)
        assert circuit.bulk_v == pytest.approx(charged_v, rel=0.01)
        assert circuit.source_current_a() == 0.0
