"""``softwake suspects``: what most likely explains a run, and what to measure next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.documents import tell_error, telling
from harness.cli.options import HERE, described, write_file
from harness.cli.progress import progress_bar
from harness.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from harness.profile.schema import Profile
    from harness.record.explanation import Explanation
    from harness.run.operator import StopRequest
    from harness.suspects.answer import Answer
    from harness.suspects.case import Case
    from harness.suspects.library import Library
    from harness.suspects.measuring import Found
    from harness.suspects.weighing import StepProposal

#: Asked for in place of a result: all measurements there are.
_LIST = "list"


@described
def suspects(  # noqa: PLR0913 - every one by its name
    run: str,
    *,
    unit: Path | None = None,
    found: list[str] | None = None,
    anew: bool = False,
    whole: bool = False,
    steps: bool = False,
    also: list[str] | None = None,
    to: Path | None = None,
    workers: int | None = None,
    results: Path = HERE,
    json: bool = False,
) -> None:
    """Say what most likely explains a run, and what to measure next; energises nothing."""
    if not steps and (to is not None or also):
        where = "--to" if to is not None else "--also"
        raise UsageError("this is of further steps", where=where, remedy="add --steps")
    # pandas, scipy and the engine: not for the list of commands
    from harness.cli.explaining import keep, print_explanation, print_measurements
    from harness.record import load
    from harness.record.examine import find
    from harness.run.operator import Interrupted, StopRequest, stop_on_signals
    from harness.suspects.answer import answered
    from harness.suspects.case import case_of
    from harness.suspects.growth import FIRST, WHOLE
    from harness.suspects.shelf import Shelf
    from harness.suspects.stock import stock_for
    from harness.suspects.told import of_answer

    profiles = [_profile(name) for name in also or ()]
    if found == [_LIST]:
        print_measurements()
        return
    folder = find(results, run)
    results_found = _found(folder, found or (), anew=anew)
    case = case_of(load(folder), None if unit is None else _assessed(unit))
    shelf = Shelf.of(stock_for(case.profile, case.bench))
    library = shelf.library()
    stop = StopRequest()
    further: tuple[StepProposal, ...] = ()
    withheld_by = ""
    try:
        if library is None or (whole and not library.whole):
            goal = WHOLE if whole else FIRST
            with stop_on_signals(stop), progress_bar(1, "library") as on_progress:
                library = shelf.made(
                    goal, case.values, workers=workers, on_progress=on_progress, stop=stop
                )
        answer = answered(case, library, results_found)
        if steps:
            further, withheld_by = _weighed(case, library, answer, profiles, workers, stop)
    except Interrupted as error:
        typer.echo(f"softwake: {error}; the same command goes on where it was", err=True)
        if json:
            tell_error(None, str(error), error.exit_code)
        raise typer.Exit(error.exit_code) from None
    told = of_answer(answer, further, withheld_by)
    keep(case.record, told)
    with telling(wanted=json) as tell:
        if to is not None:
            _write(to, told)
        if tell is None:
            print_explanation(told, run, is_whole=bool(library.whole), steps=steps)
        else:
            tell("suspects", told.model_dump())


def _profile(name: str) -> Profile:
    from harness.profile.load import load_profile

    return load_profile(name)


def _weighed(
    case: Case,
    library: Library,
    answer: Answer,
    also: Sequence[Profile],
    workers: int | None,
    stop: StopRequest,
) -> tuple[tuple[StepProposal, ...], str]:
    """Return the further steps worth taking, or why none is proposed."""
    # plan and engine: only where somebody asks for steps
    from harness.run.operator import stop_on_signals
    from harness.suspects.weighing import weighed, withheld

    if reason := withheld(case, library, answer):
        return (), reason
    with stop_on_signals(stop), progress_bar(1, "further steps") as on_progress:
        further = weighed(
            *(case, library, answer),
            workers=workers,
            also=also,
            on_progress=on_progress,
            stop=stop,
        )
    return further, ""


def _found(folder: Path, texts: Sequence[str], *, anew: bool) -> tuple[Found, ...]:
    """Return what was found without power, earlier too; UsageError: it is no result."""
    from harness.record.explanation import kept_explanation
    from harness.suspects.measuring import Found, taken_up

    now = [Found.parse(text) for text in texts]
    before = None if anew else kept_explanation(folder)
    return taken_up(((one.name, one.value) for one in before.found) if before else (), now)


def _write(to: Path, told: Explanation) -> None:
    """Write the profile of the first further step."""
    if told.steps:
        write_file(to, told.steps[0].profile.encode())
    else:
        typer.echo(f"softwake: no step is proposed, so {to} is not written", err=True)


def _assessed(unit: Path) -> dict[str, object]:
    from harness.unit.assess import assess
    from harness.unit.assessment import as_plain
    from harness.unit.unit_file import load_unit

    return as_plain(assess(load_unit(unit)))
