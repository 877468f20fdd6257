"""Transients of the simulated circuit against scipy's solvers: a second, independent reference.

The equations are written out here again, node by node, from Kirchhoff's laws and the parts' own
laws (textbook), and handed to ``scipy.integrate.solve_ivp``. Nothing of the simulator's solvers is
used.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import pytest

from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.unit_model import UnitModel
from harness.rehearse.unit_parts import (
    KELVIN,
    Bulk,
    Case,
    Converter,
    Fuse,
    InrushLimiter,
    Rectifier,
    Varistor,
)

#: Agreement asked for, as a share of the largest value.
AGREEMENT = 0.005

#: Supply: regulator resistance and output capacitor; leads; series path; bulk; leak.
REG_OHM, OUT_F, LINE_OHM, SERIES_OHM, DROP_V = 0.02, 220e-6, 0.11, 0.15, 0.2
ESR_OHM, BULK_F, LEAK_OHM = 0.1, 470e-6, 1e5
SET_V, LIMIT_A = 24.0, 0.5


def converter(**changes: float | bool) -> Converter:
    values: dict[str, float | bool] = {
        "start_v": 1e3,
        "stop_v": 1e2,
        "starts": False,
        "idle_power_w": 0.0,
        "proportional_loss_frac": 0.0,
        "square_loss_frac": 0.0,
        "output_v": 5.0,
        "output_nominal_a": 2.0,
        "output_limit_a": 100.0,
        "output_resistance_ohm": 0.0,
        "output_capacitance_f": 500e-6,
        "output_bleed_ohm": 1e6,
        "nominal_bulk_v": 24.0,
        "restart_delay_s": 0.05,
        "soft_start_s": 0.02,
        "switching_ripple_v": 0.0,
    }
    return Converter(**{**values, **changes})  # type: ignore[arg-type]


def unit(kind: str = "dc") -> UnitModel:
    return UnitModel(
        input_kind="dc" if kind == "dc" else "ac",
        fuse=Fuse(rating_a=1e3, melting_i2t_a2s=1e9, heat_time_s=1e3, resistance_ohm=0.0),
        varistor=None,
        rectifier=Rectifier(drop_v=DROP_V, resistance_ohm=SERIES_OHM),
        bulk=Bulk(
            capacitance_f=BULK_F,
            nominal_capacitance_f=BULK_F,
            series_resistance_ohm=ESR_OHM,
            leakage_ohm=LEAK_OHM,
            ageing=1.0,
        ),
        converter=converter(),
        case=Case(rise_k_per_w=4.0, heating_s=600.0),
    )


def switched_on(model: UnitModel, *, volts: float = SET_V, limit_a: float = LIMIT_A) -> Circuit:
    """The simulated circuit, just switched on."""
    if model.input_kind == "dc":
        source = replace(
            DC_SUPPLY, resistance_ohm=REG_OHM, wiring_ohm=LINE_OHM, output_capacitance_f=OUT_F
        )
    else:
        source = replace(AC_SOURCE, resistance_ohm=0.0, wiring_ohm=LINE_OHM, switch_on_deg=0.0)
    circuit = circuit_of(model, source)
    circuit.set_source(voltage_v=volts, current_limit_a=limit_a, frequency_hz=50.0, on=True)
    return circuit


def given_a(terminal_v: float, *, volts: float = SET_V, limit_a: float = LIMIT_A) -> float:
    """What the supply's regulator gives."""
    return min(max((volts - terminal_v) / REG_OHM, 0.0), limit_a)


def solved(
    rates: Callable[[float, Sequence[float]], Sequence[float]],
    start: Sequence[float],
    times: Sequence[float],
    events: Any = None,
    longest_s: float = math.inf,
) -> Any:
    """Solve with scipy's implicit Radau method, tight enough to be the reference."""
    from scipy.integrate import solve_ivp

    found = solve_ivp(
        rates,
        (0.0, times[-1]),
        start,
        method="Radau",
        t_eval=times,
        rtol=1e-6,
        atol=1e-8,
        events=events,
        max_step=longest_s,
    )
    assert found.success
    return found


