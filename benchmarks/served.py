"""Serves a simulated bench whose messages cost no time, in a process of its own.

``python -m benchmarks.served PROFILE`` prints the supply's port and serves until its standard input
ends, so that it ends with the program that started it.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

from harness.bench.clock import SystemClock
from harness.profile.load import load_bench, load_profile
from harness.rehearse.server import serve, socket_resource
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model

__all__ = ["served_supply"]

_ROOT = Path(__file__).resolve().parents[1]


class _ImpatientClock(SystemClock):
    """Real time, but nobody waits: what an instrument's message would cost is left out."""

    def sleep_s(self, duration_s: float) -> None:
        """Return at once."""


@contextlib.contextmanager
def served_supply(profile: str, bench: str) -> Iterator[str]:
    """Serve a healthy unit on a bench in another process, for as long as the block runs.

    Args:
        profile: Name of a shipped profile.
        bench: Name of the shipped bench file.

    Yields:
        The VISA resource of the supply.
    """
    command = [sys.executable, "-m", "benchmarks.served", profile, bench]
    with subprocess.Popen(  # noqa: S603 - our own
        command, cwd=_ROOT, stdin=subprocess.PIPE, stdout=subprocess.PIPE, encoding="ascii"
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            yield socket_resource(int(process.stdout.readline()))
        finally:
            process.stdin.close()


def _serve(profile: str, bench: str) -> None:
    table = load_bench(bench)
    model = typical_model(load_profile(profile).unit)
    devices = SimulatedBench(model, table, _ImpatientClock()).devices
    with serve(devices, dict.fromkeys(devices, 0)) as ports:
        print(ports[table.feed.resource], flush=True)
        sys.stdin.read()


if __name__ == "__main__":
    _serve(*sys.argv[1:])
