"""Roles: a supply, a meter, an electronic load, each a dialect spoken over a link."""

from __future__ import annotations

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect
from harness.bench.link import Link
from harness.bench.sample import SupplySample
from harness.bench.scpi import OverloadAnswer, boolean, error_entry, number, split_answers
from harness.errors import InstrumentError, NoReading, Overload, ReportedError, UnexpectedReply

__all__ = ["Instrument", "Load", "Meter", "Supply"]

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
        return self._number(self.link.query(question), question)

    def state(self, operation: str) -> bool:
        """Ask for a boolean.

        Raises:
            NoReading: Neither 0 nor 1.
        """
        question = self.dialect.ask[operation]
        answer = self.link.query(question)
        try:
            return boolean(answer)
        except ValueError as error:
            raise NoReading(
                str(error), instrument=self.link.name, message=question, do="check its dialect"
            ) from error

    def identify(self) -> str:
        """Return the answer to ``*IDN?``, cut to 200 characters."""
        return self.text("identify")[:200]

    def introduce(self) -> str:
        """Identify it and empty its error queue: old errors are not this run's."""
        self._identity = self.identify()
        self.drain_errors()
        return self._identity

    def check_in_step(self) -> None:
        """See that its answers still belong to their questions, and that it is still the same.

        Raises:
            UnexpectedReply: It says it is another than at its introduction.
            ReportedError: It reports errors.
        """
        identity = self.identify()
        if self._identity is not None and identity != self._identity:
            raise UnexpectedReply(
                f"it answers {identity[:60]!r}; at the start it was {self._identity[:60]!r}",
                instrument=self.link.name,
                message=self.dialect.ask["identify"],
                do="switch it off and on, and see that no other program talks to it",
            )
        self.check_errors()

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
                raise UnexpectedReply(
                    str(error), instrument=self.link.name, message=question, do="check its dialect"
                ) from error
            if entry.code == 0:
                return tuple(entries)
            entries.append(f"{entry.code} {entry.text}")
        raise ReportedError(
            f"its error queue does not run empty; last entry: {entries[-1]}",
            instrument=self.link.name,
            message=question,
            do="switch it off and on, and look at its front panel",
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
                do="check that its dialect and range fit what was sent",
            )

    def close(self) -> None:
        """End the conversation."""
        self.link.close()

    def _number(self, answer: str, question: str) -> float:
        try:
            return number(answer)
        except OverloadAnswer as error:
            raise Overload(
                str(error), instrument=self.link.name, message=question, do="check range and leads"
            ) from error
        except ValueError as error:
            raise NoReading(
                str(error), instrument=self.link.name, message=question, do="check range and leads"
            ) from error

    def _compound(self) -> dict[str, float]:
        """Read the dialect's sample in one round trip, or question by question without one."""
        sample = self.dialect.sample
        if sample is None:
            names = ("voltage", "current", "power", "status")
            asks = {name: f"measure_{name}" if name != "status" else name for name in names}
            return {name: self.value(ask) for name, ask in asks.items() if self.has(ask)}
        answer = self.link.query(sample.ask)
        try:
            parts = split_answers(answer, len(sample.answer))
            return dict(zip(sample.answer, map(number, parts), strict=True))
        except ValueError as error:
            raise NoReading(
                str(error),
                instrument=self.link.name,
                message=sample.ask,
                do="check range and leads",
            ) from error


class Supply(Instrument):
    """A DC supply or AC source."""

    def read(self) -> SupplySample:
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


class Meter(Instrument):
    """A multimeter."""

    def read(self, quantity: str) -> float:
        """Read one quantity.

        Args:
            quantity: ``voltage_dc``, ``voltage_ac``, ``current_dc``, ``resistance`` and so on.

        Raises:
            NoReading: Overload, not-a-number, or no number at all.
            InstrumentError: Its dialect cannot measure it.
        """
        operation = f"measure_{quantity}"
        if not self.has(operation):
            raise InstrumentError(
                f"its dialect cannot measure {quantity}", instrument=self.link.name, do="add it"
            )
        return self.value(operation)


class Load(Instrument):
    """An electronic load in constant current, resistance or power."""

    def read(self) -> dict[str, float]:
        """Read voltage, current and power, in one round trip where it can.

        Raises:
            NoReading: Any of the values is no value.
        """
        values = self._compound()
        values.setdefault("power", values["voltage"] * values["current"])
        return values
