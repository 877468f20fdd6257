"""What a circuit's last line period was like, where no instrument of the bench shows it."""

from __future__ import annotations

from harness.rehearse.circuit import AcCircuit, Circuit


def source_peak_current_a(circuit: Circuit) -> float:
    """The highest instantaneous current of the last line period; DC: the current."""
    if not isinstance(circuit, AcCircuit):
        return circuit.source_current_a()
    if not circuit._acting.on:
        return 0.0
    return max((half.peak_a for half in circuit._past[-2:]), default=0.0)


def bulk_swing_v(circuit: Circuit) -> float:
    """Highest less lowest bulk voltage of the last line period; 0 for DC."""
    if not isinstance(circuit, AcCircuit) or not circuit._past or not circuit._acting.on:
        return 0.0
    last = circuit._past[-2:]
    return max(half.highest_v for half in last) - min(half.lowest_v for half in last)


def bulk_highest_v(circuit: Circuit) -> float:
    """The highest bulk voltage of the last line period; DC: the voltage."""
    if not isinstance(circuit, AcCircuit):
        return circuit.bulk_v
    return max(half.highest_v for half in circuit._past[-2:])


def bulk_voltage_mean_v(circuit: Circuit, window_s: float) -> float:
    """The mean bulk voltage over the last ``window_s`` seconds."""
    means = circuit._means.over(window_s)
    return circuit.bulk_v if means is None else means.bulk_v
