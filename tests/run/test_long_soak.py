"""A soak on a fast link: memory stays flat, the record stays small, no extreme is lost."""

from __future__ import annotations

import gc
import random
import sys
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.record.recorder import Recorder
from harness.record.tables import load
from harness.report.page import RunReport
from harness.run.rest import Hold
from tests.run.fed import STARTED, FedBench

#: A board at work at 24 V: as many different readings as it takes, drawn beforehand.
RANDOM = random.Random(1)
CURRENTS_A = [(4.0 + RANDOM.gauss(0.0, 0.2)) / 24.0 for _ in range(9973)]
VOLTAGES_V = [24.0 + RANDOM.gauss(0.0, 0.002) for _ in range(997)]
#: One reading in the middle of it all, inside every bound.
SPIKE_A, LOWEST_A = 0.28, 0.06


@dataclass
class Soak:
    """A soak and what it took."""

    held: Hold
    grown_blocks: int
    record_bytes_per_hour: float
    highest_a: float
    lowest_a: float


def soak(folder: Path, duration_s: float, interval_s: float) -> Soak:
    """Hold a board at work, with meter and load, and follow memory once all trends are full.

    What is counted are the blocks of memory that Python holds: whatever keeps a reading keeps one.
    """
    grown: list[int] = []
    number = 0

    def readings(now_s: float) -> tuple[float, float]:
        nonlocal number
        number += 1
        if number == 10_000:
            gc.collect()
            grown.append(sys.getallocatedblocks())
            marks.append((now_s, file.stat().st_size))
        if number == 20_000:
            return 24.0, SPIKE_A
        if number == 20_007:
            return 24.0, LOWEST_A
        return VOLTAGES_V[number % 997], CURRENTS_A[number % 9973]

    # real time between two fsync is nothing this simulated soak should wait for
    recorder = Recorder(folder, serial="HRW-0007", started=STARTED, renderer=RunReport())
    file = recorder.folder / "readings.csv"
    marks: list[tuple[float, int]] = []
    bench = FedBench(
        readings,
        interval_s=interval_s,
        dwell_s=duration_s,
        meter=lambda now_s: 5.0 + 1e-3 * CURRENTS_A[int(now_s * 400) % 9973],
        sink=recorder,
    )
    held = bench.hold("meter.voltage_dc", "meter.temperature", "load.power")
    gc.collect()
    grown.append(sys.getallocatedblocks())
    recorder.abandon()
    (begin_s, before) = marks[0]
    per_s = (file.stat().st_size - before) / (bench.clock.now_s() - begin_s)
    record = load(recorder.folder)
    rows = record.readings
    currents = rows.loc[(rows["source"] == "supply") & (rows["quantity"] == "current"), "value"]
    assert rows["time_s"].is_monotonic_increasing
    return Soak(held, grown[-1] - grown[0], 3600.0 * per_s, currents.max(), currents.min())


def holds_what_it_must(done: Soak) -> None:
    # a float and the tuple that holds it take some 100 bytes: 5 MB in all
    assert done.grown_blocks < 25_000
    assert done.record_bytes_per_hour < 20e6
    assert (done.highest_a, done.lowest_a) == (SPIKE_A, LOWEST_A)
    assert done.held.readings["supply.current"].mean() == pytest.approx(4.0 / 24.0, rel=1e-3)


def test_a_minute_at_400_samples_a_second(tmp_path: Path) -> None:
    """Memory is flat from the first readings on, the record small, both extremes are in it."""
    holds_what_it_must(soak(tmp_path, 60.0, 0.0025))


@pytest.mark.torture
@pytest.mark.parametrize("interval_s", [0.0025, 0.04])
def test_a_day(tmp_path: Path, interval_s: float) -> None:
    """24 simulated hours, at 400 samples a second and at 25."""
    holds_what_it_must(soak(tmp_path, 86_400.0, interval_s))
