"""Time of one full sample in a real run: the keeper reads in a process of its own."""

from __future__ import annotations

import contextlib
from time import perf_counter

from benchmarks.by_hand import log_samples, open_session
from benchmarks.figure import Figure, Goal
from benchmarks.live_unit import served_bench, take_in_hand
from benchmarks.turns import in_turns
from harness.bench.clock import SystemClock
from harness.power.process_bench import open_process_bench

__all__ = ["kept_sample_time"]


def kept_sample_time(*, samples: int = 2500, rounds: int = 9) -> Figure:
    """Measure the sample of a real run over the script's, each on a served unit of its own.

    Two units, because the keeper reads without a pause while power is on: for the script's turn it
    switches off. Both are healthy units A at 24 V.

    Args:
        samples: About so many samples a turn.
        rounds: Turns of each side.
    """
    clock = SystemClock()
    with contextlib.ExitStack() as stack:
        bench, other = (stack.enter_context(served_bench()) for _ in range(2))
        opened = stack.enter_context(open_process_bench(bench, clock))
        opened.identities()
        unit = stack.enter_context(take_in_hand(opened, clock))
        log = stack.enter_context((unit.folder / "by-hand.csv").open("w", encoding="utf-8"))
        session = open_session("@py", other.feed.resource)
        stack.callback(session.close)
        for message in (
            f"VOLT {unit.level.voltage_v}",
            f"CURR {unit.level.current_limit_a}",
            "OUTP ON",
        ):
            session.write(message)

        def ours() -> float:
            unit.start()
            sample_s = unit.hold(samples * 2.5e-4)
            unit.context.host.power_off()
            return sample_s

        def theirs() -> float:
            begin_s = perf_counter()
            log_samples(session, log, clock, samples)
            return (perf_counter() - begin_s) / samples

        both = in_turns(ours, theirs, rounds)
    return Figure(
        name="full sample over three queries and a CSV line, loopback TCP, keeper process",
        value=both.ratio,
        goal=Goal("<=", 1.0),
        told=f"{both.ours_s * 1e6:.0f} µs against {both.theirs_s * 1e6:.0f} µs",
        conditions=(
            "as above, as `softwake run` does it: the keeper asks and judges in one process, the "
            f"engine records and decides in another; medians of {rounds} turns of about {samples} "
            "samples"
        ),
    )
