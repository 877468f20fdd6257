"""What a run leaves on the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.run.result import RunResult

__all__ = ["show_result"]


def show_result(result: RunResult) -> None:
    """Print the checks, the outcome and the path of the record."""
    from harness.cli.result_table import print_result
    from harness.record.load import load

    if result.folder is not None:
        print_result(load(result.folder))
