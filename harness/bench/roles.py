"""Roles: a supply, a meter, an electronic load, each a dialect spoken over a link."""

from __future__ import annotations

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect
from harness.bench.dialect_rules import SAMPLED
from harness.bench.finding import Cause
from harness.bench.link import Link
from harness.bench.replies import compound_cause, echo_cause, queue_cause, reply_cause
from harness.bench.sample import SupplySample
from harness.bench.scpi import (
    MarkerAnswer,
    OverloadAnswer,
    boolean,
    error_entry,
    number,
    refuse_marker,
    split_answers,
)
from harness.errors import InstrumentError, NoReading, Overload, ReportedError, UnexpectedReply

#: An error queue longer than this is not drained but reported: something is badly wrong.
_QUEUE_LIMIT = 32
#: An identity is cut off here, and shown in messages to here.
_IDENTITY_LENGTH, _IDENTITY_SHOWN = 200, 60


class Instrument:
    """What every role can do.

    Args:
        role: ``supply``, ``meter`` or ``load``.
        link: The conversation.
        dialect: How to speak.
        clock: Tells when an answer came.
    """

    def __init__(self, role: str, link: Link, dialect: Dialect, clock: Clock) -> None:
        self.role = role
        self.link = link
        self.dialect = dialect
        self.clock = clock
        self._identity: str | None = None
        self._sampled = dialect.sample.answer if dialect.sample is not None else ()
        self._singly = tuple(name for name in dialect.read_values if name not in self._sampled)

    @property
    def longest_s(self) -> float:
        """Longest time one of its messages may take."""
        return self.link.timeout_s + self.dialect.link.settle_s

    def has(self, operation: str) -> bool:
        """Whether the dialect has an operation."""
        return operation in self.dialect.send or operation in self.dialect.ask

    def send(self, operation: str, value: float | None = None) -> None:
        """Carry out an operation that has no answer, then wait its settle time."""
        self.link.write(self.dialect.message(operation, value))
        if self.dialect.link.settle_s:
            self.clock.sleep_s(self.dialect.link.settle_s)

    def value(self, operation: str) -> float:
        """Ask for a number.

        Raises:
            NoReading: Overload, not-a-number, or no number at all.
        """
        question = self.dialect.ask[operation]
        answer = self.link.query(question)
        try:
            return self._number(operation, answer, question)
        except ValueError as error:
            cause = reply_cause(operation, question, answer, state=False)
            raise self._no_reading(cause, question) from error

    def state(self, operation: str) -> bool:
        """Ask for a boolean.

        Raises:
            NoReading: Neither 0 nor 1.
        """
        question = self.dialect.ask[operation]
        answer = self.link.query(question)
        try:
            return boolean(self.dialect.value_in(operation, answer))
        except ValueError as error:
            cause = reply_cause(operation, question, answer, state=True)
            raise self._no_reading(cause, question) from error

    def read(self, *quantities: str) -> dict[str, float]:
        """Read quantities: several in one round trip where it can, one by its own question.

        Args:
            quantities: From :data:`harness.profile.measures.READINGS` for its role, or ``status``.

        Returns:
            Values by quantity. Power that a supply or load cannot measure is voltage times current.

        Raises:
            NoReading: Any of the values is no value.
            InstrumentError: Its dialect cannot measure it.
        """
        values = self._compound() if len(quantities) > 1 else {}
        if values and "power" in quantities:
            values.setdefault("power", values["voltage"] * values["current"])
        for name in quantities:
            operation = SAMPLED.get(name, f"measure_{name}")
            if name not in values and not self.has(operation):
                raise InstrumentError(
                    f"its dialect cannot measure {name}",
                    instrument=self.link.name,
                    remedy="add it",
                )
            if name not in values:
                values[name] = self.value(operation)
        return {name: values[name] for name in quantities}

    def identify(self) -> str:
        """Return the answer to ``*IDN?``."""
        return self.link.query(self.dialect.ask["identify"]).strip()[:_IDENTITY_LENGTH]

    def identify_and_clear(self) -> str:
        """Identify it and empty its error queue: old errors are not this run's.

        Raises:
            UnexpectedReply: It says nothing, or sends the question back.
        """
        self._identity = self.identify()
        cause = echo_cause(self.dialect.ask["identify"], self._identity)
        if cause is not None:
            raise self._unexpected("identify", cause)
        self.drain_errors()
        return self._identity

    def check_in_sync(self) -> None:
        """See that its answers still belong to their questions, and that it reports no errors.

        Raises:
            UnexpectedReply: It says it is another than at the start.
            ReportedError: It reports errors.
        """
        self.check_identity()
        self.check_errors()

    def check_identity(self) -> None:
        """See that it is still the same: readings alike cannot show answers out of step.

        Raises:
            UnexpectedReply: It says it is another than at the start.
        """
        identity, first = self.identify(), self._identity
        if first is not None and identity != first:
            now, then = identity[:_IDENTITY_SHOWN], first[:_IDENTITY_SHOWN]
            cause = Cause(
                what=f"it answers {now!r}; at the start it was {then!r}",
                remedy="switch it off and on, and see that no other program talks to it",
            )
            raise self._unexpected("identify", cause)

    def drain_errors(self) -> tuple[str, ...]:
        """Empty the error queue and return what stood in it; nothing where there is none.

        Raises:
            ReportedError: The queue does not run empty.
        """
        if not self.has("error"):
            return ()
        question = self.dialect.ask["error"]
        entries: list[str] = []
        while len(entries) < _QUEUE_LIMIT:
            answer = self.link.query(question)
            try:
                entry = error_entry(answer)
            except ValueError as error:
                cause = queue_cause(question, answer, str(error))
                raise self._unexpected("error", cause) from error
            if entry.code == 0:
                return tuple(entries)
            entries.append(f"{entry.code} {entry.text}")
        raise ReportedError(
            f"its error queue does not run empty; last entry: {entries[-1]}",
            instrument=self.link.name,
            message=question,
            remedy="switch it off and on, and look at its front panel",
        )

    def check_errors(self) -> None:
        """Raise what stands in the error queue.

        Raises:
            ReportedError: The queue was not empty.
        """
        entries = self.drain_errors()
        if entries:
            raise ReportedError(
                f"it reports {'; '.join(entries)}",
                instrument=self.link.name,
                message=self.dialect.ask["error"],
                remedy="check that its dialect and range fit what was sent",
            )

    def close(self) -> None:
        """End the conversation."""
        self.link.close()

    def _number(self, operation: str, answer: str, question: str) -> float:
        """Read a number; a marker for overload or not-a-number is no reading."""
        try:
            try:
                return number(self.dialect.value_in(operation, answer))
            except MarkerAnswer:
                raise
            except ValueError:
                refuse_marker(answer)  # it may come without what stands around a value
                raise
        except MarkerAnswer as error:
            kind = Overload if isinstance(error, OverloadAnswer) else NoReading
            raise kind(
                str(error),
                instrument=self.link.name,
                message=question,
                remedy="check range and leads",
            ) from error

    def _no_reading(self, cause: Cause, question: str) -> NoReading:
        remedy = cause.remedy
        if cause.write and self.dialect.built_in is not None:
            remedy = (
                f"copy the built-in dialect ({self.dialect.built_in}) beside the bench file, write "
                f"the copy's name there as its dialect, and change the copy: {remedy}"
            )
        return NoReading(
            cause.what,
            instrument=self.link.name,
            message=question,
            remedy=remedy,
            write=cause.write,
        )

    def _unexpected(self, operation: str, cause: Cause) -> UnexpectedReply:
        return UnexpectedReply(
            cause.what,
            instrument=self.link.name,
            message=self.dialect.ask[operation],
            remedy=cause.remedy,
        )

    def _compound(self) -> dict[str, float]:
        """Read the dialect's sample in one round trip, what it leaves out question by question."""
        values: dict[str, float] = {}
        sample = self.dialect.sample
        if sample is not None:
            names = self._sampled
            answer = self.link.query(sample.ask)
            try:
                parts = split_answers(answer, len(names), sample.separator)
                for name, part in zip(names, parts, strict=True):
                    values[name] = self._number(SAMPLED[name], part, sample.ask)
            except ValueError as error:
                asked = [SAMPLED[name] for name in names]
                cause = compound_cause(names, asked, sample.ask, answer)
                raise self._no_reading(cause, sample.ask) from error
        for left_out in self._singly:
            values[left_out] = self.value(SAMPLED[left_out])
        return values


class Supply(Instrument):
    """A DC supply or AC source."""

    def sample(self) -> SupplySample:
        """Read voltage, current, real power and status, in one round trip where it can.

        Raises:
            NoReading: Any of the values is no value.
            LinkError: The link failed.
        """
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
        """See that its status tells of no protection that has tripped; with the output off.

        Raises:
            UnexpectedReply: It does, where its dialect reads that bit.
        """
        weight = self.dialect.status.protection
        if weight and self.sample().protection:
            raise UnexpectedReply(
                "its status says that its protection has tripped earlier",
                instrument=self.link.name,
                message=f"protection = {weight} in its dialect",
                remedy="clear it at the front panel; if nothing is to be cleared there, the weight "
                "is wrong: look it up in the manual, or leave the line out",
            )


class Meter(Instrument):
    """A multimeter."""


class Load(Instrument):
    """An electronic load in constant current, resistance or power."""
