"""How long a library of simulated units takes, and an answer from one that is at hand."""

from __future__ import annotations

import subprocess
import sys
import tempfile
from pathlib import Path
from time import perf_counter, process_time

from benchmarks.figure import Figure, Goal, rounded
from benchmarks.turns import in_turns
from harness.api import simulated_bench_file
from harness.profile.load import load_profile
from harness.suspects.population import run_members
from harness.suspects.stock import stock_for

__all__ = ["answer_start", "library_speed"]

_ROOT = Path(__file__).resolve().parents[1]
#: A whole library is meant to take this long on two cores, with so many units of a class at most.
_MEANT_S, _CORES, _EACH = 90.0, 2, 24
#: The command, its libraries in the folder that comes first.
_COMMAND = """
import sys
from pathlib import Path
from harness.suspects import stock
folder = Path(sys.argv.pop(1))
stock.cache_folder = lambda: folder
from harness.cli.main import main
main()
"""
_PANDAS = ("-c", "import pandas")


def library_speed(profile: str, *, classes: int | None = None) -> Figure:
    """Measure the time that a library takes whose every class has most units, over what is meant.

    Args:
        profile: Name of a shipped profile.
        classes: Of how many classes a unit is carried out; None: of all.
    """
    loaded = load_profile(profile)
    stock = stock_for(loaded, simulated_bench_file(loaded))
    count = classes or len(stock.kinds)
    run_members(stock, [0])  # plan and dialects are made once
    begin_s = process_time()
    run_members(stock, range(count))
    unit_s = (process_time() - begin_s) / count
    whole_s = unit_s * _EACH * len(stock.kinds) / _CORES
    return Figure(
        name=f"a whole library over {_MEANT_S:g} s, {profile}",
        value=whole_s / _MEANT_S,
        goal=Goal("<", 1),
        told=f"{rounded(whole_s)} s: {len(stock.kinds)} classes, {rounded(unit_s)} s a unit",
        conditions=(
            f"processor time of {count} units, {_EACH} of each class on {_CORES} cores; classes "
            "that are parted from all others have half of them"
        ),
    )


def answer_start(profile: str, *, rounds: int = 5, workers: int = 2) -> Figure:
    """Measure an answer from a library at hand over importing pandas alone, processes and all.

    Args:
        profile: Name of a shipped profile; an output that is too low is asked about.
        rounds: Starts of each.
        workers: Processes that make the library.
    """
    with tempfile.TemporaryDirectory() as folder:
        results, libraries = (str(Path(folder) / name) for name in ("results", "libraries"))
        rehearse = ("rehearse", profile, "--fault", "output-low", "--results", results)
        ask = ("suspects", "last", "--results", results, "--workers", str(workers))
        for command in (rehearse, ask):
            _start(("-c", _COMMAND, libraries, *command), check=False)
        both = in_turns(
            lambda: _start(("-c", _COMMAND, libraries, *ask)), lambda: _start(_PANDAS), rounds
        )
    return Figure(
        name="an answer from a library at hand over python -c 'import pandas'",
        value=both.ratio,
        goal=Goal("<", 4),
        told=f"{both.ours_s * 1e3:.0f} ms against {both.theirs_s * 1e3:.0f} ms",
        conditions=f"{profile}; whole processes, byte code cached; medians of {rounds} starts",
    )


def _start(arguments: tuple[str, ...], *, check: bool = True) -> float:
    begin_s = perf_counter()
    command = [sys.executable, *arguments]
    subprocess.run(  # noqa: S603 - our own
        command, cwd=_ROOT, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL, check=check
    )
    return perf_counter() - begin_s
