"""Options that several commands share, and files that commands write."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from harness.errors import UsageError

Profile = Annotated[str, typer.Argument(help="A profile file, or the name of a shipped one.")]
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


def require_new(to: Path, remedy: str) -> None:
    """Raise `UsageError` where there is a file already."""
    if to.exists():
        raise _there_already(to, remedy)


def write_file(to: Path, content: bytes, *, force: bool = False) -> None:
    """Write a file; `UsageError` where it is there already and not forced, or cannot be written."""
    try:
        with to.open("wb" if force else "xb") as file:
            file.write(content)
    except FileExistsError:
        raise _there_already(to, "name a new one") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "no file name"
        raise UsageError(f"it cannot be written: {reason}", where=str(to)) from error
    typer.echo(f"wrote {to}")


def _there_already(to: Path, remedy: str) -> UsageError:
    return UsageError("the file is there already", where=str(to), remedy=remedy)