class TestCharge:
    """A bulk capacitor filled under current limit."""

    TIMES = tuple(1e-3 * step for step in range(1, 61))

    @staticmethod
    def rates(_: float, state: Sequence[float]) -> tuple[float, float]:
        """Return the slopes of terminal and bulk voltage."""
        terminal_v, bulk_v = state
        # Behind the diode: leak and capacitor with its series resistance.
        path_ohm = LINE_OHM + SERIES_OHM + ESR_OHM
        rectifier_a = max(terminal_v - DROP_V - bulk_v, 0.0) / path_ohm
        return (
            (given_a(terminal_v) - rectifier_a) / OUT_F,
            (rectifier_a - bulk_v / LEAK_OHM) / BULK_F,
        )

    def test_voltages(self) -> None:
        """Terminal and bulk voltage follow the solution all the way into rest."""
        found = solved(self.rates, (0.0, 0.0), self.TIMES)
        circuit = switched_on(unit())
        for time_s, terminal_v, bulk_v in zip(self.TIMES, *found.y, strict=True):
            circuit.advance_to(time_s)

            assert circuit.source_voltage_v() == pytest.approx(terminal_v, abs=AGREEMENT * SET_V)
            assert circuit.bulk_v == pytest.approx(bulk_v, abs=AGREEMENT * SET_V)


class TestConverterStart:
    """A converter that starts on a bulk capacitor that still fills: soft start, then load."""

    START_V, SOFT_S, NOMINAL_V, OUTPUT_F, LOAD_A, IDLE_W = 13.0, 0.02, 5.0, 500e-6, 0.5, 0.5

    def test_time_to_start_and_voltages(self) -> None:
        """Start within 0.5 % of its time; bulk voltage through the soft start as solved."""
        slope = self.NOMINAL_V / self.SOFT_S

        def filling(_: float, state: Sequence[float]) -> tuple[float, float]:
            return TestCharge.rates(0.0, state)

        def starts(_: float, state: Sequence[float]) -> float:
            return state[1] - self.START_V

        starts.terminal = True  # type: ignore[attr-defined]
        first = solved(filling, (0.0, 0.0), (0.001, 0.06), events=starts)
        start_s, state = float(first.t_events[0][0]), first.y_events[0][0]

        def running(time_s: float, state: Sequence[float]) -> tuple[float, float]:
            terminal_v, bulk_v = state
            output_v = min(slope * time_s, self.NOMINAL_V)
            filling_a = slope * self.OUTPUT_F if time_s < self.SOFT_S else 0.0
            load_a = min(self.LOAD_A, output_v / 0.05)
            power_w = self.IDLE_W + output_v * (load_a + filling_a)
            drawn_a = power_w / bulk_v
            path_ohm = LINE_OHM + SERIES_OHM + ESR_OHM
            # The converter hangs in front of the series resistance, so part of its current
            # comes from the capacitor and part from the line.
            rectifier_a = max(terminal_v - DROP_V - bulk_v + ESR_OHM * drawn_a, 0.0) / path_ohm
            return (
                (given_a(terminal_v) - rectifier_a) / OUT_F,
                (rectifier_a - drawn_a - bulk_v / LEAK_OHM) / BULK_F,
            )

        times = [1e-3 * step for step in range(1, 41)]
        found = solved(running, state, times, longest_s=1e-3)
        convert = converter(
            starts=True,
            start_v=self.START_V,
            stop_v=8.0,
            soft_start_s=self.SOFT_S,
            idle_power_w=self.IDLE_W,
        )
        circuit = switched_on(replace(unit(), converter=convert))
        circuit.set_load(value=self.LOAD_A, on=True)
        circuit.advance_to(start_s + 0.01)
        half_way_v = circuit.converter.output_v

        assert start_s + 0.01 - half_way_v / slope == pytest.approx(start_s, rel=AGREEMENT)
        for time_s, bulk_v in zip(times[10:], found.y[1][10:], strict=True):
            circuit.advance_to(start_s + time_s)
            assert circuit.bulk_v == pytest.approx(bulk_v, abs=AGREEMENT * SET_V)


