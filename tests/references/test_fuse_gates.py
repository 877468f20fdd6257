"""The fuse model against the pre-arcing times of IEC 60127-2.

Gates: IEC 60127-2, standard sheet 3 (time-lag, low breaking capacity), 0.2 A to 6.3 A. Melting
integrals: common practice (a maker's data sheet for links to that sheet).
"""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.rehearse.circuit import DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.circuit.changes import FuseHeat
from harness.rehearse.unit_model import Defects, UnitModel
from harness.rehearse.unit_parts import Bulk, Case, Converter, Fuse, Rectifier
from harness.unit.formulas import inrush_i2t_a2s

#: Rating in amperes and melting integral in A2s; the last ones have the usual 15 In2 s.
LINKS = [
    (0.2, 0.225),
    (1.0, 19.2),
    (2.0, 92.7),
    (4.0, 226.5),
    *(
        (rating, 15.0 * rating**2)
        for rating in (0.2, 0.315, 0.5, 0.8, 1.0, 1.25, 1.6, 2.0, 3.15, 4.0, 6.3)
    ),
]

HOUR_S = 3600.0


@pytest.fixture(params=LINKS, ids=str)
def link(request: pytest.FixtureRequest) -> Fuse:
    """A time-lag link of the sheet."""
    rating_a, integral = request.param
    return Fuse.time_lag(rating_a, melting_i2t_a2s=integral)


@pytest.mark.parametrize(
    ("times", "least_s", "most_s"),
    [
        (1.5, HOUR_S, math.inf),
        (2.1, 0.0, 120.0),
        (2.75, 0.6, 10.0),
        (4.0, 0.15, 3.0),
        (10.0, 0.020, 0.300),
    ],
)
def test_gates(link: Fuse, times: float, least_s: float, most_s: float) -> None:
    """A link melts between the least and the longest time of its gate."""
    time_s = FuseHeat(link).time_left_s(times * link.rating_a)

    assert least_s <= time_s <= most_s


def test_melting_integral_fits_the_ten_fold_gate(link: Fuse) -> None:
    """The melting integral lies between 2 and 30 times the rating squared.

    Computed from the gate at ten times the rating: 100 In2 times 20 ms to 300 ms.
    """
    assert 2.0 <= link.melting_i2t_a2s / link.rating_a**2 <= 30.0


def test_short_pulse_is_adiabatic(link: Fuse) -> None:
    """A pulse far shorter than the time constant opens the link by its I2t alone (textbook)."""
    current_a = 100.0 * link.rating_a
    time_s = FuseHeat(link).time_left_s(current_a)

    assert current_a**2 * time_s == pytest.approx(link.melting_i2t_a2s, rel=0.01)


def inrush_circuit(fuse: Fuse) -> Circuit:
    """141.42 V behind 5 ohm onto 100 uF, through ``fuse``."""
    model = UnitModel(
        input_kind="dc",
        fuse=fuse,
        varistor=None,
        rectifier=Rectifier(drop_v=0.0, resistance_ohm=0.0),
        bulk=Bulk(
            capacitance_f=100e-6,
            nominal_capacitance_f=100e-6,
            series_resistance_ohm=0.0,
            leakage_ohm=1e12,
            ageing=1.0,
        ),
        converter=Converter(
            start_v=1e3,
            stop_v=1.0,
            starts=False,
            idle_power_w=0.0,
            proportional_loss_frac=0.0,
            square_loss_frac=0.0,
            output_v=5.0,
            output_nominal_a=1.0,
            output_limit_a=1.0,
            output_resistance_ohm=0.0,
            output_capacitance_f=1e-6,
            output_bleed_ohm=1e3,
            nominal_bulk_v=141.42,
            restart_delay_s=0.05,
            soft_start_s=0.02,
            switching_ripple_v=0.0,
        ),
        case=Case(rise_k_per_w=4.0, heating_s=600.0),
        defects=Defects(),
    )
    # Nearly all of the 5 ohm stands between a stiff terminal and the capacitor.
    source = replace(DC_SUPPLY, resistance_ohm=1e-3, wiring_ohm=4.999, output_capacitance_f=1e-6)
    circuit = circuit_of(model, source)
    circuit.set_source(voltage_v=141.42, current_limit_a=1e6, on=True)
    return circuit


def fuse_with(integral: float) -> Fuse:
    """A link of that melting integral, without resistance and slow to cool."""
    return Fuse(rating_a=1.0, melting_i2t_a2s=integral, heat_time_s=1e4, resistance_ohm=0.0)


def test_inrush_integral() -> None:
    """The simulated inrush leaves 0.2 A2s in the link: V2 C / (2 R)."""
    expected = inrush_i2t_a2s(141.42, 100e-6, 5.0)
    circuit = inrush_circuit(fuse_with(1e3))
    circuit.advance_to(0.02)

    assert expected == pytest.approx(0.2, abs=1e-4)
    assert circuit.fuse.heat_a2s == pytest.approx(expected, rel=0.01)


@pytest.mark.parametrize(("integral", "opens"), [(0.19, True), (0.21, False)])
def test_inrush_opens_a_link_of_less_than_its_integral(integral: float, *, opens: bool) -> None:
    """The inrush opens a link of a smaller melting integral and spares one of a larger."""
    circuit = inrush_circuit(fuse_with(integral))
    circuit.advance_to(0.02)

    assert circuit.fuse.is_open is opens


def test_blown_stays_blown() -> None:
    """A link that has parted does not come back when it cools."""
    heat = FuseHeat(fuse_with(0.1))
    heat.advance(1.0, 1.0)
    heat.advance(1e6, 0.0)

    assert heat.is_open
