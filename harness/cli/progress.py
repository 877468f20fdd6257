"""How far a long computation is, on standard error: what is printed can go to a file without it."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator

from harness.cli.logs import is_quiet


@contextlib.contextmanager
def progress_bar(units: int, *what: str) -> Iterator[Callable[[int, int], None]]:
    """Show how many of the units are done, from the first word on: until then may be a mistake.

    What is yielded takes how many are done, and of how many. ``what`` stands before the bar.
    """
    from rich.console import Console
    from rich.progress import BarColumn, MofNCompleteColumn, Progress, TimeRemainingColumn

    bar = Progress(
        *what,
        BarColumn(),
        MofNCompleteColumn(),
        "units",
        TimeRemainingColumn(),
        disable=is_quiet(),
        console=Console(stderr=True),
    )
    task = bar.add_task("units", total=units)

    def show(done: int, total: int) -> None:
        bar.start()
        bar.update(task, completed=done, total=total)

    try:
        yield show
    finally:
        if bar.live.is_started:
            bar.stop()
