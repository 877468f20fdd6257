"""Instruments: a supply, a meter or an electronic load, each a dialect spoken over a link."""

from __future__ import annotations

import contextlib
import math
from collections.abc import Iterable, Iterator
from typing import Any, TypeVar

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.dialect_rules import SAMPLED
from harness.bench.finding import Cause, cause_of, compound_cause, echo_cause, reply_cause
from harness.bench.link import Link, VisaLink, open_visa
from harness.bench.sample import SupplySample
from harness.bench.scpi import (
    MarkerAnswer,
    OverloadAnswer,
    boolean,
    error_entry,
    marker_in,
    number,
    split_answers,
)
from harness.errors import (
    HarnessError,
    InstrumentError,
    NoReading,
    Overload,
    ReportedError,
    UnexpectedReply,
)
from harness.profile.bench_file import BenchFile
from harness.quantity import shown

#: An error queue longer than this is not drained but reported: something is badly wrong.
_QUEUE_LIMIT = 32
#: An identity is cut off here, and shown in messages to here.
_IDENTITY_LENGTH, _IDENTITY_SHOWN = 200, 60
#: Question that tells whether power may be on at it, by role.
_STATES = {"supply": "output_state", "load": "input_state"}
#: Operations that no rest holds up.
_OFF = {"output_off", "input_off"}

_Error = TypeVar("_Error", bound=InstrumentError)


