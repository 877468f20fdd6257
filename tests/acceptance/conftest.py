"""A served bench in this process, and runs against it in processes of their own."""

from __future__ import annotations

import contextlib
import json
import math
import signal
import subprocess
import sys
import threading
import time
from collections import defaultdict
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from harness.api import simulated_bench_file, simulated_unit
from harness.bench.clock import SystemClock
from harness.profile.load import load_bench, load_profile
from harness.rehearse.server import ServedLink, Spoken, serve, socket_resource
from harness.rehearse.simulated_bench import SimulatedBench
from tests.units import BOARD, BOARD_STEPS, SHUTTER
from tests.warm_start import Process, start_process

ROOT = Path(__file__).resolve().parents[2]

#: Files whose whole runs take longest: begun first, so that none of them is left at the end, where
#: the other processes have nothing to do.
LONGEST = (
    *(
        "test_outside_camera",
        "test_page",
        "test_watching",
        "test_ways_of_speaking",
        "test_cli",
        "test_confirm",
    ),
    *("test_link_faults", "test_worn_units", "test_disk", "test_endings", "test_gate"),
    *("test_killing", "test_listen", "test_source_by_hand", "test_full_release"),
)


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Put the longest files first, as long as their order is kept (`--no-loadscope-reorder`)."""
    place = {name: number for number, name in enumerate(LONGEST)}
    items.sort(key=lambda item: place.get(item.path.stem, len(LONGEST)))


#: Runs at a time: each is two processes that mostly wait.
AT_ONCE = 3

#: A contact in the feed.
SWITCH = """
[switch]
resource = "TCPIP0::127.0.0.1::5028::SOCKET"
dialect  = "scpi-switch"
identity = "SU-8"
"""

#: Unit B with two levels and short holds: every kind of step in a few seconds.
SHORT_PROFILE = f"""{SHUTTER}
[[steps]]
kind          = "start"
levels        = ["50 %", "100 %"]
current_limit = "0.5 A"
dwell         = "100 ms"

[[steps]]
kind  = "nominal"
dwell = "100 ms"

[[steps.checks]]
name    = "24 V rail"
measure = "meter.voltage_dc"
low     = "23.3 V"
high    = "24.7 V"

[[steps]]
kind     = "load"
currents = ["1.25 A"]
dwell    = "100 ms"

[[steps.checks]]
name    = "24 V rail"
measure = "meter.voltage_dc"
low     = "23.3 V"
high    = "24.7 V"

[[steps.checks]]
name    = "efficiency"
measure = "efficiency"
low     = "80 %"
"""

#: Unit A as far as the nominal hold: there in half the time, for what no kind of unit matters to.
BOARD_PROFILE = BOARD + BOARD_STEPS.replace('"10 %", ', "")


class ServedBench:
    """A simulated bench on free ports, and what was seen of it.

    Attributes:
        links: The links by role; faults are injected here.
        spoken: Exchanges by role.
        switched: When the output went on or off (:func:`time.monotonic`), and which.
        profile: The shortened profile's file.
        file: The bench file to use.
        results: Where records go.
        on_message: Called with role and message of each exchange, while its link is busy.
    """

    def __init__(self, folder: Path, profile_text: str, *, switch: bool) -> None:
        folder.mkdir(parents=True)
        self.profile = folder / "short.toml"
        self.profile.write_text(profile_text, encoding="utf-8")
        self.file = folder / "bench.toml"
        self.results = folder / "results"
        profile = load_profile(self.profile)
        self._bench = simulated_bench_file(profile)
        if switch:
            self.file.write_text(self._bench.text + SWITCH, encoding="utf-8")
            self._bench = load_bench(self.file)
        self._simulated = SimulatedBench(simulated_unit(profile), self._bench, SystemClock())
        self.spoken: dict[str, list[Spoken]] = defaultdict(list)
        self.switched: list[tuple[float, bool]] = []
        self.on_message: Callable[[str, str], None] = lambda *_: None
        self.links = {
            role: ServedLink(self._simulated.devices[table.resource], role, self._hear(role))
            for role, table in self._bench.instruments.items()
        }

    @contextlib.contextmanager
    def serving(self) -> Iterator[ServedBench]:
        """Listen on free ports and write the bench file for them."""
        tables = self._bench.instruments
        links = {table.resource: self.links[role] for role, table in tables.items()}
        with serve(links, dict.fromkeys(links, 0)) as ports:
            text = self._bench.text
            for resource, port in ports.items():
                text = text.replace(resource, socket_resource(port))
            self.file.write_text(text, encoding="utf-8")
            yield self

    @property
    def words(self) -> list[str]:
        """What a run of the profile on this bench is called with."""
        return [
            *("run", str(self.profile), "--bench", str(self.file), "--serial", "HRW-0007"),
            *("--results", str(self.results), "--yes", "--safety-record", "ST-0007"),
        ]

    def hold_for(self, hold: str) -> None:
        """Have the run's nominal step hold for longer, before it begins."""
        text = self.profile.read_text(encoding="utf-8")
        begin, nominal, rest = text.partition('kind  = "nominal"\n')
        assert nominal
        text = begin + nominal + rest.replace('dwell = "100 ms"', f'dwell = "{hold}"', 1)
        self.profile.write_text(text, encoding="utf-8")

    @property
    def on(self) -> bool:
        """Whether the supply's output is on, asked of the circuit."""
        return self._simulated.circuit.source_on

    @property
    def contact_closed(self) -> bool:
        """Whether the contact in the feed is closed, asked of it."""
        return self._simulated.contact_closed

    @property
    def first_wrong_s(self) -> float | None:
        """When the first spoilt answer under power was due: what comes before may be refused."""
        on_s = min((time_s for time_s, on in self.switched if on), default=math.inf)
        wrong = [said.time_s for log in self.spoken.values() for said in log if said.spoilt]
        return min((time_s for time_s in wrong if time_s >= on_s), default=None)

    @property
    def off_s(self) -> float:
        """When the output last went off; the note of it may come a moment after the output."""
        end_s = time.monotonic() + 1.0
        while not (offs := [time_s for time_s, on in self.switched if not on]):
            if time.monotonic() > end_s:
                return math.inf
            time.sleep(0.002)
        return max(offs)

    @property
    def first_off_s(self) -> float:
        """When the output first went off; never, as yet: infinite."""
        return min((time_s for time_s, on in self.switched if not on), default=math.inf)

    def wait(self, *, on: bool, longest_s: float) -> bool:
        """Wait for the output to be on or off; False if it is not in time."""
        end_s = time.monotonic() + longest_s
        while self.on is not on:
            if time.monotonic() > end_s:
                return False
            time.sleep(0.002)
        return True

    def _hear(self, role: str) -> Callable[[Spoken], None]:
        def hear(spoken: Spoken) -> None:
            self.spoken[role].append(spoken)
            if self.on is not bool(self.switched and self.switched[-1][1]):
                self.switched.append((spoken.time_s, self.on))
            self.on_message(role, spoken.message)

        return hear


