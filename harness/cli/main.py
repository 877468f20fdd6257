"""The command ``softwake``: parses the command line, turns errors into messages and exit codes."""

from __future__ import annotations

import sys
from typing import Annotated

import typer

from harness.cli import assess, bench, new, plan, qualify, rehearse, results, run
from harness.errors import HarnessError

__all__ = ["app", "main"]

app = typer.Typer(
    name="softwake",
    help="First power for repaired equipment, over SCPI: started, judged and recorded.",
    epilog="Exit codes: 0 release, 1 a check failed, 2 command line or file, 3 tripped, "
    "4 undecided, 5 refused (nothing was energised).",
    no_args_is_help=True,
    add_completion=False,
    pretty_exceptions_enable=False,
    rich_markup_mode=None,  # plain help: loading its decorations takes longer than all the rest
)
app.command("rehearse")(rehearse.rehearse)
app.command("run")(run.run)
app.command("plan")(plan.plan)
app.command("assess")(assess.assess)
app.command("bench")(bench.bench)
app.command("qualify")(qualify.qualify)
app.add_typer(results.app, name="results")
app.add_typer(new.app, name="new")


def _version(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the option's value
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            typer.echo(f"softwake {version('softwake')}")
        except PackageNotFoundError:
            typer.echo("softwake, from a checkout that is not installed")
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[  # noqa: FBT002 - acts through its callback
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
) -> None:
    """Options of the command itself."""


def main() -> None:
    """Run the command line; an error of the harness becomes a message and its exit code."""
    try:
        app()
    except HarnessError as error:
        print(f"softwake: {error}", file=sys.stderr)  # noqa: T201 - the one place errors are shown
        sys.exit(error.exit_code)


if __name__ == "__main__":
    main()
