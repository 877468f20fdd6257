"""Whole runs of the product against an outside bench, in processes of their own.

    python -m tests.outside.runs --runs 50 --latency 0 2 5 7 10 30 100 --at-once 4

runs healthy units at each latency (in ms per answer), with and without meter and load, DC and AC,
and prints how many passed and why the others did not. ``--product DIR`` takes the product from
another checkout, to compare with an earlier state.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import itertools
import json
import math
import os
import re
import signal
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any, Self, TypeVar

from tests.outside.partner import ROOT, OutsideBench
from tests.warm_start import Process, start_process

_Ran = TypeVar("_Ran")

#: What follows the head of a unit: its start, and nominal voltage.
_STEPS = """
[[steps]]
kind          = "start"
levels        = {levels}
current_limit = "{limit}"
dwell         = "100 ms"

[[steps]]
kind  = "nominal"
dwell = "{nominal}"

[[steps.checks]]
name    = "idle power"
measure = "supply.power"
low     = "{idle_low} W"
high    = "{idle_high} W"
{checks}"""

_DC = """\
title = "Mount controller board, shortened"

[unit]
protection_class = "III"

[unit.input]
kind             = "dc"
nominal          = "24 V"
tolerance        = "10 %"
current          = "1.2 A"
bulk_capacitance = "470 uF"
idle_power       = "{idle} W"
start_threshold  = "8 V"

[unit.output.main]
kind    = "dc"
nominal = "5 V"
current = "2 A"

[envelope]
voltage = "26.4 V"
current = "1.5 A"
power   = "36 W"
"""

_AC = """\
title = "Dome-shutter power unit, shortened"

[unit]
protection_class = "II"

[unit.input]
kind             = "ac"
nominal          = "120 V"
tolerance        = "10 %"
frequency        = ["60 Hz"]
current          = "1.2 A"
bulk_capacitance = "150 uF"
idle_power       = "{idle} W"
start_threshold  = "55 V"

[unit.output.main]
kind    = "dc"
nominal = "24 V"
current = "2.5 A"

[envelope]
voltage = "132 V"
current = "1.5 A"
power   = "90 W"
"""

_RAIL = """
[[steps.checks]]
name    = "rail"
measure = "meter.voltage_dc"
low     = "{low}"
high    = "{high}"
"""

_LOAD = """
[[steps]]
kind     = "load"
currents = ["{half}", "{full}"]
dwell    = "{dwell}"

[[steps.checks]]
name    = "efficiency"
measure = "efficiency"
low     = "75 %"
"""


#: What stands in the profile of each kind for its healthy unit.
_FIGURES = {
    "dc": {"limit": "300 mA", "idle": 0.6, "rail": ("4.9 V", "5.1 V"), "load": ("1 A", "2 A")},
    "ac": {
        "limit": "500 mA",
        "idle": 2.0,
        "rail": ("23.3 V", "24.7 V"),
        "load": ("1.25 A", "2.5 A"),
    },
}

#: Levels of a start, all of them, and as few as a test needs.
FIVE = ("10 %", "25 %", "50 %", "75 %", "100 %")
TWO = ("50 %", "100 %")


def profile_text(
    kind: str = "dc",
    *,
    meter: bool = True,
    load: bool = True,
    nominal: str = "300 ms",
    load_dwell: str = "100 ms",
    levels: tuple[str, ...] = FIVE,
    limit: str | None = None,
    idle_w: float | None = None,
) -> str:
    """Return a short profile for the healthy unit of a bench of that kind."""
    figures = _FIGURES[kind]
    idle_w = figures["idle"] if idle_w is None else idle_w
    low, high = figures["rail"]
    rail = _RAIL.format(low=low, high=high) if meter else ""
    checks = rail
    if load:
        half, full = figures["load"]
        checks += _LOAD.format(half=half, full=full, dwell=load_dwell) + rail
    return ((_DC if kind == "dc" else _AC) + _STEPS).format(
        nominal=nominal,
        checks=checks,
        levels=json.dumps(levels),
        limit=limit or figures["limit"],
        idle=idle_w,
        idle_low=round(0.4 * idle_w, 3),
        idle_high=round(1.4 * idle_w, 3),
    )


@dataclasses.dataclass
class Ended:
    """How a run ended.

    Attributes:
        code: Exit code.
        screen: What it printed, both streams.
        run: ``run.json``, or empty.
        record: Its folder, or None.
        began_s: Start of the process, and ``ended_s`` its end, on the monotonic clock.
    """

    code: int
    screen: str
    run: dict[str, Any]
    record: Path | None
    began_s: float
    ended_s: float

    @property
    def released(self) -> bool:
        """Whether the unit was released."""
        return self.run.get("released") is True

    @property
    def reason(self) -> str:
        """The trip's reason, or how it ended."""
        reason = self.run.get("trip") or self.run.get("reason") or self.screen[-300:]
        return reason if isinstance(reason, str) else str(reason.get("reason", reason))


