"""Roles: a supply, a meter, an electronic load, each a dialect spoken over a link."""

from __future__ import annotations

from harness.bench.clock import Clock
from harness.bench.dialect import SAMPLED, Dialect
from harness.bench.finding import Cause
from harness.bench.link import Link
from harness.bench.replies import (
    compound_cause,
    echo_cause,
    queue_cause,
    reply_cause,
)
from harness.bench.sample import SupplySample
from harness.bench.scpi import (
    MarkerAnswer,
    OverloadAnswer,
    boolean,
    error_entry,
    number,
    split_answers,
)
from harness.errors import InstrumentError, NoReading, Overload, ReportedError, UnexpectedReply

__all__ = ["Instrument", "Load", "Meter", "Supply"]

#: What a supply or a load reads in one go.
_TOGETHER = ("voltage", "current", "power")
#: An error queue longer than this is not drained but reported: something is badly wrong.
_QUEUE_LIMIT = 32


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

    def text(self, operation: str) -> str:
        """Ask for text."""
        return self.link.query(self.dialect.ask[operation]).strip()

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

    def read(self, quantity: str) -> dict[str, float]:
        """Read a quantity, with whatever its dialect reads in the same round trip.

        Args:
            quantity: One that :data:`harness.profile.measures.READINGS` has for its role.

        Returns:
            Values by quantity. Voltage, current and power come together; power is their product
            where the dialect cannot measure it.

        Raises:
            NoReading: Any of the values is no value.
            InstrumentError: Its dialect cannot measure it.
        """
        if quantity in _TOGETHER:
            values = self._compound()
            values.setdefault("power", values["voltage"] * values["current"])
            return {name: values[name] for name in _TOGETHER}
        operation = f"measure_{quantity}"
        if not self.has(operation):
            raise InstrumentError(
                f"its dialect cannot measure {quantity}", instrument=self.link.name, remedy="add it"
            )
        return {quantity: self.value(operation)}

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

    def identify(self) -> str:
        """Return the answer to ``*IDN?``, cut to 200 characters."""
        return self.text("identify")[:200]

    def identify_and_clear(self) -> str:
        """Identify it and empty its error queue: old errors are not this run's.

        Raises:
            UnexpectedReply: It says nothing, or sends the question back.
        """
        self._identity = self.identify()
        question = self.dialect.ask["identify"]
        cause = echo_cause(question, self._identity)
        if cause is not None:
            raise UnexpectedReply(
                cause.what, instrument=self.link.name, message=question, remedy=cause.remedy
            )
        self.drain_errors()
        return self._identity

    def check_in_step(self) -> None:
        """See that its answers still belong to their questions, and that it reports no errors.

        Raises:
            UnexpectedReply: It says it is another than at its introduction.
            ReportedError: It reports errors.
        """
        self.check_identity()
        self.check_errors()

    def check_identity(self) -> None:
        """See that it is still the same: readings alike cannot show answers out of step.

        Raises:
            UnexpectedReply: It says it is another than at its introduction.
        """
        identity = self.identify()
        if self._identity is not None and identity != self._identity:
            raise UnexpectedReply(
                f"it answers {identity[:60]!r}; at the start it was {self._identity[:60]!r}",
                instrument=self.link.name,
                message=self.dialect.ask["identify"],
                remedy="switch it off and on, and see that no other program talks to it",
            )

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
                raise UnexpectedReply(
                    cause.what, instrument=self.link.name, message=question, remedy=cause.remedy
                ) from error
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
        """Read a number.

        Raises:
            NoReading: A marker for overload or not-a-number.
            ValueError: No number.
        """
        try:
            try:
                return number(self.dialect.value_in(operation, answer))
            except MarkerAnswer:
                raise
            except ValueError:
                if operation in self.dialect.answers:
                    _refuse_marker(answer)  # it may come without what stands around a value
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


def _refuse_marker(answer: str) -> None:
    """Raise where an answer is a marker.

    Raises:
        MarkerAnswer: It is one.
    """
    try:
        number(answer)
    except MarkerAnswer:
        raise
    except ValueError:
        return


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

    def status(self) -> int:
        """Read the status register as it is.

        Raises:
            NoReading: The answer is no number.
        """
        return int(self.value("status"))

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
