"""How long ``softwake --help`` takes, against importing the library it is made with."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path
from time import perf_counter

from benchmarks.figure import Figure, Goal
from benchmarks.turns import in_turns

__all__ = ["help_start"]

_ROOT = Path(__file__).resolve().parents[1]
#: What the installed script does.
_HELP = ("-c", "from harness.cli.main import main; main()", "--help")
_TYPER = ("-c", "import typer")


def help_start(*, rounds: int = 21) -> Figure:
    """Measure the help's wall time over that of importing typer alone, processes and all.

    Args:
        rounds: Starts of each.
    """
    both = in_turns(lambda: _start(_HELP), lambda: _start(_TYPER), rounds)
    return Figure(
        name="softwake --help over python -c 'import typer'",
        value=both.ratio,
        goal=Goal("<", 1.3),
        told=f"{both.ours_s * 1e3:.0f} ms against {both.theirs_s * 1e3:.0f} ms",
        conditions=f"whole processes, byte code cached; medians of {rounds} starts of each",
    )


def _start(arguments: tuple[str, ...]) -> float:
    begin_s = perf_counter()
    command = [sys.executable, *arguments]
    subprocess.run(command, cwd=_ROOT, stdout=subprocess.DEVNULL, check=True)  # noqa: S603 - our own
    return perf_counter() - begin_s
