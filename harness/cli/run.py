"""``softwake run``: the real thing."""

from __future__ import annotations

from pathlib import Path
from typing import Any, NoReturn

import typer

from harness import api
from harness.cli.documents import Teller, of_error, telling
from harness.cli.logs import kept_from_the_screen
from harness.cli.options import described
from harness.cli.plan import plan_lines, question
from harness.cli.prompts import WatchingOperator
from harness.cli.record_shown import show_result
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
    json: bool = False,
) -> None:
    """Start a repaired unit on a real bench, judge it, and record it."""
    with telling(wanted=json) as tell, kept_from_the_screen():
        _run(
            profile,
            str(bench),
            serial,
            watch=watch,
            ask=not yes,
            tell=tell,
            results=results,
            operator=operator,
            unit=unit,
            photos=photo or (),
            safety_record=safety_record,
        )


def _run(
    profile: str,
    bench: str,
    serial: str | None,
    *,
    watch: bool,
    ask: bool,
    tell: Teller | None,
    **given: Any,
) -> NoReturn:
    stop = StopRequest()
    operator_actions = WatchingOperator(stop)
    named = ""
    watching = Watching(operator_actions.shown, stop, page=watch)

    def confirm(plan: Plan) -> bool:
        """Show the plan and its cautions, and ask."""
        show(plan_lines(plan))
        return operator_actions.confirm(question(plan, named))

    def told(plan: Plan) -> bool:
        """Ask nobody; say what an earlier run may have left at the bench all the same."""
        if plan.left_behind:
            typer.echo(f"softwake: {plan.left_behind}", err=True)
        return True

    with stop_on_signals(stop):
        try:
            named = operator_actions.ask_serial() if serial is None else serial
            result = api.run_profile(
                profile,
                bench,
                serial=named,
                confirm=confirm if ask else told,
                operator_actions=operator_actions,
                stop=stop,
                watching=watching.begin,
                **given,
            )
        except PowerOffUnconfirmed as error:
            watching.end()
            show_unconfirmed(error, told=True)
            _tell_error(tell, error)
            raise typer.Exit(error.exit_code) from None
        except (HarnessError, Interrupted) as error:  # before anything was begun
            start = "\n" if isinstance(error, Interrupted) else ""
            typer.echo(f"{start}softwake: {error}\nNothing was energised.", err=True)
            _tell_error(tell, error)
            raise typer.Exit(error.exit_code) from None
        finally:
            watching.end()
    show_result(result, tell)
    raise typer.Exit(result.exit_code)


def _tell_error(tell: Teller | None, error: HarnessError | Interrupted) -> None:
    if tell is not None:
        known = error if isinstance(error, HarnessError) else None
        tell("error", of_error(known, str(error), error.exit_code))