class TestInrushLimiter:
    """First charge through a thermistor that warms while it carries the charge."""

    LIMITER = InrushLimiter(
        cold_ohm=10.0, beta_k=3000.0, dissipation_w_per_k=0.005, heat_time_s=10.0
    )
    BULK_F = 2200e-6

    def ohm(self, kelvin: float) -> float:
        """Return the thermistor's resistance."""
        return 10.0 * math.exp(3000.0 * (1.0 / kelvin - 1.0 / 298.15))

    def heating(self, current_a: float, kelvin: float) -> float:
        """Return the slope of its temperature."""
        power_w = current_a**2 * self.ohm(kelvin)
        return (power_w - 0.005 * (kelvin - 298.15)) / (0.005 * 10.0)

    def test_from_a_dc_supply(self) -> None:
        """Bulk voltage and temperature follow the solution of three coupled equations."""

        def rates(_: float, state: Sequence[float]) -> tuple[float, float, float]:
            terminal_v, bulk_v, kelvin = state
            path_ohm = LINE_OHM + self.ohm(kelvin) + ESR_OHM
            series_a = max(terminal_v - DROP_V - bulk_v, 0.0) / path_ohm
            return (
                (given_a(terminal_v, limit_a=3.0) - series_a) / OUT_F,
                (series_a - bulk_v / LEAK_OHM) / self.BULK_F,
                self.heating(series_a, kelvin),
            )

        times = [2e-3 * step for step in range(1, 51)]
        found = solved(rates, (0.0, 0.0, 298.15), times)
        circuit = switched_on(self.model("dc"), limit_a=3.0)
        for time_s, _, bulk_v, kelvin in zip(times, *found.y, strict=True):
            circuit.advance_to(time_s)
            ours_k = circuit.changes.limiter_degc + KELVIN

            assert circuit.bulk_v == pytest.approx(bulk_v, abs=AGREEMENT * SET_V)
            assert ours_k - 298.15 == pytest.approx(kelvin - 298.15, rel=0.02, abs=0.2)

    def test_from_the_line(self) -> None:
        """From a line of 24 V 50 Hz, bulk voltage and temperature agree at every zero crossing.

        The simulator holds the thermistor's resistance for a sixteenth of half a period, so 2 % is
        asked for.
        """

        def rates(time_s: float, state: Sequence[float]) -> tuple[float, float]:
            bulk_v, kelvin = state
            sine_v = SET_V * math.sqrt(2.0) * abs(math.sin(2.0 * math.pi * 50.0 * time_s))
            path_ohm = LINE_OHM + self.ohm(kelvin) + ESR_OHM
            series_a = max(sine_v - DROP_V - bulk_v, 0.0) / path_ohm
            return (series_a - bulk_v / LEAK_OHM) / self.BULK_F, self.heating(series_a, kelvin)

        times = [0.01 * half for half in range(1, 31)]
        found = solved(rates, (0.0, 298.15), times, longest_s=1e-3)
        circuit = switched_on(self.model("ac"), limit_a=100.0)
        for time_s, bulk_v, kelvin in zip(times, *found.y, strict=True):
            circuit.advance_to(time_s)
            ours_k = circuit.changes.limiter_degc + KELVIN

            assert circuit.bulk_v == pytest.approx(bulk_v, rel=0.02)
            assert ours_k - 298.15 == pytest.approx(kelvin - 298.15, rel=0.02)

    def model(self, kind: str) -> UnitModel:
        """Return the simulated unit with the thermistor."""
        subject = unit(kind)
        return replace(
            subject,
            rectifier=Rectifier(drop_v=DROP_V, resistance_ohm=1e-9, limiter=self.LIMITER),
            bulk=replace(
                subject.bulk, capacitance_f=self.BULK_F, nominal_capacitance_f=self.BULK_F
            ),
        )


class TestVaristorToDestruction:
    """A varistor on too high a voltage that heats up until it fails short."""

    def test_time_to_failure(self) -> None:
        """It fails within 1 % of the solution's time: dE/dt = V I - E / tau up to the rating."""
        part = Varistor(voltage_at_1ma_v=33.0, exponent=30.0, energy_j=8.0, cooling_s=0.5)
        volts = 42.0

        def rates(_: float, state: Sequence[float]) -> tuple[float, float]:
            terminal_v, heat_j = state
            current_a, across_v = self.through(terminal_v)
            given = given_a(terminal_v, volts=volts, limit_a=3.0)
            return (given - current_a) / OUT_F, across_v * current_a - heat_j / 0.5

        def fails(_: float, state: Sequence[float]) -> float:
            return state[1] - 8.0

        fails.terminal = True  # type: ignore[attr-defined]
        found = solved(rates, (0.0, 0.0), (1e-3, 5.0), events=fails)
        due_s = float(found.t_events[0][0])
        # No bulk capacitor to speak of: the varistor alone.
        bulk = replace(unit().bulk, capacitance_f=1e-9, nominal_capacitance_f=1e-9)
        circuit = switched_on(replace(unit(), varistor=part, bulk=bulk), volts=volts, limit_a=3.0)
        circuit.advance_to(0.99 * due_s)
        before_c = circuit.let_through.charge_c
        circuit.advance_to(1.01 * due_s)

        assert before_c == 0.0
        assert circuit.let_through.charge_c > 0.0

    @staticmethod
    def through(terminal_v: float) -> tuple[float, float]:
        """Current through leads and varistor, and voltage across it: root by bisection."""
        from scipy.optimize import brentq

        if terminal_v <= 1.0:
            return 0.0, terminal_v

        def excess(across_v: float) -> float:
            return (terminal_v - across_v) / LINE_OHM - 1e-3 * (across_v / 33.0) ** 30

        across_v = float(brentq(excess, 0.0, terminal_v, xtol=1e-10))
        return (terminal_v - across_v) / LINE_OHM, across_v


