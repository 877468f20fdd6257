"""A real scheduler and real worker processes on loopback, one of them killed half-way."""

from __future__ import annotations

import contextlib
import re
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.errors import UsageError
from harness.qualify.campaign import qualify_profile
from harness.rehearse.model_file import load_unit_model

pytest.importorskip("distributed", reason="the extra 'cluster' is not installed")

DC = "mount-controller-board"
QUICK = ("shorted-input", "leaky-bulk-capacitor")


@dataclass
class Cluster:
    """A scheduler with two workers, each a process of its own."""

    address: str
    workers: list[subprocess.Popen[str]] = field(default_factory=list)


def started(*arguments: str) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-m", *arguments], stderr=subprocess.PIPE, text=True, encoding="utf-8"
    )


def said(process: subprocess.Popen[str], pattern: str) -> str:
    """Read what a process says until it says what is looked for."""
    assert process.stderr is not None
    for line in process.stderr:
        found = re.search(pattern, line)
        if found:
            return found[1]
    raise AssertionError(f"it ended without saying {pattern!r}")


@pytest.fixture
def cluster() -> Iterator[Cluster]:
    """A cluster on this machine."""
    with contextlib.ExitStack() as stack:

        def kept(process: subprocess.Popen[str]) -> subprocess.Popen[str]:
            stack.callback(process.wait, 10)
            stack.callback(process.kill)
            assert process.stderr is not None
            stack.enter_context(process.stderr)
            return process

        scheduler = kept(
            started(
                "distributed.cli.dask_scheduler",
                "--host=127.0.0.1",
                "--port=0",
                "--no-dashboard",
                "--no-show",
            )
        )
        made = Cluster(said(scheduler, r"Scheduler at:\s+(tcp://\S+)"))
        for _ in range(2):
            worker = kept(
                started(
                    "distributed.cli.dask_worker",
                    made.address,
                    "--nthreads=1",
                    "--no-nanny",
                    "--no-dashboard",
                    "--host=127.0.0.1",
                )
            )
            made.workers.append(worker)
        for worker in made.workers:
            said(worker, r"(Registered to)")
        yield made


class TestCluster:
    @pytest.mark.repeat
    @pytest.mark.torture
    def test_a_killed_worker_changes_nothing(self, cluster: Cluster, tmp_path: Path) -> None:
        """With one of two workers killed half-way, and units drawn around a file that they cannot
        see, the table is that of a single process.
        """
        path = tmp_path / "unit.toml"
        path.write_text(
            'title = "Board"\ninput = "dc"\nbulk = { capacitance = "400 uF", tolerance = "10 %" }',
            encoding="utf-8",
        )
        model = load_unit_model(path)
        path.unlink()
        given: dict[str, Any] = {"model": model, "units": 40, "seed": 11, "faults": QUICK}
        killed_at: list[int] = []

        def kill_one(done: int, total: int) -> None:
            if done >= total // 4 and not killed_at:
                killed_at.append(done)
                cluster.workers[0].kill()

        there = qualify_profile(DC, cluster=cluster.address, on_progress=kill_one, **given)
        here = qualify_profile(DC, workers=1, **given)

        assert killed_at
        assert killed_at[0] < given["units"]
        assert there.csv() == here.csv()
        assert there.new == given["units"]

    def test_a_scheduler_without_workers_is_said_so(
        self, cluster: Cluster, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Nobody waits for ever for a cluster that has no workers."""
        for worker in cluster.workers:
            worker.kill()
            worker.wait(10)
        monkeypatch.setattr("harness.qualify.workers._CONNECT_S", 1.0)

        with pytest.raises(UsageError, match="no workers"):
            qualify_profile(DC, units=2, cluster=cluster.address)