class Running:
    """A run that goes on, as a context; it is ended with it."""

    def __init__(
        self,
        bench: OutsideBench,
        profile: str,
        *,
        product: Path = ROOT,
        options: Iterable[str] = (),
        typed: str | Path = "",
        serial: str = "HRW-0007",
    ) -> None:
        self._folder = bench.file.parent
        path = self._folder / "profile.toml"
        path.write_text(profile, encoding="utf-8")
        self.results = self._folder / "results"
        self.screen = self._folder / "screen.txt"
        self._words = [
            *("run", str(path), "--bench", str(bench.file)),
            *("--serial", serial, "--results", str(self.results), "--yes"),
            # a unit for mains releases nothing without the safety tests after repair
            *("--safety-record", "test sheet 2026-118", *options),
        ]
        self._product = product
        self._typed = typed if isinstance(typed, Path) else self._folder / "typed.txt"
        if not isinstance(typed, Path):  # that is where somebody goes on typing
            self._typed.write_text(typed, encoding="utf-8")

    def __enter__(self) -> Self:
        """Start it."""
        self.began_s = time.monotonic()
        self.process: Process
        with self.screen.open("wb") as file:
            if self._product == ROOT:
                self.process = start_process(self._words, cwd=ROOT, stdout=file, stdin=self._typed)
                return self
            self.process = subprocess.Popen(
                [sys.executable, "-m", "harness", *self._words],
                cwd=self._product,
                env={**os.environ, "PYTHONPATH": str(self._product)},
                stdin=subprocess.DEVNULL,
                stdout=file,
                stderr=subprocess.STDOUT,
                # a terminal of its own, as at a bench: the system shares time out by sessions
                start_new_session=True,
            )
        return self

    def end(self, longest_s: float = 60.0) -> Ended:
        """Wait for its end."""
        self.process.wait(timeout=longest_s)
        ended_s = time.monotonic()
        folders = sorted(self.results.iterdir()) if self.results.is_dir() else []
        folders = [folder for folder in folders if folder.is_dir()]
        record = folders[0] if folders else None
        file = record / "run.json" if record else None
        run = json.loads(file.read_text(encoding="utf-8")) if file and file.exists() else {}
        screen = self.screen.read_text(encoding="utf-8")
        return Ended(self.process.returncode, screen, run, record, self.began_s, ended_s)

    def __exit__(self, *_: object) -> None:
        """End it if it still goes on."""
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(timeout=10.0)
            self.process.kill()
        self.process.wait()


def side_by_side(
    folder: Path, names: Sequence[str], carry_out: Callable[[Path, str], _Ran], *, at_once: int = 4
) -> dict[str, _Ran]:
    """Carry out cases, each in a folder of its own, some at a time: mostly they wait for holds."""

    def one(name: str) -> _Ran:
        return carry_out(folder / re.sub(r"\W+", "-", name), name)

    with ThreadPoolExecutor(at_once) as pool:
        return dict(zip(names, pool.map(one, names), strict=True))


def one_run(
    folder: Path,
    config: dict[str, Any] | None = None,
    *,
    profile: str | None = None,
    product: Path = ROOT,
    dialects: dict[str, str] | None = None,
    longest_s: float = 60.0,
) -> tuple[Ended, OutsideBench]:
    """Run the product once on a fresh bench; the bench's log is there afterwards."""
    config = config or {}
    text = profile or profile_text(
        config.get("kind", "dc"), meter=config.get("meter", True), load=config.get("load", True)
    )
    with (
        OutsideBench(folder, config, dialects=dialects) as bench,
        Running(bench, text, product=product) as running,
    ):
        ended = running.end(longest_s)
        if ended.record is None:
            bench.control("state")
    return ended, bench


# --- many runs


