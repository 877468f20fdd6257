"""The circuit physics of the simulated bench: pure, time is an argument."""

from __future__ import annotations

from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.let_through import LetThrough
from harness.rehearse.circuit.source import SourceModel, ac_source, dc_source, source_for

__all__ = ["Circuit", "LetThrough", "SourceModel", "ac_source", "dc_source", "source_for"]
