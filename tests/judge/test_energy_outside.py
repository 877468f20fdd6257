"""Energy of a DC start against a circuit with a solver of its own (``tests/outside``)."""

from __future__ import annotations

import random
from collections.abc import Iterator

import numpy as np
import pytest

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors
from harness.judge.start_draw import ENERGY, weigh_energy
from harness.judge.uncertainty import combine
from tests.outside.circuits import DcCircuit, DcParts
from tests.outside.converter import Converter, ConverterParts

USUAL = SupplyErrors(
    voltage=ReadingError(gain_frac=5e-4, offset=10e-3),
    current=ReadingError(gain_frac=2e-3, offset=2e-3),
    own_capacitance_f=220e-6,
    own_capacitance_error_f=10e-6,
)
#: So exact that what no reading shows is most of what is left.
FINE = SupplyErrors(
    voltage=ReadingError(gain_frac=5e-5, offset=1e-3),
    current=ReadingError(gain_frac=2e-4, offset=0.05e-3),
    own_capacitance_f=220e-6,
    own_capacitance_error_f=1e-6,
)


def read(circuit: DcCircuit, errors: SupplyErrors, rng: random.Random) -> Iterator[LevelReadings]:
    """Read a start level by level, a pair each 0.3 ms to 50 ms, with errors inside their bounds."""
    apart_s, limit_a = 10.0 ** rng.uniform(-3.5, -1.3), rng.uniform(0.1, 0.5)
    stated = (errors.voltage, errors.current)
    made = [
        (1.0 + one.gain_frac * rng.uniform(-1, 1), one.offset * rng.uniform(-1, 1), one.offset)
        for one in stated
        if one is not None
    ]
    for volts in (2.4, 6.0, 12.0, 18.0, 24.0):
        circuit.set_v, circuit.limit_a, set_s, rows = volts, limit_a, circuit.now_s, []
        circuit.advance(circuit.now_s + apart_s * rng.uniform(0.1, 1.0))  # messages that set it
        while circuit.now_s < set_s + 0.3 + 4.0 * apart_s:
            circuit.advance(circuit.now_s + apart_s)
            shown = [
                value * gain + offset + rng.gauss(0.0, 0.05 * bound)
                for value, (gain, offset, bound) in zip(
                    (circuit.terminal_v, circuit.current_a), made, strict=True
                )
            ]
            rows.append((circuit.now_s, *shown))
        times_s, voltage_v, current_a = np.array(rows).T
        yield LevelReadings(
            label=f"{volts:g} V",
            set_v=volts,
            limit_a=limit_a,
            set_s=set_s,
            times_s=times_s,
            voltage_v=voltage_v,
            current_a=current_a,
            power_w=voltage_v * current_a,
        )


def inside(errors: SupplyErrors, seeds: range) -> int:
    """Count the starts whose true energy lies inside what is stated."""
    count = 0
    for seed in seeds:
        rng = random.Random(seed)
        parts = ConverterParts(
            start_v=rng.uniform(7.0, 9.0),
            stop_v=6.0,
            soft_start_s=rng.uniform(2e-3, 20e-3),
            idle_w=rng.uniform(0.2, 0.8),
            loss_frac=0.2,
            rail_v=5.0,
        )
        bulk_f = 10.0 ** rng.uniform(-4.0, -3.0)
        circuit = DcCircuit(DcParts(bulk_f=bulk_f), Converter(parts, seed), 0.0)
        circuit.switch(on=True)
        levels = list(read(circuit, errors, rng))
        told = weigh_energy(levels, errors).estimates[ENERGY]
        off_j = abs(told.value - circuit.ledger.energy_j)
        count += off_j <= combine(told.contributions).expanded
    return count


@pytest.mark.parametrize("errors", [USUAL, FINE], ids=["usual", "fine"])
def test_the_energy_taken_is_inside(errors: SupplyErrors) -> None:
    """Eight circuits, each read by an instrument of its own, fast or slow."""
    assert inside(errors, range(8)) == 8


@pytest.mark.torture
@pytest.mark.parametrize("errors", [USUAL, FINE], ids=["usual", "fine"])
def test_of_many_circuits_93_in_100_are_inside(errors: SupplyErrors) -> None:
    """Of 100 such circuits the true energy lies inside what is stated in 93 at least."""
    assert inside(errors, range(100)) >= 93