@dataclasses.dataclass(frozen=True)
class Case:
    """A bench of the sweep."""

    kind: str
    latency_s: float
    meter: bool
    load: bool

    @property
    def name(self) -> str:
        """For the table."""
        more = [name for name, there in (("meter", self.meter), ("load", self.load)) if there]
        return f"{self.kind} {1e3 * self.latency_s:g} ms, supply" + "".join(f"+{n}" for n in more)

    def config(self, seed: int) -> dict[str, Any]:
        """The bench's configuration."""
        return {
            "kind": self.kind,
            "latency_s": self.latency_s,
            "meter": self.meter,
            "load": self.load,
            "seed": seed,
        }


def sweep(
    cases: Iterable[Case],
    runs: int,
    folder: Path,
    *,
    product: Path = ROOT,
    at_once: int = 3,
    longest_s: float = math.inf,
    tell: Callable[[str], None] = lambda _: None,
) -> dict[Case, Counter[str]]:
    """Run each case so many times, some at once; count how they ended: ``pass``, or the reason.

    Runs of all cases are mixed, so that those that wait and those that spin share the machine, and
    after ``longest_s``, when no more are begun, each case has had as many.
    """
    cases = list(cases)
    found: dict[Case, Counter[str]] = {case: Counter() for case in cases}
    lock = threading.Lock()
    end_s = time.monotonic() + longest_s

    def one(job: tuple[int, Case]) -> None:
        seed, case = job
        if time.monotonic() > end_s:
            return
        # longer than the keeper waits for its client: what is never said then shows
        profile = profile_text(
            case.kind, meter=case.meter, load=case.load, nominal="800 ms", load_dwell="800 ms"
        )
        where = folder / f"{case.name.replace(' ', '-').replace(',', '')}-{seed}"
        try:
            ended, bench = one_run(
                where, case.config(seed), profile=profile, product=product, longest_s=180.0
            )
        except subprocess.TimeoutExpired:
            how = "did not end in 180 s"
        else:
            how = "pass" if ended.code == 0 and ended.released else f"{ended.code}: {ended.reason}"
            how += ", POWER LEFT ON" if bench.left_on else ""
        with lock:
            found[case][how] += 1
            if how != "pass":
                tell(f"{where}: {how}")

    with ThreadPoolExecutor(at_once) as pool:
        list(pool.map(one, itertools.product(range(1, runs + 1), cases)))
    return found


def table(found: dict[Case, Counter[str]]) -> str:
    """Write what a sweep found, a line a case."""
    lines = []
    for case, counts in found.items():
        others = "; ".join(f"{n} x {how}" for how, n in counts.most_common() if how != "pass")
        passed = f"{counts['pass']} of {counts.total()}"
        lines.append(f"{case.name:32} {passed:>10}  {others}".rstrip())
    return "\n".join(lines)


def benches(latencies_s: Iterable[float], kinds: Iterable[str] = ("dc", "ac")) -> list[Case]:
    """Every bench of the sweep, with and without meter and load."""
    shapes = {
        "dc": [(False, False), (True, False), (False, True), (True, True)],
        "ac": [(False, False), (True, False), (True, True)],
    }
    return [
        Case(kind, latency_s, meter, load)
        for latency_s in latencies_s
        for kind in kinds
        for meter, load in shapes[kind]
    ]


def main() -> None:
    """Run the sweep of the command line."""
    parser = argparse.ArgumentParser(description="Healthy runs on the outside bench.")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--latency", type=float, nargs="*", default=[0, 2, 5, 7, 10, 30, 100])
    parser.add_argument("--alone-or-all", action="store_true", help="no meter or load, or both")
    parser.add_argument("--longest", type=float, default=math.inf, help="begin none after so long")
    parser.add_argument("--kind", nargs="*", default=["dc", "ac"])
    parser.add_argument("--at-once", type=int, default=3)
    parser.add_argument("--product", type=Path, default=ROOT)
    parser.add_argument("--folder", type=Path, default=None)
    asked = parser.parse_args()
    folder = asked.folder or Path(tempfile.mkdtemp(prefix="outside-"))
    cases = benches((1e-3 * each for each in asked.latency), asked.kind)
    if asked.alone_or_all:
        cases = [case for case in cases if case.meter == case.load]
    found = sweep(
        cases,
        asked.runs,
        folder,
        product=asked.product,
        at_once=asked.at_once,
        longest_s=asked.longest,
        tell=_say,
    )
    _say(table(found))


def _say(text: str) -> None:
    print(text, flush=True)  # noqa: T201 - its table


if __name__ == "__main__":
    main()
