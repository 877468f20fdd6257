"""What the parts of one full sample cost, so that the next engineer knows where time goes.

Measured in place, as rungs of a ladder: each rung does what the one below does and one thing more.
Measured alone, in a loop of its own, every part is quicker than it is in a run. A rung counts with
its quietest turn: what disturbs the machine only ever adds.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise
from statistics import median
from time import perf_counter
from typing import TextIO

from benchmarks.live_unit import Wire, live_unit
from harness.record.journal import SYNC_EVERY_S
from harness.run.context import Context

__all__ = ["SampleParts", "sample_parts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleParts:
    """Time of each part of a sample, in microseconds.

    Attributes:
        wire: Where the instruments are.
        query_us: One compound message through plain PyVISA, the simulated instrument's work
            included.
        reading_us: The link's deadline, and from the answer's text to a sample.
        keeper_us: Envelope, protection and charge budget.
        journal_us: Three rows into ``readings.csv``, and what the report keeps of them.
        sync_us: A sample's share of the ``fsync`` that comes each 200 ms.
        settling_us: The settling decision, and what a hold keeps for its checks.
        whole_us: A full sample in a hold.
    """

    wire: Wire
    query_us: float
    reading_us: float
    keeper_us: float
    journal_us: float
    sync_us: float
    settling_us: float
    whole_us: float


def sample_parts(wire: Wire, *, samples: int = 50, rounds: int = 60) -> SampleParts:
    """Measure the rungs in turns on a live unit.

    Args:
        wire: Where the instruments are.
        samples: Samples a turn.
        rounds: Turns of each rung.
    """
    with live_unit(wire) as live:
        sample = live.supply.dialect.sample
        assert sample is not None
        rungs: tuple[Callable[[], float], ...] = (
            lambda: _each(lambda: live.session.query(sample.ask), samples),
            lambda: _each(live.supply.sample, samples),
            lambda: _without_record(live.unit.context, samples),
            lambda: _each(live.unit.context.sample, samples),
            lambda: live.hold(samples),
        )
        turns = [[rung() for rung in rungs] for _ in range(rounds)]
        sync_s = median(_sync(live.log, rows=2000) for _ in range(rounds // 4 + 1))
    quietest = [min(times) for times in zip(*turns, strict=True)]
    query, reading, keeper, journal, settling = (
        (above - below) * 1e6 for below, above in pairwise([0.0, *quietest])
    )
    sync = sync_s / SYNC_EVERY_S * quietest[-1] * 1e6
    return SampleParts(
        wire=wire,
        query_us=query,
        reading_us=reading,
        keeper_us=keeper,
        journal_us=journal,
        sync_us=sync,
        settling_us=settling,
        whole_us=quietest[-1] * 1e6 + sync,
    )


def _each(part: Callable[[], object], samples: int) -> float:
    begin_s = perf_counter()
    for _ in range(samples):
        part()
    return (perf_counter() - begin_s) / samples


def _without_record(context: Context, samples: int) -> float:
    """Time samples that the keeper judges and nobody writes down."""
    context.record_lost = True
    try:
        return _each(context.sample, samples)
    finally:
        context.record_lost = False


def _sync(file: TextIO, rows: int) -> float:
    """Time the ``fsync`` of about as many rows as 200 ms bring."""
    file.writelines("0.123456,start,100 %,voltage,24.0,V,supply\n" for _ in range(rows))
    file.flush()
    begin_s = perf_counter()
    os.fsync(file.fileno())
    return perf_counter() - begin_s
