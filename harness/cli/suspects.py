"""``softwake suspects``: what most likely explains a run, and what to measure next."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import typer

from harness.cli.documents import tell_error, telling
from harness.cli.options import HERE, described
from harness.cli.progress import progress_bar
from harness.cli.tables import STYLES, console, indented
from harness.record.csv_text import printable

if TYPE_CHECKING:
    from harness.suspects.answer import Answer, Told


@described
def suspects(
    run: str,
    *,
    unit: Path | None = None,
    found: list[str] | None = None,
    whole: bool = False,
    workers: int | None = None,
    results: Path = HERE,
    json: bool = False,
) -> None:
    """Say what most likely explains a run, and what to measure next; energises nothing."""
    # pandas, scipy and the engine: not for the list of commands
    from harness.qualify.campaign import usual_workers
    from harness.record import load
    from harness.record.examine import find
    from harness.run.operator import Interrupted, StopRequest, stop_on_signals
    from harness.suspects.answer import answered
    from harness.suspects.case import case_of
    from harness.suspects.library import FIRST_EACH, WHOLE_EACH, Shelf, stock_for
    from harness.suspects.measuring import Found
    from harness.suspects.told import of_answer

    results_found = [Found.parse(text) for text in found or ()]
    case = case_of(load(find(results, run)), None if unit is None else _assessed(unit))
    shelf = Shelf.of(stock_for(case.profile, case.bench))
    library = shelf.library()
    wanted = WHOLE_EACH if whole else FIRST_EACH
    if library is None or library.each < wanted:
        stop = StopRequest()
        try:
            with stop_on_signals(stop), progress_bar(1, "library") as on_progress:
                library = shelf.made(
                    wanted,
                    workers=workers or usual_workers(),
                    on_progress=on_progress,
                    stop=stop,
                )
        except Interrupted as error:
            typer.echo(f"softwake: {error}; the same command goes on where it was", err=True)
            if json:
                tell_error(None, str(error), error.exit_code)
            raise typer.Exit(error.exit_code) from None
    answer = answered(case, library, results_found)
    with telling(wanted=json) as tell:
        if tell is None:
            _print(answer, is_whole=library.each >= WHOLE_EACH)
        else:
            tell("suspects", of_answer(answer))


def _assessed(unit: Path) -> dict[str, object]:
    from harness.unit.assess import assess
    from harness.unit.assessment import as_plain
    from harness.unit.unit_file import load_unit

    return as_plain(assess(load_unit(unit)))


def _print(answer: Answer, *, is_whole: bool) -> None:
    from harness.suspects.answer import CAUTION
    from harness.suspects.told import headline

    out = console(folded=False)
    out.print(f"run {printable(answer.run_id)}", soft_wrap=True)
    out.print()
    out.print(headline(answer), style="bold")
    if answer.released:
        out.print("The run released the unit. This is a remark, and changes no verdict.")
    for figure in answer.differs:
        out.print(indented(printable(f"outside all of those: {figure}")))
    for told in answer.told:
        out.print()
        _print_told(told)
    if answer.nothing_wrong and answer.unseen:
        out.print()
        out.print("This profile cannot show, whatever the unit has:")
        for words in answer.unseen:
            out.print(indented(words))
    for push in answer.pushes:
        by = "; ".join(push.words) or "nothing of the library by itself"
        how = "not decided" if push.verdict == "undecided" else "passed narrowly"
        out.print()
        out.print(printable(f"{push.check}, {how}: it would be pushed beyond its limit by"))
        out.print(indented(by))
    out.print()
    _print_next(answer)
    out.print()
    for caution in answer.cautions:
        out.print(printable(caution), style=STYLES["undecided"])
    out.print(CAUTION, style=STYLES["undecided"])
    size = f"{answer.each} simulated units of each kind, of this profile on such a bench"
    more = "" if is_whole else "; a first answer: --whole has more of them made"
    out.print(f"From {size}{more}.", style="dim")


def _print_next(answer: Answer) -> None:
    """Print what to measure next, or what proves the one suspect that is left."""
    from harness.suspects.told import proposal_lines

    out = console(folded=False)
    if answer.measure:
        out.print("Measure next:", style="bold")
        for line in proposal_lines(answer.measure[0]):
            out.print(indented(printable(line)))
        name = answer.measure[0].measurement.name
        result = "12 ohm" if answer.measure[0].measurement.unit == "ohm" else "RESULT"
        out.print(indented(f'then: softwake suspects RUN --found "{name} = {result}"', "dim"))
    else:
        out.print("No other measurement is expected to tell more.")
        if shown_by := answer.told[0].suspect.kind.shown_by:
            out.print(printable(f"Prove it before you act on it: {shown_by}."))


def _print_told(told: Told) -> None:
    from harness.suspects.told import degree, percent, sign_text

    out = console(folded=False)
    where = " (at the bench)" if told.suspect.kind.on_bench else ""
    words = told.suspect.words
    out.print(f"{percent(told.suspect.probability)}  {words}{where}", style="bold cyan")
    lines = [
        degree(told.suspect),
        f"look at: {', '.join(told.parts)}" if told.parts else "",
        *(f"for: {sign_text(one)}" for one in told.signs.supporting),
        *(f"against: {sign_text(one)}" for one in told.signs.against),
        f"shown by: {told.suspect.kind.shown_by}" if told.suspect.kind.shown_by else "",
    ]
    for line in filter(None, lines):
        out.print(indented(printable(line)))
