"""The options that commands about records share."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Annotated

import typer

from harness.errors import RecordError, UsageError

__all__ = ["HERE", "NextDue", "Results", "Run", "as_date", "write_new"]

Results = Annotated[Path, typer.Option("--results", help="Folder the records are in.")]
Run = Annotated[
    str,
    typer.Argument(
        metavar="RUN", help="'last', a run's folder, its name, or the beginning of its name."
    ),
]
NextDue = Annotated[
    str | None,
    typer.Option("--next-due", metavar="DATE", help="When the next test is due: 2027-11-25."),
]
#: Where records are, unless said otherwise.
HERE = Path("results")


def as_date(text: str | None) -> dt.date | None:
    """Read a date of the command line.

    Raises:
        UsageError: It is none.
    """
    if text is None:
        return None
    try:
        return dt.date.fromisoformat(text)
    except ValueError:
        raise UsageError(
            f"{text!r} is no date", where="--next-due", remedy="such as 2027-11-25"
        ) from None


def write_new(to: Path, content: bytes) -> None:
    """Write a new file; one that is there already stays as it is.

    Raises:
        UsageError: There is a file of this name.
        RecordError: It cannot be written.
    """
    try:
        with to.open("xb") as file:
            file.write(content)
    except FileExistsError:
        raise UsageError(
            "the file is there already", where=str(to), remedy="name a new one"
        ) from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no file name"
        raise RecordError(f"it cannot be written: {reason}", where=str(to)) from error
