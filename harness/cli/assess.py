"""``softwake assess``: which parts were over-stressed, what to measure, what replacements do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from harness.unit.assessment import Assessment

__all__ = ["assess"]


def assess(
    unit: Annotated[str, typer.Argument(help="A unit file, or the name of a shipped one.")],
    json: Annotated[  # noqa: FBT002 - an option of the command line
        bool, typer.Option("--json", help="Print the same as JSON.")
    ] = False,
) -> None:
    """Work out over-stressed parts, cold checks and replacements; energises nothing.

    Exit codes: 0 every replacement is acceptable, or none is named; 1 one is not; 2 the file
    cannot be used.
    """
    from harness.profile.unit_file import load_unit
    from harness.unit.assess import assess as assessment_of

    found = assessment_of(load_unit(unit))
    if json:
        typer.echo(_as_json(found))
    else:
        from harness.cli.assess_table import assessment_lines
        from harness.cli.screen import console

        screen = console()
        for part in assessment_lines(found):
            screen.print(part)
    raise typer.Exit(0 if found.acceptable else 1)


def _as_json(found: Assessment) -> str:
    from json import dumps

    from harness.unit.as_plain import as_plain

    return dumps(as_plain(found), indent=1, allow_nan=False)
