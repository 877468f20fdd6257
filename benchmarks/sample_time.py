"""Time of one full sample, against a script that asks three questions and writes a line."""

from __future__ import annotations

from benchmarks.figure import Figure, Goal
from benchmarks.live_unit import Wire, live_unit
from benchmarks.turns import in_turns

__all__ = ["sample_time"]

_CONDITIONS: dict[Wire, str] = {
    "in process": (
        "unit A held at 24 V; PyVISA on the simulated library in this process, simulated time "
        "is free, the simulated instrument's own work counts on both sides"
    ),
    "loopback TCP": (
        "unit A held at 24 V; pyvisa-py to a simulated supply in another process, whose messages "
        "cost no time of their own"
    ),
}


def sample_time(wire: Wire, *, samples: int = 2500, rounds: int = 9) -> Figure:
    """Measure our full sample over the script's, on the same instrument in the same state.

    Ours: one compound message, judged by the keeper, charge budget, journal on disk with its
    ``fsync``, settling decision. The script's: three messages, a line of CSV, buffered.

    Args:
        wire: Where the instruments are.
        samples: Samples a turn: enough for each to meet an ``fsync`` of the journal.
        rounds: Turns of each side.
    """
    with live_unit(wire) as unit:
        both = in_turns(
            lambda: unit.hold(samples), lambda: unit.log_by_hand(samples), rounds=rounds
        )
    return Figure(
        name=f"full sample over three queries and a CSV line, {wire}",
        value=both.ratio,
        goal=Goal("<=", 1.0),
        told=f"{both.ours_s * 1e6:.0f} µs against {both.theirs_s * 1e6:.0f} µs",
        conditions=f"{_CONDITIONS[wire]}; medians of {rounds} turns of {samples} samples",
    )