class TestForming:
    """Leakage of a capacitor that reforms while it is charged."""

    def test_current(self) -> None:
        """After the charge the supply's current is the leak's, which falls as solved."""
        extra_ohm, time_const_s = 200.0, 0.1

        def rates(_: float, state: Sequence[float]) -> tuple[float, float, float]:
            terminal_v, bulk_v, share = state
            leak_s = 1.0 / LEAK_OHM + share / extra_ohm
            path_ohm = LINE_OHM + SERIES_OHM + ESR_OHM / (1.0 + ESR_OHM * leak_s)
            inner_v = bulk_v / (1.0 + ESR_OHM * leak_s)
            series_a = max(terminal_v - DROP_V - inner_v, 0.0) / path_ohm
            node_v = inner_v + series_a * ESR_OHM / (1.0 + ESR_OHM * leak_s)
            return (
                (given_a(terminal_v) - series_a) / OUT_F,
                (series_a - node_v * leak_s) / BULK_F,
                -share * bulk_v / (time_const_s * 23.8),
            )

        times = [0.06 + 0.02 * step for step in range(18)]
        found = solved(rates, (0.0, 0.0, 1.0), times)
        bulk = replace(unit().bulk, forming_ohm=extra_ohm, forming_s=time_const_s, forming_v=23.8)
        circuit = switched_on(replace(unit(), bulk=bulk))
        for time_s, terminal_v, _, __ in zip(times, *found.y, strict=True):
            circuit.advance_to(time_s)
            expected_a = given_a(terminal_v)

            assert circuit.source_current_a() == pytest.approx(expected_a, rel=0.02, abs=1e-4)


class TestFuse:
    """A fuse element that heats under a current that changes."""

    def test_opens_in_time(self) -> None:
        """It parts within 1 % of the solution's time: limit, end of charge and load in turn."""
        leak_ohm, integral, heat_s = 30.0, 0.3, 2.0

        def rates(_: float, state: Sequence[float]) -> tuple[float, float, float]:
            terminal_v, bulk_v, heat = state
            node = 1.0 + ESR_OHM / leak_ohm
            path_ohm = LINE_OHM + SERIES_OHM + ESR_OHM / node
            series_a = max(terminal_v - DROP_V - bulk_v / node, 0.0) / path_ohm
            node_v = (bulk_v + series_a * ESR_OHM) / node
            return (
                (given_a(terminal_v, limit_a=1.0) - series_a) / OUT_F,
                (series_a - node_v / leak_ohm) / BULK_F,
                series_a**2 - heat / heat_s,
            )

        def parts(_: float, state: Sequence[float]) -> float:
            return state[2] - integral

        parts.terminal = True  # type: ignore[attr-defined]
        found = solved(rates, (0.0, 0.0, 0.0), (1e-3, 5.0), events=parts)
        due_s = float(found.t_events[0][0])
        link = Fuse(rating_a=1.0, melting_i2t_a2s=integral, heat_time_s=heat_s, resistance_ohm=0.0)
        subject = replace(unit(), fuse=link, bulk=replace(unit().bulk, leakage_ohm=leak_ohm))
        circuit = switched_on(subject, limit_a=1.0)
        circuit.advance_to(0.99 * due_s)
        before = circuit.fuse.is_open
        circuit.advance_to(1.01 * due_s)

        assert not before
        assert circuit.fuse.is_open
