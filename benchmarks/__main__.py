"""``python -m benchmarks``: every figure with its goal, as a table. Takes about a minute."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from benchmarks.break_over_energy import break_over_energy
from benchmarks.campaign_speed import campaign_speed
from benchmarks.figure import Figure
from benchmarks.help_start import help_start
from benchmarks.kept_sample_time import kept_sample_time
from benchmarks.messages_to_off import messages_to_off
from benchmarks.rehearsal_speed import UNIT_A, UNIT_B, rehearsal_speed
from benchmarks.sample_parts import sample_parts
from benchmarks.sample_time import sample_time
from benchmarks.short_let_through import short_let_through
from benchmarks.suspects_time import answer_start, library_speed
from benchmarks.table import machine, print_figures, print_parts
from benchmarks.viewers import watched_samples

__all__ = ["FIGURES", "main"]

#: What is measured, in the order of the table.
FIGURES: Sequence[Callable[[], Figure]] = (
    lambda: sample_time("in process"),
    lambda: sample_time("loopback TCP"),
    kept_sample_time,
    watched_samples,
    messages_to_off,
    short_let_through,
    lambda: short_let_through("envelope"),
    break_over_energy,
    lambda: break_over_energy("from the supply"),
    lambda: rehearsal_speed(UNIT_A),
    lambda: rehearsal_speed(UNIT_B),
    lambda: rehearsal_speed(UNIT_B, nominal_dwell_s=295.0),
    lambda: campaign_speed(UNIT_A),
    lambda: campaign_speed(UNIT_B),
    help_start,
    lambda: library_speed("dome-shutter-full-release"),
    lambda: answer_start(UNIT_A),
)


def main() -> None:
    """Measure everything and print it."""
    print(machine())
    print()
    print_figures([figure() for figure in FIGURES])
    print()
    print_parts([sample_parts("in process"), sample_parts("loopback TCP")])


if __name__ == "__main__":
    main()
