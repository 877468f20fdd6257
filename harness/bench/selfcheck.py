"""A look at every instrument of a bench: is it there, is it the right one, is it well?

Nothing is set and nothing is switched, on or off: there are only questions, and whatever stands in
an error queue is read out of it.
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

from harness.bench.clock import Clock
from harness.bench.diagnose import find_cause, missing_library
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.finding import Cause, Finding, Inspection, Mark, note, ok, wrong
from harness.bench.link import VisaLink, open_visa
from harness.bench.open import ROLES, open_instrument_link
from harness.bench.replies import no_identity_cause, plausible_identity, stranger_cause
from harness.bench.roles import Instrument
from harness.bench.trial import MOST_SILENCES, every_question, try_questions
from harness.errors import InstrumentError, LinkError
from harness.profile.bench_file import BenchFile
from harness.profile.bench_file import Instrument as InstrumentTable
from harness.profile.measures import READINGS
from harness.quantity import format_quantity, shown

#: A self-test may take so long; other answers may not.
_SELF_TEST_S = 60.0

#: So many old entries of an error queue are shown.
_ENTRIES_SHOWN = 3

#: Question that tells whether an instrument's output or input is on.
_STATES = {"supply": ("output_state", "output"), "load": ("input_state", "input")}


def inspect_bench(
    file: BenchFile, clock: Clock, *, today: dt.date, library: Any = None
) -> Iterator[Inspection]:
    """Look at the instruments of a bench one after the other; energises nothing.

    Args:
        file: The bench file.
        clock: Tells when answers come.
        today: The day, for calibration dates.
        library: A VISA library object that is used instead of the file's ``visa``.

    Yields:
        An instrument as soon as it has been looked at: one that does not answer takes its time.

    Raises:
        FileError: A dialect is missing or wrong.
        LinkError: There is no VISA library to look with.
    """
    dialects = bench_dialects(file)
    manager = _library(file.visa, library)
    try:
        for role, table in file.instruments.items():
            yield Inspection(
                role=role,
                resource=table.resource,
                dialect=dialects[role].name,
                findings=(
                    *_conversation(manager, file, role, dialects[role], clock),
                    _calibration(table, today),
                    _accuracy(table),
                ),
            )
    finally:
        with contextlib.suppress(Exception):  # nothing was switched on
            manager.close()


def _library(visa: str, library: Any) -> Any:
    try:
        return open_visa(visa if library is None else library)
    except LinkError as error:
        cause = missing_library(visa, str(error.__cause__))
        step = " ".join((cause.remedy, *cause.write))
        raise LinkError(cause.what, instrument=f"visa = {visa!r}", remedy=step) from error


def _conversation(
    manager: Any, file: BenchFile, role: str, dialect: Dialect, clock: Clock
) -> tuple[Finding, ...]:
    """Talk to one instrument; where it does not answer, find out why."""
    table = file.instruments[role]
    try:
        link = open_instrument_link(manager, role, table, dialect)
        with contextlib.closing(link):
            instrument = ROLES[role](role, link, dialect, clock)
            identity = instrument.identify()
            stranger = _stranger(file, role, identity)
            if stranger is not None:
                return (wrong("identity", stranger),)
            return (_identity(table, identity), *_questions(instrument, link))
    except InstrumentError as error:
        return (wrong("link", find_cause(manager, table, dialect, error)),)


def _stranger(file: BenchFile, role: str, identity: str) -> Cause | None:
    """Nothing more is said to an instrument that should not be there."""
    expected = file.instruments[role].identity
    if expected is None:
        answer = identity.encode("ascii", "replace")
        return None if plausible_identity(answer) else no_identity_cause(answer)
    if expected in identity:
        return None
    others = {
        other: table.identity
        for other, table in file.instruments.items()
        if other != role and table.identity is not None
    }
    return stranger_cause(role, identity, expected, others)


def _identity(table: InstrumentTable, identity: str) -> Finding:
    if table.identity is not None:
        return ok("identity", identity)
    text = f"{identity}; the bench file expects none, so another instrument would do as well"
    return note("identity", text)


def _questions(instrument: Instrument, link: VisaLink) -> Iterator[Finding]:
    """Ask an instrument that is the right one how it is; each answer stands for itself."""
    on = False
    if instrument.role in _STATES:
        operation, what = _STATES[instrument.role]
        with _told(what, link) as told:
            on = instrument.state(operation)
            remedy = "look what is connected, and switch it off at its front panel"
            cause = Cause(what=f"its {what} is on", remedy=remedy)
            told.append(wrong(what, cause) if on else ok(what, "off"))
        yield from told
    with _told("error queue", link) as told:
        told.append(_old_errors(instrument.drain_errors()))
    yield from told
    with _told("self-test", link) as told:
        told.append(_self_test(instrument, link, on=on))
    yield from told
    with _told("reading", link) as told:
        told.append(ok("reading", _sample(instrument)))
        instrument.check_errors()
    yield from told
    yield from _others(instrument)


def _others(instrument: Instrument) -> Iterator[Finding]:
    """Put the other questions that a run may ask; what no run needs for sure is only noted."""
    questions = every_question(instrument)
    silences, amiss = 0, False
    for question, needed in questions.items():
        for error in try_questions(instrument, (question,)):
            amiss = True
            silences += isinstance(error, LinkError)
            finding = _of_error("questions", error)
            yield finding if needed else replace(finding, mark=Mark.NOTE)
        if silences == MOST_SILENCES:
            return
    if questions and not amiss:
        yield ok("questions", f"{len(questions)} more that a run may ask, each can be read")


def _of_error(check: str, error: InstrumentError) -> Finding:
    what = f"{error.what} at {error.message!r}" if error.message else error.what
    return wrong(check, Cause(what=what, remedy=error.remedy, write=error.write))


@contextlib.contextmanager
def _told(check: str, link: VisaLink) -> Iterator[list[Finding]]:
    """Collect findings; an instrument's error is one, too.

    After a missed answer the link is opened again, or the next question would get the late one.
    """
    told: list[Finding] = []
    try:
        yield told
    except InstrumentError as error:
        told[:] = [_of_error(check, error)]
        if isinstance(error, LinkError):
            with contextlib.suppress(LinkError):  # the next question says so again
                link.reopen()


def _old_errors(entries: tuple[str, ...]) -> Finding:
    if not entries:
        return ok("error queue", "empty")
    first = "; ".join(shown(entry)[1:-1] for entry in entries[:_ENTRIES_SHOWN])
    left = len(entries) - _ENTRIES_SHOWN
    more = f" and {left} more" if left > 0 else ""
    return note("error queue", f"held {first}{more}; now read out")


def _self_test(instrument: Instrument, link: VisaLink, *, on: bool) -> Finding:
    """Have it test itself (IEEE 488.2-1992, 10.38: 0 is passed); never with its output on."""
    if not instrument.has("self_test"):
        return note("self-test", "its dialect has none")
    if on:
        return note("self-test", "left out: its output is on")
    with link.extended_timeout(max(_SELF_TEST_S, link.timeout_s)):
        code = instrument.value("self_test")
    if code == 0:
        return ok("self-test", "passed")
    remedy = "look the number up in its manual; take it out of use until it passes"
    return wrong("self-test", Cause(what=f"failed with {code:g}", remedy=remedy))


def _sample(instrument: Instrument) -> str:
    """Take one sample of whatever is at its terminals: the first quantity its dialect has."""
    units = READINGS[instrument.role]
    there = [name for name in units if instrument.has(f"measure_{name}")]
    if not there:
        raise InstrumentError(
            "its dialect measures nothing", instrument=instrument.link.name, remedy="add to it"
        )
    together = {"voltage", "current"} <= set(there)
    values = instrument.read("voltage", "current") if together else instrument.read(there[0])
    return ", ".join(format_quantity(value, units[name]) for name, value in values.items())


def _calibration(table: InstrumentTable, today: dt.date) -> Finding:
    due = table.calibration_due
    if due is None:
        return note("calibration", "the bench file gives no date (calibration_due)")
    if due >= today:
        return ok("calibration", f"due {due.isoformat()}")
    overdue = f"overdue since {due.isoformat()}"
    if table.allow_overdue:
        return note("calibration", f"{overdue}; the bench file allows it")
    remedy = "have it calibrated; a run is refused unless the bench file says:"
    return wrong("calibration", Cause(what=overdue, remedy=remedy, write=("allow_overdue = true",)))


def _accuracy(table: InstrumentTable) -> Finding:
    if table.accuracy:
        given = ", ".join(name.replace("_", " ") for name in table.accuracy)
        return ok("accuracy", f"given for {given}")
    text = "the bench file gives none: guarded checks on its readings cannot be decided"
    return note("accuracy", text)
