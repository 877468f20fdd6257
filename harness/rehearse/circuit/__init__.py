"""The circuit physics of the simulated bench: pure, time is an argument."""

from __future__ import annotations

from harness.rehearse.circuit.ac import AcCircuit
from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.dc import DcCircuit
from harness.rehearse.circuit.source import AC_SOURCE, DC_SUPPLY, SourceModel, source_for
from harness.rehearse.unit_model import UnitModel

__all__ = [
    "AC_SOURCE",
    "DC_SUPPLY",
    "AcCircuit",
    "Circuit",
    "DcCircuit",
    "SourceModel",
    "circuit_of",
    "source_for",
]


def circuit_of(model: UnitModel, source: SourceModel, *, seed: int = 1) -> Circuit:
    """Return the circuit of a unit on a supply; arguments and errors as for :class:`Circuit`."""
    kind = DcCircuit if source.kind == "dc" else AcCircuit
    return kind(model, source, seed=seed)
