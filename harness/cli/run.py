"""``softwake run``: the real thing."""

from __future__ import annotations

from pathlib import Path

import typer

from harness import api
from harness.cli.options import described
from harness.cli.plan import plan_lines, question
from harness.cli.prompts import WatchingOperator
from harness.cli.results import show_result
from harness.cli.screen import show_unconfirmed
from harness.cli.tables import show
from harness.errors import HarnessError, PowerOffUnconfirmed
from harness.profile.plan import Plan
from harness.run.operator import Interrupted, StopRequest, stop_on_signals
from harness.watch.watching import Watching


@described
def run(  # noqa: PLR0913 - options of the command line
    profile: str,
    *,
    bench: Path,
    results: Path,
    serial: str | None = None,
    operator: str = "",
    unit: str | None = None,
    photo: list[str] | None = None,
    safety_record: str = "",
    watch: bool = False,
    yes: bool = False,
) -> None:
    """Start a repaired unit on a real bench, judge it, and record it."""
    stop = StopRequest()
    operator_actions = WatchingOperator(stop)
    named = ""
    watching = Watching(operator_actions.shown, stop, page=watch)

    def confirm(plan: Plan) -> bool:
        """Show the plan and its cautions, and ask."""
        show(plan_lines(plan))
        return operator_actions.confirm(question(plan, named))

    with stop_on_signals(stop):
        try:
            named = operator_actions.ask_serial() if serial is None else serial
            result = api.run_profile(
                profile,
                str(bench),
                serial=named,
                results=results,
                operator=operator,
                unit=unit,
                photos=photo or (),
                safety_record=safety_record,
                confirm=None if yes else confirm,
                operator_actions=operator_actions,
                stop=stop,
                watching=watching.begin,
            )
        except PowerOffUnconfirmed as error:
            watching.end()
            show_unconfirmed(error, told=True)
            raise typer.Exit(error.exit_code) from None
        except (HarnessError, Interrupted) as error:  # before anything was begun
            start = "\n" if isinstance(error, Interrupted) else ""
            typer.echo(f"{start}softwake: {error}\nNothing was energised.", err=True)
            raise typer.Exit(error.exit_code) from None
        finally:
            watching.end()
    show_result(result)
    raise typer.Exit(result.exit_code)
