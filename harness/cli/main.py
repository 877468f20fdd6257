"""The command ``softwake``: parses the command line, turns errors into messages and exit codes."""

from __future__ import annotations

import contextlib
import errno
import importlib
import os
import sys
import traceback
from pathlib import Path
from typing import Annotated, Any

import typer
from typer.core import TyperCommand, TyperGroup

from harness.cli import PLAIN
from harness.cli.screen import guard_streams, show_unconfirmed
from harness.errors import ExitCode, HarnessError, PowerOffUnconfirmed, UsageError

#: Each command with the first line of its help, so that the list of all loads none of them: the
#: command is the function of its name in the module of its name, or its ``app`` of several.
_COMMANDS = {
    "rehearse": "Rehearse a profile on the simulated bench: physics, simulated time, nothing "
    "energised.",
    "run": "Start a repaired unit on a real bench, judge it, and record it.",
    "plan": "Show what would be done: volts, limits, budgets, time, cautions; energises nothing.",
    "assess": "Work out over-stressed parts, cold checks and replacements; energises nothing.",
    "bench": "Find, identify and self-check the instruments; energises nothing unless asked.",
    "qualify": "Rehearse many random healthy and faulty units: false-release and false-reject "
    "rates.",
    "suspects": "Say what most likely explains a run, and what to measure next; energises nothing.",
    "watch": "Show the runs going on in a results folder, and those of today, as a page.",
    "results": "Records of earlier runs.",
    "new": "Write a commented file to begin with, from a few questions.",
}

#: Commands whose exit code is that of the run, whatever became of their output.
_JUDGES = frozenset({"run", "rehearse"})

#: Address space that the libraries take until power may come on. Where less is allowed, one of them
#: waits for memory without end instead of saying so.
_LEAST_ADDRESS_SPACE = 256 << 20


class _Commands(TyperGroup):
    """The commands of `softwake`, each loaded when it is called."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        for name, help_line in _COMMANDS.items():
            self.add_command(TyperCommand(name, help=help_line))

    def resolve_command(self, ctx: Any, args: list[str]) -> Any:
        name = args[0]
        if name in _COMMANDS:
            command = _loaded(name)
            self.add_command(command, name)
            if not ctx.resilient_parsing:  # a shell that completes a line wants no mistakes told
                from harness.cli.workshop import defaults_of, workshop_settings

                ctx.default_map = {name: defaults_of(command, workshop_settings())}
        return super().resolve_command(ctx, args)

    def invoke(self, ctx: Any) -> Any:
        try:
            return super().invoke(ctx)
        except Exception as error:
            told = getattr(error, "format_message", None)  # a mistake in the line itself
            if told is not None:
                _tell_error(None, told(), ExitCode.USAGE)
            raise


def _loaded(name: str) -> Any:
    _require_memory()
    module = importlib.import_module(f"harness.cli.{name}")
    if hasattr(module, "app"):
        return typer.main.get_command(module.app)
    alone = typer.Typer(**PLAIN)
    alone.command(name)(getattr(module, name))
    return typer.main.get_command(alone)


def _require_memory() -> None:
    """Refuse where the system allows less address space than the libraries take."""
    if sys.platform != "win32":
        import resource

        allowed, _ = resource.getrlimit(resource.RLIMIT_AS)
        if allowed != resource.RLIM_INFINITY and allowed < _LEAST_ADDRESS_SPACE:
            raise UsageError(
                f"there is not enough memory: this process may use {allowed >> 20} MB of address "
                "space",
                remedy=f"allow {_LEAST_ADDRESS_SPACE >> 20} MB or more, with ulimit -v",
            )


app = typer.Typer(
    name="softwake",
    cls=_Commands,
    help="First power for repaired equipment, over SCPI: started, judged and recorded.",
    epilog="Exit codes: 0 release, 1 a check failed, 2 command line or file, 3 tripped, "
    "4 undecided, 5 refused (nothing was energised), 6 power may still be on: off could not be "
    "confirmed. What --bench, --results and --operator say every day may stand in softwake.toml.",
    no_args_is_help=True,
    **PLAIN | {"add_completion": True},
)


def _version(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the option's value
    if wanted:
        from importlib.metadata import PackageNotFoundError, version

        try:
            typer.echo(f"softwake {version('softwake')}")
        except PackageNotFoundError:
            typer.echo("softwake, from a checkout that is not installed")
        raise typer.Exit


def _schema(wanted: bool) -> None:  # noqa: FBT001 - typer calls it with the option's value
    if wanted:
        from harness.cli.documents import schema

        typer.echo(schema(), nl=False)
        raise typer.Exit


@app.callback()
def _options(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Show the version.")
    ] = False,
    schema: Annotated[
        bool,
        typer.Option(
            "--schema",
            callback=_schema,
            is_eager=True,
            help="Print the JSON Schema of what --json prints.",
        ),
    ] = False,
) -> None:
    """Options of the command itself."""


def main() -> None:
    """Run the command line; whatever ends it becomes a message and an exit code."""
    # Nothing here multiplies matrices: the threads a library would keep for it only take memory.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    shown = guard_streams()
    code = _ended()
    if "harness.cli.logs" in sys.modules:
        sys.modules["harness.cli.logs"].finish()
    with contextlib.suppress(OSError, ValueError):
        sys.stdout.flush()
    lost = None if shown is None else shown.lost
    if lost is not None and lost.errno != errno.EPIPE:  # a closed pipe had enough
        _say(f"output was lost, because it cannot be written: {lost.strerror}")
        if not _JUDGES.intersection(sys.argv[1:2]):
            code = code or ExitCode.USAGE
    sys.exit(code)


def _ended() -> int | str | None:
    try:
        app(prog_name="softwake")  # also where Python was told to run the module
    except SystemExit as ended:
        return ended.code
    except PowerOffUnconfirmed as error:
        show_unconfirmed(error)
        _tell_error(error, str(error), error.exit_code)
        return error.exit_code
    except HarnessError as error:
        _say(str(error))
        _tell_error(error, str(error), error.exit_code)
        return error.exit_code
    except ImportError as error:  # pages of advice may stand before the reason
        reason = str(error).strip().rpartition("\n")[2]
        return _fail(f"a library cannot be loaded ({reason}); is there enough memory?")
    except MemoryError:
        return _fail("there is not enough memory; end other programs, or raise its limit")
    except OSError as error:
        what = f"{error.filename}: {error.strerror}" if error.filename else str(error.strerror)
        return _fail(f"the system refuses: {what}")
    except Exception as error:  # noqa: BLE001 - a traceback helps nobody at a bench
        *_, last = traceback.extract_tb(error.__traceback__)
        place = f"{Path(last.filename).name}, line {last.lineno}"
        told = f"{type(error).__name__}: {error} ({place})"
        return _fail(f"an error of the program: {told}; please report it")
    return ExitCode.USAGE


def _fail(text: str) -> int:
    """Say what ended the program, where that is none of its own errors."""
    _say(text)
    _tell_error(None, text, ExitCode.USAGE)
    return ExitCode.USAGE


def _say(text: str) -> None:
    print(f"softwake: {text}", file=sys.stderr)  # noqa: T201 - the one place errors are shown


def _tell_error(error: HarnessError | None, what: str, exit_code: int) -> None:
    if "--json" in sys.argv[1:]:
        with contextlib.suppress(ImportError, MemoryError):
            from harness.cli.documents import tell_error

            tell_error(error, what, exit_code)


if __name__ == "__main__":
    main()
