"""Healthy units pass whatever time the instruments take for an answer.

``python -m tests.outside.runs`` runs the same with figures of your own, 50 runs a bench if need be.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.runs import benches, sweep, table

#: Time per answer in milliseconds: faster than any instrument, to slower than most.
LATENCIES_MS = (0, 2, 5, 7, 10, 30, 100)
#: Runs of each bench at each latency.
RUNS = 6


@pytest.mark.torture
class TestLatency:
    def test_every_healthy_unit_is_released(
        self, tmp_path: Path, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """At each latency, with and without meter and load, DC and AC, every healthy run passes."""
        cases = benches(1e-3 * latency_ms for latency_ms in LATENCIES_MS)
        found = sweep(cases, RUNS, tmp_path)
        with capsys.disabled():
            print(f"\n{table(found)}")  # noqa: T201 - the figures are what one wants to see

        assert [how for counts in found.values() for how in counts if how != "pass"] == []
