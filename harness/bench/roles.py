"""Instruments: a supply, a meter, a load or a switch, each a dialect spoken over a link."""

from __future__ import annotations

import contextlib
from collections.abc import Iterable, Iterator
from typing import Any

from harness.bench.answer_rules import SAMPLED
from harness.bench.clock import Clock
from harness.bench.conversation import Conversation
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.finding import Cause, compound_cause, reply_cause
from harness.bench.link import Link, open_link, open_visa
from harness.bench.logged_link import logged
from harness.bench.sample import SupplySample
from harness.bench.scpi import (
    MarkerAnswer,
    OverloadAnswer,
    boolean,
    marker_in,
    number,
    split_answers,
)
from harness.errors import (
    HarnessError,
    InstrumentError,
    NoReading,
    Overload,
    UnexpectedReply,
)
from harness.profile.bench_file import BenchFile
from harness.profile.measures import OPERATIONS

#: Question that tells whether power may be on at it, by role.
_STATES = {"supply": "output_state", "load": "input_state", "switch": "contact_state"}
#: Parts of a sample that are answered by a state.
_SAMPLED_STATES = {name for name in SAMPLED.values() if OPERATIONS[name] == "state"}


class Instrument(Conversation):
    """An instrument in the role of its dialect; the clock tells when a sample came."""

    def __init__(self, link: Link, dialect: Dialect, clock: Clock) -> None:
        super().__init__(link, dialect, clock)
        self._singly = dialect.read_singly
        self._forms = dialect.answers
        # what a sample holds, each with its question: none for a part that nobody needs
        sampled = dialect.sample.answer if dialect.sample is not None else ()
        self._sampled = tuple((name, SAMPLED.get(name)) for name in sampled)
        self._configured = ""  # measurement that it was configured for

    def reopen(self) -> None:
        """Begin the conversation again; what it was configured for is forgotten, too."""
        self._configured = ""
        super().reopen()

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

    def _number(self, operation: str, answer: str, question: str, *, parted: bool = False) -> float:
        """Read a number; a marker for overload or not-a-number is no reading."""
        try:
            form = self._forms.get(operation)
            text = answer if form is None else form.value_in(answer, parted=parted)
            return float(boolean(text)) if operation in _SAMPLED_STATES else number(text)
        except ValueError as error:
            # a marker may come without what stands around a value
            marker = error if isinstance(error, MarkerAnswer) else marker_in(answer)
            if marker is None:
                raise
            kind = Overload if isinstance(marker, OverloadAnswer) else NoReading
            cause = Cause(str(marker), "check range and leads")
            raise self._error(kind, cause, question) from marker

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
        limiting = bool(status & bits.current_limit) if bits.current_limit else None
        if "current_limit" in values:  # asked by a question of its own
            limiting = bool(values["current_limit"]) or bool(limiting)
        return SupplySample(
            self.clock.now_s(),
            voltage_v,
            current_a,
            values.get("power", voltage_v * current_a),
            limiting,
            bool(status & bits.protection) or bool(values.get("protection")),
        )

    def check_protection(self) -> None:
        """See that its status tells of no protection that has tripped; with the output off."""
        line = self.dialect.protection_line
        if line and self.sample().protection:
            cause = Cause(
                "its status says that its protection has tripped earlier",
                "clear it at the front panel; if nothing is to be cleared there, the line is "
                "wrong: look it up in the manual, or leave it out",
            )
            raise self._error(UnexpectedReply, cause, f"{line} in its dialect")


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
                link = logged(open_link(manager, role, file.instruments[role], dialects[role]))
                stack.callback(link.close)
                opened[role] = Instrument(link, dialects[role], clock)
                stack.callback(opened[role].take_leave)
            yield opened
    finally:
        with contextlib.suppress(Exception):  # every output is off by now; nothing more to lose
            manager.close()