class Instrument:
    """An instrument in the role of its dialect; the clock tells when a sample came."""

    def __init__(self, link: Link, dialect: Dialect, clock: Clock) -> None:
        self.role = dialect.role
        self.link = link
        self.dialect = dialect
        self.clock = clock
        self._identity: str | None = None
        self._singly = dialect.read_singly
        self._forms = dialect.answers
        # what a sample holds, each with its question: none for a part that nobody needs
        sampled = dialect.sample.answer if dialect.sample is not None else ()
        self._sampled = tuple((name, SAMPLED.get(name)) for name in sampled)
        self._begun = not dialect.begin.send
        self._told: dict[str, float] = {}  # what was set, by its operation
        self._configured = ""  # measurement that it was configured for
        self._rest_s = dialect.link.rest_s
        self._rested_s = -math.inf  # time from which on it takes a message

    @property
    def pause_s(self) -> float:
        """Longest time that passes after one of its messages before the next."""
        return self.dialect.link.settle_s + self._rest_s

    @property
    def longest_s(self) -> float:
        """Longest time one of its messages may take."""
        return self.link.timeout_s + self.pause_s

    def has(self, operation: str) -> bool:
        """Whether the dialect has an operation."""
        return operation in self.dialect.send or operation in self.dialect.ask

    def send(self, operation: str, value: float | None = None, *, heard: bool = True) -> None:
        """Carry out an operation that sends, then wait its settle time.

        ``heard`` is false where the link is opened again next: no acknowledgement is waited for.
        """
        try:
            message = self.dialect.message(operation, value, self._told)
        except ValueError as error:
            remedy = f"give it a higher width under [decimals] {operation} of its dialect"
            raise InstrumentError(str(error), instrument=self.link.name, remedy=remedy) from error
        if not self._begun:
            self._begin()
        if operation in _OFF and self._must_rest:
            # At once (safety rule 4), and again after the rest: it may have been too early.
            self._say(message, heard=heard)
            self._count_rest()
        self._write(message, heard=heard)
        if value is not None:
            self._told[operation] = value

    def _write(self, message: str, *, heard: bool = True) -> None:
        self._rest()
        self._say(message, heard=heard)
        self._count_rest()
        if self.dialect.link.settle_s:
            self.clock.sleep_s(self.dialect.link.settle_s)

    def _say(self, message: str, *, heard: bool) -> None:
        """Send a message, and see that it is acknowledged, where its instrument does that."""
        wanted = self.dialect.link.acknowledgement
        if not wanted or not heard:
            self.link.write(message)
            return
        answer = self.link.query(message)
        if answer.strip() != wanted:
            cause = Cause(
                f"it answers {shown(answer)} where {shown(wanted)} is its acknowledgement",
                "check that its dialect and range fit what was sent",
            )
            raise self._error(ReportedError, cause, message)

    def _query(self, message: str) -> str:
        if not self._begun:
            self._begin()
        if not self._rest_s:
            return self.link.query(message)
        self._rest()
        try:
            return self.link.query(message)
        finally:
            self._count_rest()

    @property
    def _must_rest(self) -> bool:
        return self._rest_s > 0 and self.clock.now_s() < self._rested_s

    def _rest(self) -> None:
        """Wait until it takes the next message."""
        if self._must_rest:
            self.clock.sleep_s(self._rested_s - self.clock.now_s())

    def _count_rest(self) -> None:
        if self._rest_s:
            self._rested_s = self.clock.now_s() + self._rest_s

    # --- how a conversation begins and ends

    def reopen(self) -> None:
        """Begin the conversation again: what was still on its way is forgotten.

        What its dialect says at the beginning is said again before the next message, whatever that
        is: nothing ever reaches another channel than the one it is meant for.
        """
        self._begun = not self.dialect.begin.send
        self._configured = ""
        self.link.reopen()

    def _begin(self) -> None:
        """Say what its dialect says at the beginning; where that fails, no other message goes out.

        The error queue is emptied before: what stands in it afterwards came of these messages.
        """
        self._begun = True  # the questions below are part of it
        try:
            self.drain_errors()
            for message in self.dialect.begin.send:
                self._write(message)
            self.check_errors("mend the messages under [begin] of its dialect")
        except BaseException:
            self._begun = False
            raise

    def take_leave(self) -> None:
        """Say what its dialect says at the end, unless its output is, or may be, on.

        Nothing hangs on it, such as handing the front panel back: what fails is let go.
        """
        end, state = self.dialect.end.send, _STATES.get(self.role)
        if not end or not self._begun:
            return
        with contextlib.suppress(HarnessError):
            if state is None or not self.state(state):
                for message in end:
                    self._write(message)

    def value(self, operation: str) -> float:
        """Ask for a number; overload, not-a-number and all else are :class:`NoReading`."""
        question = self.dialect.ask[operation]
        if self.dialect.configure:
            self._configure(operation)
        answer = self._query(question)
        try:
            return self._number(operation, answer, question)
        except ValueError as error:
            cause = reply_cause(operation, question, answer, state=False)
            raise self._error(NoReading, cause, question) from error

    def _configure(self, operation: str) -> None:
        """Send what a measurement needs once: not again until another one was made."""
        if operation != self._configured and operation.startswith("measure_"):
            self._configured = ""
            if operation in self.dialect.configure:
                if not self._begun:
                    self._begin()
                self._write(self.dialect.configure[operation])
            self._configured = operation

    def state(self, operation: str) -> bool:
        """Ask for a boolean; any other answer is :class:`NoReading`."""
        question = self.dialect.ask[operation]
        answer = self._query(question)
        try:
            return boolean(self.dialect.value_in(operation, answer))
        except ValueError as error:
            cause = reply_cause(operation, question, answer, state=True)
            raise self._error(NoReading, cause, question) from error

    def read(self, *quantities: str) -> dict[str, float]:
        """Read quantities: several in one round trip where it can, one by its own question.

        They are those of :data:`harness.profile.measures.READINGS` for its role, and ``status``.
        Power that a supply or load cannot measure is voltage times current.
        """
        values = self._compound() if len(quantities) > 1 else {}
        if values and "power" in quantities:
            values.setdefault("power", values["voltage"] * values["current"])
        for name in quantities:
            if name in values:
                continue
            operation = SAMPLED.get(name, f"measure_{name}")
            if not self.has(operation):
                what = f"its dialect cannot measure {name}"
                raise InstrumentError(what, instrument=self.link.name, remedy="add it")
            values[name] = self.value(operation)
        return {name: values[name] for name in quantities}

    def identify(self) -> str:
        """Return the answer to ``*IDN?``."""
        return self._query(self.dialect.ask["identify"]).strip()[:_IDENTITY_LENGTH]

    def identify_and_clear(self) -> str:
        """Identify it and empty its error queue: old errors are not this run's."""
        question = self.dialect.ask["identify"]
        self._identity = self.identify()
        cause = echo_cause(question, self._identity)
        if cause is not None:
            raise self._error(UnexpectedReply, cause, question)
        self.drain_errors()
        return self._identity

    def check_in_sync(self) -> None:
        """See that its answers still belong to their questions, and that it reports no errors."""
        self.check_identity()
        self.check_errors()

    def check_identity(self) -> None:
        """See that it is still the same: readings alike cannot show answers out of step."""
        identity, first = self.identify(), self._identity
        if first is not None and identity != first:
            now, then = identity[:_IDENTITY_SHOWN], first[:_IDENTITY_SHOWN]
            what = f"it answers {now!r}; at the start it was {then!r}"
            remedy = "switch it off and on, and see that no other program talks to it"
            raise self._error(UnexpectedReply, Cause(what, remedy), self.dialect.ask["identify"])

    def drain_errors(self) -> tuple[str, ...]:
        """Empty the error queue and return what stood in it; nothing where there is none."""
        if not self.has("error"):
            return ()
        question = self.dialect.ask["error"]
        entries: list[str] = []
        while len(entries) < _QUEUE_LIMIT:
            answer = self._query(question)
            try:
                code, text = error_entry(answer)
            except ValueError as error:
                cause = echo_cause(question, answer) or cause_of("no error entry", problem=error)
                raise self._error(UnexpectedReply, cause, question) from error
            if code == 0:
                return tuple(entries)
            entries.append(f"{code} {text}")
        what = f"its error queue does not run empty; last entry: {entries[-1]}"
        remedy = "switch it off and on, and look at its front panel"
        raise self._error(ReportedError, Cause(what, remedy), question)

    def check_errors(
        self, remedy: str = "check that its dialect and range fit what was sent"
    ) -> None:
        """Raise what stands in the error queue as :class:`ReportedError`."""
        entries = self.drain_errors()
        if entries:
            cause = Cause(f"it reports {'; '.join(entries)}", remedy)
            raise self._error(ReportedError, cause, self.dialect.ask["error"])

    def _number(self, operation: str, answer: str, question: str, *, parted: bool = False) -> float:
        """Read a number; a marker for overload or not-a-number is no reading."""
        try:
            form = self._forms.get(operation)
            return number(answer if form is None else form.value_in(answer, parted=parted))
        except ValueError as error:
            # a marker may come without what stands around a value
            marker = error if isinstance(error, MarkerAnswer) else marker_in(answer)
            if marker is None:
                raise
            kind = Overload if isinstance(marker, OverloadAnswer) else NoReading
            cause = Cause(str(marker), "check range and leads")
            raise self._error(kind, cause, question) from error

    def _error(self, kind: type[_Error], cause: Cause, message: str) -> _Error:
        remedy = cause.remedy
        if cause.write and self.dialect.built_in is not None:
            remedy = (
                f"copy the built-in dialect ({self.dialect.built_in}) beside the bench file, write "
                f"the copy's name there as its dialect, and change the copy: {remedy}"
            )
        name, write = self.link.name, cause.write
        return kind(cause.what, instrument=name, message=message, remedy=remedy, write=write)

    def _compound(self) -> dict[str, float]:
        """Read the dialect's sample in one round trip, what it leaves out question by question."""
        values: dict[str, float] = {}
        sample = self.dialect.sample
        if sample is not None:
            answer = self._query(sample.ask)
            try:
                parts = split_answers(answer, len(sample.answer), sample.separator)
                for (name, operation), part in zip(self._sampled, parts, strict=True):
                    if operation is not None:
                        values[name] = self._number(operation, part, sample.ask, parted=True)
            except ValueError as error:
                cause = compound_cause(sample.answer, sample.ask, answer)
                raise self._error(NoReading, cause, sample.ask) from error
        for left_out in self._singly:
            values[left_out] = self.value(SAMPLED[left_out])
        return values

    # --- of a supply alone

    def sample(self) -> SupplySample:
        """Read voltage, current, real power and status, in one round trip where it can."""
        values = self._compound()
        voltage_v, current_a = values["voltage"], values["current"]
        status = int(values.get("status", 0))
        bits = self.dialect.status
        return SupplySample(
            self.clock.now_s(),
            voltage_v,
            current_a,
            values.get("power", voltage_v * current_a),
            bool(status & bits.current_limit) if bits.current_limit else None,
            bool(status & bits.protection),
        )

    def check_protection(self) -> None:
        """See that its status tells of no protection that has tripped; with the output off."""
        weight = self.dialect.status.protection
        if weight and self.sample().protection:
            cause = Cause(
                "its status says that its protection has tripped earlier",
                "clear it at the front panel; if nothing is to be cleared there, the weight is "
                "wrong: look it up in the manual, or leave the line out",
            )
            raise self._error(UnexpectedReply, cause, f"protection = {weight} in its dialect")


@contextlib.contextmanager
def open_instruments(
    file: BenchFile, roles: Iterable[str], clock: Clock, library: Any = None
) -> Iterator[dict[str, Instrument]]:
    """Open the instruments of these roles; close them in reverse order on the way out."""
    dialects = bench_dialects(file)
    manager = open_visa(file.visa if library is None else library)
    try:
        with contextlib.ExitStack() as stack:
            opened: dict[str, Instrument] = {}
            for role in roles:
                link = VisaLink(manager, role, file.instruments[role], dialects[role])
                stack.callback(link.close)
                opened[role] = Instrument(link, dialects[role], clock)
                stack.callback(opened[role].take_leave)
            yield opened
    finally:
        with contextlib.suppress(Exception):  # every output is off by now; nothing more to lose
            manager.close()
