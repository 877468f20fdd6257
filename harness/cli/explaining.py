"""What most likely explains a run, printed: at its end by a library at hand, and when asked for."""

from __future__ import annotations

import sys
from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

import typer

from harness.cli.tables import STYLES, console, hanging, indented
from harness.record.csv_text import printable
from harness.record.tables import Record

if TYPE_CHECKING:
    from harness.record.explanation import Explanation
    from harness.report.explained import Explained, Next, Shown

#: What is said where there is no library at hand.
_ASK = "What explains it: softwake suspects last"


def explain_end(record: Record) -> Mapping[str, Any] | None:
    """Say what most likely explains a run that has just ended, and keep it beside the record.

    Nothing is simulated for it, and it comes after the words on power. A ranking is no part of a
    run: where it cannot be made, or nobody waits for it, nothing is lost. What is kept is returned
    as plain data.
    """
    sys.stdout.flush()
    try:
        from harness.suspects.asked import passed, stock_at_hand, wants_explanation

        if not wants_explanation(record):
            return None
        told = None if stock_at_hand(record) is None else _told_at_hand(record)
        if told is None:
            if not passed(record):
                typer.echo(_ASK)
            return None
        keep(record, told)
        _print_end(told, passed=passed(record))
        return told.model_dump()
    except (Exception, KeyboardInterrupt):  # noqa: BLE001 - see above
        return None


def _told_at_hand(record: Record) -> Explanation | None:
    # all that ranks: only where a library is at hand
    from harness.suspects.answer import at_hand
    from harness.suspects.told import of_answer

    answer = at_hand(record)
    return None if answer is None else of_answer(answer)


def _print_end(told: Explanation, *, passed: bool) -> None:
    from harness.report.explained import FIRST, explained, short_lines

    shown = explained(told)
    if passed and not shown.pushes:
        return
    out = console(folded=False)
    out.print()
    if passed:
        out.print("A remark, by simulated units; it changes no verdict:", style="bold")
    else:
        out.print("What most likely explains it, by simulated units:", style="bold")
        if told.unlike:
            out.print(indented(shown.headline))
        for one in shown.suspects[:FIRST]:
            out.print(hanging(f"{one.chance:>10} ", one.words))
        for line in short_lines(told):
            out.print(indented(line))
    for line in shown.pushes:
        out.print(indented(line))
    out.print(shown.caution, style=STYLES["undecided"])


def keep(record: Record, told: Explanation) -> None:
    """Keep an explanation beside its record, if that can be written to."""
    from harness.record.explanation import keep_explanation

    if record.folder is not None:
        try:
            keep_explanation(record.folder, told)
        except OSError as error:
            typer.echo(f"softwake: the answer is not kept: {error.strerror}", err=True)


def print_measurements() -> None:
    """Print what may be found without power, each with a result as it is typed."""
    from harness.report.explained import EXAMPLES
    from harness.suspects.cold import MEASUREMENTS

    out = console(folded=False)
    for one in MEASUREMENTS:
        out.print(f'--found "{one.name} = {EXAMPLES[one.unit]}"', style="bold")
        out.print(indented(one.how))


def print_explanation(told: Explanation, run: str, *, is_whole: bool, steps: bool) -> None:
    """Print all of an explanation of a run, named as whoever asks names it."""
    from harness.report.explained import explained

    shown = explained(told)
    out = console(folded=False)
    out.print(f"run {printable(told.run_id)}", soft_wrap=True)
    out.print()
    out.print(shown.headline, style="bold")
    if shown.remark:
        out.print(shown.remark)
    for figure in shown.differs:
        out.print(indented(f"outside all of those: {figure}"))
    for one in shown.suspects:
        out.print()
        _print_suspect(one)
    for line in (shown.beside, shown.hidden):
        if line:
            out.print()
            out.print(line, style="bold")
    _print_list("This profile cannot show, whatever the unit has:", shown.unseen)
    _print_list("Near a limit:", shown.pushes)
    _print_list("Found without power:", shown.found)
    out.print()
    _print_next(told, shown, run)
    if steps:
        _print_steps(shown, run)
    out.print()
    for caution in map(printable, told.cautions):
        out.print(caution, style=STYLES["undecided"])
    out.print(shown.caution, style=STYLES["undecided"])
    out.print(shown.library, style="dim")
    if not is_whole:
        why = ", and of few units much is unlike" if told.unlike else ""
        out.print(f"A first answer{why}: --whole has more units made.", style="dim")


def _print_list(head: str, lines: Sequence[str]) -> None:
    if lines:
        out = console(folded=False)
        out.print()
        out.print(head, style="bold")
        for line in lines:
            out.print(indented(line))


def _print_next(told: Explanation, shown: Explained, run: str) -> None:
    """Print what to measure next, or what proves the one suspect that is left."""
    from harness.report.explained import EXAMPLES

    out = console(folded=False)
    if shown.measure is None:
        out.print("No other measurement is expected to tell more.")
        if shown.prove:
            out.print(f"Before you act on it: {shown.prove}.")
        out.print("What you find can be told: --found list names all.", style="dim")
        return
    out.print("Measure next, discharged and cold:", style="bold")
    _print_one(shown.measure)
    found = f"{shown.measure.name} = {EXAMPLES.get(told.measure[0].unit, 'RESULT')}"
    out.print(indented(f'then, say: softwake suspects {run} --found "{found}"', "dim"))


def _print_one(one: Next) -> None:
    out = console(folded=False)
    out.print(indented(f"{one.name}: {one.how}"))
    for line in one.expected:
        out.print(indented(line, by=4))


def _print_steps(shown: Explained, run: str) -> None:
    """Print what further steps under power would tell, or why none is proposed."""
    out = console(folded=False)
    out.print()
    if shown.no_steps:
        out.print(f"No step under power is proposed: {shown.no_steps}.", style="bold")
        return
    if not shown.steps:
        out.print("No step under power on this bench is expected to tell more.")
        return
    head = "Under power, once nothing cold is left to measure, each by a profile of its own:"
    out.print(head, style="bold")
    for one in shown.steps:
        _print_one(one)
    out.print(indented(f"write the first: softwake suspects {run} --steps --to step.toml", "dim"))
    out.print(indented("then: softwake plan step.toml, and rehearse it before it runs", "dim"))


def _print_suspect(one: Shown) -> None:
    out = console(folded=False)
    out.print(hanging(f"{one.chance} ", one.words, "bold cyan", by=0))
    if one.degree:
        out.print(indented(one.degree))
    told = [
        ("look at:", one.look_at),
        *(("for:", line) for line in one.supporting),
        *(("against:", line) for line in one.against),
        ("shown by:", one.shown_by),
    ]
    for head, line in told:
        if line:
            out.print(hanging(head, line))
