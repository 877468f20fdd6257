"""A look at every instrument of a bench: is it there, is it the right one, is it well?

Nothing is set and nothing is switched, on or off: there are only questions, and whatever stands in
an error queue is read out of it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterator
from typing import Any

from harness.bench.clock import Clock
from harness.bench.diagnose import find_cause, missing_library
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.finding import (
    Finding,
    Inspection,
    Mark,
    no_identity_cause,
    plausible_identity,
    stranger_cause,
)
from harness.bench.link import OpenLink, open_link, open_visa
from harness.bench.pace import reading_pace
from harness.bench.roles import Instrument
from harness.bench.trial import MOST_SILENCES, every_question, try_questions
from harness.errors import InstrumentError, LinkError, ReportedError
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Instrument as InstrumentTable
from harness.profile.measures import READINGS
from harness.quantity import format_quantity, shown

#: A self-test may take so long; other answers may not.
_SELF_TEST_S = 60.0
#: So many old entries of an error queue are shown.
_ENTRIES_SHOWN = 3
#: Question that tells whether an instrument's output or input is on.
_STATES = {
    "supply": ("output_state", "output"),
    "load": ("input_state", "input"),
    "switch": ("contact_state", "contact"),
}


def inspect_bench(
    file: BenchFile, clock: Clock, *, today: dt.date, library: Any = None
) -> Iterator[Inspection]:
    """Yield each instrument of a bench as soon as it was looked at; energises nothing.

    A VISA library object, where one is given, is used instead of the file's ``visa``.

    Raises:
        FileError: A dialect is missing or wrong.
        LinkError: There is no VISA library to look with.
    """
    dialects = bench_dialects(file)
    try:
        manager = open_visa(file.visa if library is None else library)
    except LinkError as error:
        cause = missing_library(file.visa, str(error.__cause__))
        step = " ".join((cause.remedy, *cause.write))
        raise LinkError(cause.what, instrument=f"visa = {file.visa!r}", remedy=step) from error
    try:
        for role, table in file.instruments.items():
            findings = (
                *_conversation(manager, file, role, dialects[role], clock),
                *((_calibration(table, today), _accuracy(table)) if table.reads else ()),
            )
            yield Inspection(role, table.resource, dialects[role].name, findings)
    finally:
        with contextlib.suppress(Exception):  # nothing was switched on
            manager.close()


def _conversation(
    manager: Any, file: BenchFile, role: str, dialect: Dialect, clock: Clock
) -> tuple[Finding, ...]:
    """Talk to one instrument; where it does not answer, find out why."""
    table = file.instruments[role]
    try:
        link = open_link(manager, role, table, dialect)
        with contextlib.ExitStack() as stack:
            stack.callback(link.close)
            instrument = Instrument(link, dialect, clock)
            stack.callback(instrument.take_leave)
            identity = (
                _identity(file, role, instrument.identify(), dialect.ask["identify"])
                if instrument.has("identify")
                else Finding(Mark.NOTE, "identity", "its dialect asks none")
            )
            if identity.mark is Mark.WRONG:  # nothing more is said to one that should not be there
                return (identity,)
            told = (identity, *_questions(instrument, link))
            if any(each.mark is Mark.WRONG for each in told):
                return told
            return (*told, *reading_pace(instrument, table, clock))
    except ReportedError as error:  # of what its dialect says at the beginning
        return (_of_error(Mark.WRONG, "begin", error),)
    except InstrumentError as error:
        return (Finding(Mark.WRONG, "link", *find_cause(manager, table, dialect, error)),)


def _identity(file: BenchFile, role: str, identity: str, question: str) -> Finding:
    expected = file.instruments[role].identity
    if expected is None:
        answer = identity.encode("ascii", "replace")
        # only IEEE 488.2 says what the answer to its own question looks like
        said = question != "*IDN?" and identity.isascii() and identity.isprintable() and identity
        if not (said or plausible_identity(answer)):
            return Finding(Mark.WRONG, "identity", *no_identity_cause(answer))
        text = f"{identity}; the bench file expects none, so another instrument would do as well"
        return Finding(Mark.NOTE, "identity", text)
    if expected in identity:
        return Finding(Mark.OK, "identity", identity)
    others = {
        other: table.identity
        for other, table in file.instruments.items()
        if other != role and table.identity is not None
    }
    return Finding(Mark.WRONG, "identity", *stranger_cause(role, identity, expected, others))


def _questions(instrument: Instrument, link: OpenLink) -> Iterator[Finding]:
    """Ask an instrument that is the right one how it is; each answer stands for itself."""
    on = False
    if instrument.role in _STATES:
        operation, what = _STATES[instrument.role]
        is_off = Finding(Mark.OK, what, "open" if what == "contact" else "off")
        remedy = "look what is connected, and switch it off at its front panel"
        is_on = Finding(Mark.WRONG, what, f"its {what} is on", remedy)
        if what == "contact":  # it energises nothing by itself
            is_on = Finding(Mark.NOTE, what, "closed; a run opens it before anything else")
        state = _told(what, instrument, lambda: is_on if instrument.state(operation) else is_off)
        on = state is is_on
        yield state
    if instrument.has("error"):
        yield _told("error queue", instrument, lambda: _old_errors(instrument.drain_errors()))
    else:
        yield Finding(Mark.NOTE, "error queue", "its dialect asks none")
    yield _told("self-test", instrument, lambda: _self_test(instrument, link, on=on))
    if READINGS[instrument.role]:
        yield _told("reading", instrument, lambda: _reading(instrument))
    yield from _others(instrument)


def _told(check: str, instrument: Instrument, look: Callable[[], Finding]) -> Finding:
    """Return what a look finds; an instrument's error is a finding, too."""
    try:
        return look()
    except InstrumentError as error:
        if isinstance(error, LinkError):  # else the next question would get the late answer
            with contextlib.suppress(LinkError):  # the next question says so again
                instrument.reopen()
        return _of_error(Mark.WRONG, check, error)


