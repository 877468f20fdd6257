"""A conversation with one instrument: messages in its dialect, paced, begun and kept in step."""

from __future__ import annotations

import math
from typing import TypeVar

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect
from harness.bench.finding import Cause, cause_of, echo_cause
from harness.bench.link import Link
from harness.bench.scpi import error_entry
from harness.errors import InstrumentError, ReportedError, UnexpectedReply
from harness.quantity import shown

#: An error queue longer than this is not drained but reported: something is badly wrong.
_QUEUE_LIMIT = 32
#: An identity is cut off here, and shown in messages to here.
_IDENTITY_LENGTH, _IDENTITY_SHOWN = 200, 60
#: Operations that no rest holds up.
_OFF = {"output_off", "input_off", "contact_open"}

_Error = TypeVar("_Error", bound=InstrumentError)


class Conversation:
    """What is said to one instrument over its link, and whether it is well and the right one."""

    def __init__(self, link: Link, dialect: Dialect, clock: Clock) -> None:
        self.role = dialect.role
        self.link = link
        self.dialect = dialect
        self.clock = clock
        self._identity: str | None = None
        self._begun = not dialect.begin.send
        self._told: dict[str, float] = {}  # what was set, by its operation
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

    # --- how it begins

    def reopen(self) -> None:
        """Begin the conversation again: what was still on its way is forgotten.

        What its dialect says at the beginning is said again before the next message, whatever that
        is: nothing ever reaches another channel than the one it is meant for.
        """
        self._begun = not self.dialect.begin.send
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

    # --- who is at the other end, and whether it is well

    def identify(self) -> str:
        """Return the answer to ``*IDN?``; nothing from one that has no name to say."""
        if not self.has("identify"):
            return ""
        return self._query(self.dialect.ask["identify"]).strip()[:_IDENTITY_LENGTH]

    def identify_and_clear(self) -> str:
        """Identify it and empty its error queue: old errors are not this run's."""
        self._identity = self.identify()
        if self.has("identify"):
            question = self.dialect.ask["identify"]
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

    def _error(self, kind: type[_Error], cause: Cause, message: str) -> _Error:
        remedy = cause.remedy
        if cause.write and self.dialect.built_in is not None:
            remedy = (
                f"copy the built-in dialect ({self.dialect.built_in}) beside the bench file, write "
                f"the copy's name there as its dialect, and change the copy: {remedy}"
            )
        name, write = self.link.name, cause.write
        return kind(cause.what, instrument=name, message=message, remedy=remedy, write=write)
