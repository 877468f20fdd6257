"""What a run leaves on the screen."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING

import typer

from harness.errors import RecordError

if TYPE_CHECKING:
    from harness.errors import PowerOffUnconfirmed
    from harness.run.result import RunResult

__all__ = ["NOTHING", "show_result", "show_unconfirmed"]

#: The last line where the output was never on.
NOTHING = "Nothing was energised."
_CUT = "CUT THE MAINS OF THE SUPPLY NOW"


def show_result(result: RunResult) -> None:
    """Print the checks, the outcome, the path of the record, and last what became of the output.

    Where the record was lost on the way, it cannot say how the run ended: then this does.
    """
    from harness.report.wording import output_text
    from harness.run.entry import output_entry

    if result.folder is None:
        return
    whole = False
    try:
        from harness.cli.result import print_record
        from harness.record.tables import load

        record = load(result.folder)
        print_record(record)
        whole = record.whole
    except RecordError:
        pass  # the reason of the run says more
    except Exception as error:  # noqa: BLE001 - such as no memory left: how the run ended counts
        problem = f"{type(error).__name__}: {error}".partition("\n")[0]
        typer.echo(f"softwake: the checks cannot be shown: {problem}", err=True)
        typer.echo(f"record {result.folder}")
    if not whole:
        sys.stdout.flush()
        typer.echo(f"softwake: {result.outcome.value}: {result.reason}", err=True)
    typer.echo(output_text(output_entry(result)))


def show_unconfirmed(error: PowerOffUnconfirmed, *, told: bool = False) -> None:
    """Say first of all that the mains are to be cut, then why, on whatever screens there are.

    Args:
        error: What went wrong.
        told: Whether standard output shows the first already.
    """
    one = _one_screen()
    if not told and not one:
        typer.echo(_CUT)
        sys.stdout.flush()
    lines = ["" if told and one else _CUT, str(error), *getattr(error, "__notes__", ())]
    typer.echo("\n".join(lines).lstrip("\n"), err=True)


def _one_screen() -> bool:
    """Whether standard output and error go to the same place."""
    try:
        return os.path.sameopenfile(sys.stdout.fileno(), sys.stderr.fileno())
    except (OSError, ValueError, AttributeError):
        return False