@dataclass
class Ended:
    """How a run ended.

    Attributes:
        code: Exit code; negative for a signal.
        screen: What it printed, both streams.
        record: The record's folder, or None.
        run: ``run.json``, or empty.
    """

    code: int
    screen: str
    record: Path | None = None
    run: dict[str, Any] = field(default_factory=dict)


@dataclass
class Running:
    """A run on its way."""

    process: Process
    results: Path
    screen: Path

    def signal(self, number: int) -> float:
        """Send a signal; return when."""
        at_s = time.monotonic()
        self.process.send_signal(number)
        return at_s

    def says(self, text: str, longest_s: float) -> bool:
        """Wait for a text on the screen; False if it is not in time."""
        end_s = time.monotonic() + longest_s
        while text not in self.screen.read_text(encoding="utf-8"):
            if time.monotonic() > end_s:
                return False
            time.sleep(0.02)
        return True

    def keeper(self) -> int:
        """Return the id of the keeper's process."""
        pid = self.process.pid
        children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii").split()
        assert len(children) == 1, children
        return int(children[0])

    def end(self, longest_s: float = 40.0) -> Ended:
        """Wait for its end."""
        self.process.wait(timeout=longest_s)
        screen = self.screen.read_text(encoding="utf-8")
        there = self.results.iterdir() if self.results.is_dir() else ()
        folders = sorted(path for path in there if path.is_dir())
        ended = Ended(self.process.returncode, screen, folders[0] if folders else None)
        if folders and (folders[0] / "run.json").exists():
            ended.run = json.loads((folders[0] / "run.json").read_text(encoding="utf-8"))
        return ended


class Campaign:
    """Runs against served benches, a few at a time."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder
        self._lock = threading.Lock()
        self._count = 0

    @contextlib.contextmanager
    def bench(self, profile: str = SHORT_PROFILE, *, switch: bool = False) -> Iterator[ServedBench]:
        """Serve a fresh bench for a profile, with a switch in the feed or without."""
        with self._lock:
            self._count += 1
            folder = self._folder / str(self._count)
        with ServedBench(folder, profile, switch=switch).serving() as served:
            yield served

    @contextlib.contextmanager
    def run(self, bench: ServedBench, program: str = "", *words: str) -> Iterator[Running]:
        """Start ``softwake run``; it is ended at the end if it is still there.

        Args:
            bench: The bench.
            program: What stands in for the command: it takes the words from its arguments.
            words: What the program takes, before those of the bench; or the command, after them.
        """
        # a file, no pipe: a keeper that outlives its engine may hold it for a while
        screen = bench.file.parent / "screen.txt"
        process: Process
        with screen.open("wb") as file:
            if not program:
                process = start_process([*bench.words, *words], cwd=ROOT, stdout=file)
            else:
                process = subprocess.Popen(
                    [sys.executable, "-c", program, *words, *bench.words],
                    cwd=ROOT,
                    stdin=subprocess.DEVNULL,
                    stdout=file,
                    stderr=subprocess.STDOUT,
                )
        try:
            yield Running(process, bench.results, screen)
        finally:
            if process.poll() is None:
                process.send_signal(signal.SIGTERM)
                with contextlib.suppress(subprocess.TimeoutExpired):
                    process.wait(timeout=10.0)
                process.kill()
            process.wait()

    @staticmethod
    def now_s() -> float:
        """Return the machine's monotonic time."""
        return time.monotonic()

    def each(self, cases: list[Any], run: Callable[[Any], Any]) -> list[tuple[Any, Any]]:
        """Run every case, a few at a time; return each with what came of it."""
        with ThreadPoolExecutor(AT_ONCE) as pool:
            return list(zip(cases, pool.map(run, cases), strict=True))


@pytest.fixture
def campaign(tmp_path: Path) -> Campaign:
    """Return a campaign that works in the test's folder."""
    return Campaign(tmp_path)
