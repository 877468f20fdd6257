"""What a run leaves on the screen."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from harness.run.result import RunResult

__all__ = ["show_result"]


def show_result(result: RunResult) -> None:
    """Print the checks, the outcome and the path of the record.

    Where the record was lost on the way, it cannot say how the run ended: then this does.
    """
    import sys

    from harness.cli.result_table import print_result
    from harness.errors import RecordError
    from harness.record.load import load

    if result.folder is None:
        return
    whole = False
    try:
        record = load(result.folder)
    except RecordError:
        pass  # the reason of the run says more
    else:
        print_result(record)
        whole = record.whole
    if not whole:
        print(  # noqa: T201 - the end of the command's own errors
            f"softwake: {result.outcome.value}: {result.reason}", file=sys.stderr
        )
