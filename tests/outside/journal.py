"""Where a run stands, by what it has written so far; and which process keeps its power."""

from __future__ import annotations

import csv
import time
from pathlib import Path

from tests.outside.runs import Running


def keeper_of(running: Running) -> int:
    """Return the id of the keeper's process (Linux)."""
    pid = running.process.pid
    [child] = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
    return int(child)


def last_of_power(record: Path) -> str:
    """Return what a journal last says of power: kind and detail."""
    rows = csv.DictReader((record / "events.csv").read_text(encoding="utf-8").splitlines())
    told = [f"{row['kind']},{row['detail']}" for row in rows if row["kind"].startswith("power")]
    return told[-1] if told else ""


def reached(
    running: Running, step: str, kind: str = "settled", but: str = "50 %", longest_s: float = 90.0
) -> bool:
    """Wait until a journal has an event of a kind in a step, other than of a level ``but``."""
    end_s = time.monotonic() + longest_s
    while time.monotonic() < end_s:
        for path in running.results.glob("*/events.csv"):
            rows = path.read_text(encoding="utf-8").splitlines()
            if any(kind in row and step in row and but not in row for row in rows):
                return True
        time.sleep(0.02)
    return False
