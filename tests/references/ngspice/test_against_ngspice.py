"""The simulated circuit against ngspice, an independent circuit simulator.

Netlists, and the curves they gave, lie beside this file; both are the project's own.
"""

from __future__ import annotations

import os
import shutil
from types import ModuleType

import pytest

from harness.rehearse.circuit import Circuit, ac_source, dc_source
from harness.rehearse.unit_model import Bulk, Converter, Fuse, Rectifier, UnitModel

#: Agreement asked for, as a share.
AGREEMENT = 0.02

#: The simulated rectifier has a fixed drop; a real diode's falls with current, which flattens the
#: short pulses of an idle unit. There, current is asked to agree within these shares only.
IDLE_AGREEMENT = {"current_rms": 0.08, "current_peak": 0.12}

RECTIFIERS = (
    "rectifier_120v_60hz_power",
    "rectifier_120v_60hz_resistor",
    "rectifier_120v_60hz_idle",
    "rectifier_100v_50hz_power",
    "rectifier_100v_50hz_resistor",
)


def converter(**changes: float | bool) -> Converter:
    """A converter without losses of its own, apart from what ``changes`` says."""
    values: dict[str, float | bool] = {
        "start_v": 1.0,
        "stop_v": 0.5,
        "idle_power_w": 0.0,
        "proportional_loss_frac": 0.0,
        "square_loss_frac": 0.0,
        "output_v": 5.0,
        "output_nominal_a": 2.0,
        "output_limit_a": 100.0,
        "output_resistance_ohm": 0.0,
        "output_capacitance_f": 1e-6,
        "output_bleed_ohm": 1e6,
        "nominal_bulk_v": 24.0,
        "line_regulation_frac": 0.0,
        "switching_ripple_v": 0.0,
    }
    return Converter(**{**values, **changes})  # type: ignore[arg-type]


def fuse() -> Fuse:
    """A fuse that is not there: no resistance, never opens."""
    return Fuse(rating_a=100.0, melting_i2t_a2s=1e9, heat_time_s=1e3, resistance_ohm=0.0)


def dc_circuit(values: dict[str, float], convert: Converter) -> Circuit:
    """The supply and input network of ``dc_supply.inc``."""
    model = UnitModel(
        input_kind="dc",
        fuse=fuse(),
        varistor=None,
        # The netlist's diode drops 0.2 V at 0.3 A.
        rectifier=Rectifier(drop_v=0.2, resistance_ohm=values["rseries"]),
        bulk=Bulk(
            capacitance_f=values["cbulk"],
            nominal_capacitance_f=values["cbulk"],
            series_resistance_ohm=values["resr"],
            leakage_ohm=values["rleak"],
        ),
        converter=convert,
    )
    source = dc_source(
        resistance_ohm=values["rreg"],
        wiring_ohm=values["rline"],
        output_capacitance_f=values["cout"],
    )
    circuit = Circuit(model, source)
    circuit.set_source(voltage_v=values["vset"], current_limit_a=values["ilimit"], on=True)
    return circuit


def ac_circuit(values: dict[str, float]) -> Circuit:
    """The line, bridge and load of ``rectifier.inc``; constant power is idle power here."""
    model = UnitModel(
        input_kind="ac",
        fuse=fuse(),
        varistor=None,
        # Two of the netlist's diodes drop 1.7 V at 2 A.
        rectifier=Rectifier(drop_v=1.7, resistance_ohm=values["rseries"]),
        bulk=Bulk(
            capacitance_f=values["cbulk"],
            nominal_capacitance_f=values["cbulk"],
            series_resistance_ohm=values["resr"],
            leakage_ohm=values["rload"],
        ),
        converter=converter(
            start_v=60.0,
            stop_v=50.0,
            starts=values["pload"] > 0,
            idle_power_w=values["pload"],
            soft_start_s=1e-3,
        ),
    )
    circuit = Circuit(model, ac_source(resistance_ohm=0.0, wiring_ohm=values["rline"]))
    circuit.set_source(
        voltage_v=values["vrms"], current_limit_a=10.0, frequency_hz=values["fline"], on=True
    )
    return circuit


class TestChargeUnderCurrentLimit:
    """A bulk capacitor filled by a supply in current limit."""

    def test_curve(self, spice: ModuleType) -> None:
        """Bulk and terminal voltage follow ngspice within 2 % of the setting all the way."""
        values = spice.parameters("charge_current_limit")
        circuit = dc_circuit(values, converter(starts=False))
        for row in spice.read_curve("charge_current_limit"):
            circuit.advance_to(row["time_s"])
            bound_v = AGREEMENT * values["vset"]

            assert circuit.bulk_voltage_v() == pytest.approx(row["bulk_v"], abs=bound_v)
            assert circuit.source_voltage_v() == pytest.approx(row["terminal_v"], abs=bound_v)

    def test_time_in_limit(self, spice: ModuleType) -> None:
        """The supply leaves current limit within 2 % of ngspice's time."""
        values = spice.parameters("charge_current_limit")
        rows = spice.read_curve("charge_current_limit")
        half_a = 0.5 * values["ilimit"]
        expected_s = next(row["time_s"] for row in rows if row["current_a"] < half_a)
        circuit = dc_circuit(values, converter(starts=False))
        time_s = 0.0
        while circuit.source_current_a() >= half_a:
            time_s += 1e-4
            circuit.advance_to(time_s)

        # The curve's own rows are half a millisecond apart.
        assert time_s == pytest.approx(expected_s, rel=AGREEMENT, abs=5e-4)