def _of_error(mark: Mark, check: str, error: InstrumentError) -> Finding:
    what = f"{error.what} at {error.message!r}" if error.message else error.what
    return Finding(mark, check, what, error.remedy, error.write)


def _others(instrument: Instrument) -> Iterator[Finding]:
    """Put the other questions that a run may ask; what no run needs for sure is only noted."""
    questions = every_question(instrument)
    silences, amiss = 0, False
    for question, needed in questions.items():
        for error in try_questions(instrument, (question,)):
            amiss = True
            silences += isinstance(error, LinkError)
            yield _of_error(Mark.WRONG if needed else Mark.NOTE, "questions", error)
        if silences == MOST_SILENCES:
            return
    if questions and not amiss:
        text = f"{len(questions)} more that a run may ask, each can be read"
        yield Finding(Mark.OK, "questions", text)


def _old_errors(entries: tuple[str, ...]) -> Finding:
    if not entries:
        return Finding(Mark.OK, "error queue", "empty")
    first = "; ".join(shown(entry)[1:-1] for entry in entries[:_ENTRIES_SHOWN])
    left = len(entries) - _ENTRIES_SHOWN
    more = f" and {left} more" if left > 0 else ""
    return Finding(Mark.NOTE, "error queue", f"held {first}{more}; now read out")


def _self_test(instrument: Instrument, link: OpenLink, *, on: bool) -> Finding:
    """Have it test itself (IEEE 488.2-1992, 10.38: 0 is passed); never with its output on."""
    if not instrument.has("self_test"):
        return Finding(Mark.NOTE, "self-test", "its dialect has none")
    if on:
        return Finding(Mark.NOTE, "self-test", "left out: its output is on")
    with link.extended_timeout(max(_SELF_TEST_S, link.timeout_s)):
        code = instrument.value("self_test")
    if code == 0:
        return Finding(Mark.OK, "self-test", "passed")
    remedy = "look the number up in its manual; take it out of use until it passes"
    return Finding(Mark.WRONG, "self-test", f"failed with {code:g}", remedy)


def _reading(instrument: Instrument) -> Finding:
    """Take one sample of whatever is at its terminals: the first quantity its dialect has."""
    units = READINGS[instrument.role]
    there = [name for name in units if instrument.has(f"measure_{name}")]
    if not there:
        raise InstrumentError(
            "its dialect measures nothing", instrument=instrument.link.name, remedy="add to it"
        )
    together = {"voltage", "current"} <= set(there)
    values = instrument.read("voltage", "current") if together else instrument.read(there[0])
    instrument.check_errors()
    text = ", ".join(format_quantity(value, units[name]) for name, value in values.items())
    return Finding(Mark.OK, "reading", text)


def _calibration(table: InstrumentTable, today: dt.date) -> Finding:
    due = table.calibration_due
    if due is None:
        text = "the bench file gives no date (calibration_due)"
        return Finding(Mark.NOTE, "calibration", text)
    if due >= today:
        return Finding(Mark.OK, "calibration", f"due {due.isoformat()}")
    overdue = f"overdue since {due.isoformat()}"
    if table.allow_overdue:
        return Finding(Mark.NOTE, "calibration", f"{overdue}; the bench file allows it")
    remedy = "have it calibrated; a run is refused unless the bench file says:"
    return Finding(Mark.WRONG, "calibration", overdue, remedy, ("allow_overdue = true",))


def _accuracy(table: InstrumentTable) -> Finding:
    if table.accuracy:
        given = ", ".join(name.replace("_", " ") for name in table.accuracy)
        return Finding(Mark.OK, "accuracy", f"given for {given}")
    text = "the bench file gives none: guarded checks on its readings cannot be decided"
    return Finding(Mark.NOTE, "accuracy", text)