class TestStartOfConstantPowerConverter:
    """A converter that meets its threshold while the bulk capacitor fills."""

    @pytest.fixture
    def pairs(self, spice: ModuleType) -> list[tuple[dict[str, float], dict[str, float]]]:
        """Row by row: ngspice, and the simulated circuit at the same time."""
        values = spice.parameters("start_constant_power")
        convert = converter(
            start_v=values["vstart"],
            stop_v=values["vstop"],
            soft_start_s=values["tsoft"],
            output_v=values["vnom"],
            output_capacitance_f=values["cnvout"],
            idle_power_w=values["pidle"],
            proportional_loss_frac=values["ploss"],
            square_loss_frac=values["psquare"],
        )
        circuit = dc_circuit(values, convert)
        circuit.set_load(current_a=values["iload"], on=True)
        result = []
        for row in spice.read_curve("start_constant_power"):
            circuit.advance_to(row["time_s"])
            ours = {
                "terminal_v": circuit.source_voltage_v(),
                "bulk_v": circuit.bulk_voltage_v(),
                "current_a": circuit.source_current_a(),
            }
            result.append((row, ours))
        return result

    @pytest.mark.parametrize("quantity", ["terminal_v", "bulk_v"])
    def test_voltages(
        self, pairs: list[tuple[dict[str, float], dict[str, float]]], quantity: str
    ) -> None:
        """Voltages follow ngspice within 2 % of the setting through threshold and soft start."""
        worst = max(abs(ours[quantity] - row[quantity]) for row, ours in pairs)

        assert worst < AGREEMENT * 24.0

    def test_current_after_the_start(
        self, pairs: list[tuple[dict[str, float], dict[str, float]]]
    ) -> None:
        """Input current at constant power agrees within 2 %."""
        row, ours = pairs[-1]

        assert ours["current_a"] == pytest.approx(row["current_a"], rel=AGREEMENT)


class TestPeakRectifier:
    """A bridge and a bulk capacitor with a load, once it repeats."""

    @pytest.fixture(params=RECTIFIERS)
    def figures(
        self, request: pytest.FixtureRequest, spice: ModuleType
    ) -> tuple[dict[str, float], dict[str, float]]:
        """The figures of ngspice and of the simulated circuit."""
        circuit = ac_circuit(spice.parameters(request.param))
        circuit.advance_to(0.6)
        means = circuit.bulk_voltage_mean_v(0.1)
        ours = {
            "bulk_mean": means,
            "bulk_swing": circuit.bulk_swing_v(),
            "current_rms": circuit.source_current_a(0.1),
            "current_peak": circuit.source_peak_current_a(),
            "power_mean": circuit.source_power_w(0.1),
        }
        return spice.read_figures()[request.param], ours

    @pytest.mark.parametrize(
        "quantity", ["bulk_mean", "bulk_swing", "current_rms", "current_peak", "power_mean"]
    )
    def test_figure(
        self,
        figures: tuple[dict[str, float], dict[str, float]],
        quantity: str,
        request: pytest.FixtureRequest,
    ) -> None:
        """Bulk voltage, ripple, rms and peak current and power agree with ngspice within 2 %."""
        theirs, ours = figures
        idle = "idle" in request.node.callspec.id
        agreement = IDLE_AGREEMENT.get(quantity, AGREEMENT) if idle else AGREEMENT

        assert ours[quantity] == pytest.approx(theirs[quantity], rel=agreement)


class TestCommittedCurves:
    """The files are what the netlists give."""

    @pytest.fixture(autouse=True)
    def _ngspice(self) -> None:
        if shutil.which("ngspice") is None:
            if os.environ.get("CI") == "true":
                pytest.fail("ngspice is missing; install the Debian package ngspice")
            pytest.skip("ngspice is not installed; the committed curves were used")

    @pytest.mark.parametrize("name", ["charge_current_limit", "start_constant_power"])
    def test_curve(self, spice: ModuleType, name: str) -> None:
        """A fresh run of ngspice repeats the committed curve within a thousandth of its range."""
        fresh = spice.curve(name)
        committed = [list(row.values()) for row in spice.read_curve(name)]
        spans = [max(map(abs, column)) for column in zip(*committed, strict=True)]

        assert len(fresh) == len(committed)
        for new, old in zip(fresh, committed, strict=True):
            for value, kept, span in zip(new, old, spans, strict=True):
                assert value == pytest.approx(kept, abs=1e-3 * span)

    @pytest.mark.parametrize("name", RECTIFIERS)
    def test_figures(self, spice: ModuleType, name: str) -> None:
        """A fresh run of ngspice repeats the committed figures within a thousandth."""
        assert spice.figures(name) == pytest.approx(spice.read_figures()[name], rel=1e-3)
