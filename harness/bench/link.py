"""Links: the only place that owns VISA sessions and knows PyVISA's errors."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Protocol

from harness.bench.deadline import Deadline, HeldSocket, call_with_timeout, hold_to
from harness.bench.dialect import Dialect
from harness.bench.incoming import Incoming, Unforeseen, is_late
from harness.bench.modbus_link import ModbusLink
from harness.errors import InstrumentError, LinkError, LinkTimeout
from harness.profile.instruments import Instrument, SerialLine

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

#: What ends a message, by its name in files.
TERMINATORS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n", "none": ""}

#: Longest time to open a link for the first time: a USB reset or a port mapper may need it.
_OPENING_S = 5.0
#: Time to open a link again, beyond its time-out: power may be on while we wait.
_REOPENING_S = 1.0
#: Longest time to take leave of an instrument that may not listen any more.
_CLOSING_S = 0.2


class Link(Protocol):
    """A conversation with one instrument."""

    name: str  # role and resource, for messages

    @property
    def timeout_s(self) -> float:
        """Longest wait for an answer."""

    def write(self, message: str) -> None:
        """Send one message."""

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator."""

    def reopen(self) -> None:
        """Begin the conversation again: what was still on its way is forgotten."""

    def close(self) -> None:
        """End the conversation; closing twice does nothing."""


class OpenLink(Link, Protocol):
    """A link as it was opened here."""

    def extended_timeout(self, timeout_s: float) -> contextlib.AbstractContextManager[None]:
        """Wait longer for answers while the block runs, as a self-test needs it."""


class VisaLink:
    """A link over one VISA session to an instrument, whose dialect says how it is reached.

    Raises:
        LinkError: There is no such instrument, or it cannot be reached.
    """

    def __init__(self, manager: Any, role: str, instrument: Instrument, dialect: Dialect) -> None:
        self.name = f"{role} ({instrument.resource})"
        self._manager = manager
        self._instrument = instrument
        self._way = dialect.link
        self._lengths = dialect.answer_lengths
        self._terminator = TERMINATORS[dialect.link.terminator]
        self.timeout_s = dialect.link.timeout_s
        self._deadline = Deadline()
        self._begin(max(_OPENING_S, self.timeout_s))

    def _begin(self, limit_s: float) -> None:
        try:
            self._session, self._socket = call_with_timeout(
                limit_s, self._opened, give_back=lambda late: late[0].close()
            )
        except LinkError:
            raise
        except Exception as error:
            raise LinkError(
                f"it cannot be opened ({error})",
                instrument=self.name,
                remedy="check the resource in the bench file, the cable, and that the instrument "
                "is on",
            ) from error
        self._open = True
        self._unanswered = 0
        self._late_at_first = self._way.first_answer_s > self.timeout_s
        self._usual_s = self.timeout_s  # again, once the first answer has come
        if self._late_at_first:
            self._wait_for(self._way.first_answer_s)
        self._incoming = Incoming(self._session, self._way, self._deadline)
        if self._way.greeting:
            self._await_greeting()

    def _await_greeting(self) -> None:
        """Read what it says of its own when it is connected to."""
        self._deadline.set(self.timeout_s)
        try:
            self._incoming.greeting(self.timeout_s)
        except Exception as error:
            self.close()
            raise self._named(error, "its greeting") from error

    def _opened(self) -> tuple[MessageBasedResource, HeldSocket | None]:
        """Open a session; its socket is held to the deadline, where it has one."""
        from pyvisa.resources import MessageBasedResource

        timeout_ms = self.timeout_s * 1000  # as PyVISA counts
        session = self._manager.open_resource(
            self._instrument.resource, open_timeout=max(1, round(timeout_ms))
        )
        if not isinstance(session, MessageBasedResource):
            session.close()
            raise TypeError("this resource takes no messages")
        try:
            session.timeout = timeout_ms
            session.read_termination = session.write_termination = self._terminator
            set_line(session, self._instrument.serial_line)
            _tune_socket(session)
            return session, hold_to(self._deadline, session, self.name)
        except Exception:
            session.close()
            raise

    def reopen(self) -> None:
        """Begin the conversation again: what was still on its way is forgotten."""
        self.close()
        if self._late_at_first:
            self.timeout_s = self._usual_s
        self._begin(self.timeout_s + _REOPENING_S)

    def write(self, message: str) -> None:
        """Send one message; what fails is a :class:`LinkError`, in time a :class:`LinkTimeout`."""
        self._deadline.set(self.timeout_s)
        try:
            if self._unanswered and self._socket is not None:
                self._socket.await_room()  # what is not answered may not be taken in either
            self._unanswered += 1
            self._session.write(message)
        except Exception as error:
            raise self._named(error, message) from error
        self._incoming.echo(message)

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator; it must be text."""
        self._deadline.set(self.timeout_s)
        try:
            self._incoming.see_nothing(self.timeout_s)
        except Exception as error:
            raise self._named(error, message) from error
        self.write(message)
        try:
            answer = self._incoming.answer(self._lengths.get(message, 0), self.timeout_s)
        except Exception as error:
            raise self._named(error, message) from error
        self._unanswered = 0
        if self._late_at_first:
            self._late_at_first = False
            self._wait_for(self._usual_s)
        return answer

    @contextlib.contextmanager
    def extended_timeout(self, timeout_s: float) -> Iterator[None]:
        """Wait longer for answers while the block runs, as a self-test needs it."""
        usual_s = self.timeout_s
        self._wait_for(timeout_s)
        try:
            yield
        finally:
            self._wait_for(usual_s)

    def close(self) -> None:
        """End the conversation; closing twice does nothing, a broken session is let go."""
        if self._open:
            self._open = False
            self._deadline.set(_CLOSING_S)
            with contextlib.suppress(Exception):  # the output is off by now; nothing more to lose
                self._session.close()

    def _wait_for(self, timeout_s: float) -> None:
        self.timeout_s = timeout_s
        with contextlib.suppress(Exception):  # a broken session says so at the next message
            self._session.timeout = timeout_s * 1000

    def _named(self, error: Exception, message: str) -> InstrumentError:
        """Return the harness's error for whatever PyVISA or the layer below it raised."""
        from pyvisa import errors

        kind = LinkError
        if isinstance(error, Unforeseen):
            what, remedy = str(error), error.remedy
        elif isinstance(error, UnicodeDecodeError):
            what, remedy = "bytes came that are no text", "check the cable and baud rate"
        elif (
            is_late(error) or self._deadline.passed
        ):  # whatever fails past the deadline is a missed time-out
            kind, what = LinkTimeout, "no answer in time"
            remedy = "check that it is on, its cable, and the terminator in the bench file"
        elif isinstance(error, errors.VisaIOError):
            what = f"the link failed ({error.abbreviation})"
            remedy = "check the cable and that no other program holds it"
        else:
            text = str(error)
            if not isinstance(error, ConnectionError):
                text = f"{type(error).__name__}: {text}"
            what = f"the link failed ({text})"
            remedy = "check the cable and that the instrument is on"
        return kind(what, instrument=self.name, message=message, remedy=remedy)


def open_link(manager: Any, role: str, instrument: Instrument, dialect: Dialect) -> OpenLink:
    """Open the link to an instrument in the way its dialect speaks.

    Raises:
        LinkError: There is no such instrument, or it cannot be reached.
    """
    if dialect.link.protocol == "modbus":
        return ModbusLink(role, instrument, dialect)
    return VisaLink(manager, role, instrument, dialect)


def open_visa(library: str | Any) -> Any:
    """Return PyVISA's resource manager for a bench file's ``visa`` text or a ready library object.

    A simulated bench is only another library handed in. One that is not there is a LinkError.
    """
    import pyvisa

    try:
        return pyvisa.ResourceManager(library)
    except Exception as error:
        raise LinkError(
            f"the VISA library cannot be opened ({error})",
            instrument=f"visa = {str(library)!r}",
            remedy='install a system VISA library, or write visa = "@py" in the bench file',
        ) from error


def set_line(session: MessageBasedResource, line: SerialLine) -> None:
    """Set a serial port up; anything else is left as it is."""
    from pyvisa.constants import ControlFlow, Parity, StopBits
    from pyvisa.resources import SerialInstrument

    if not isinstance(session, SerialInstrument):
        return
    session.baud_rate = line.baud_rate
    session.data_bits = line.data_bits
    session.parity = Parity[line.parity]
    session.stop_bits = {1: StopBits.one, 2: StopBits.two}[line.stop_bits]
    flow = line.flow_control.replace("/", "_")
    session.flow_control = ControlFlow(0) if flow == "none" else ControlFlow[flow]


def _tune_socket(session: MessageBasedResource) -> None:
    """Send small messages at once, and keep an idle TCP link alive.

    Else a setting and the question that follows it wait for each other (40 ms on most systems).
    pyvisa-py's own sockets are tuned where they are held to their deadline.
    """
    from pyvisa.constants import ResourceAttribute

    for attribute in (ResourceAttribute.tcpip_nodelay, ResourceAttribute.tcpip_keepalive):
        with contextlib.suppress(Exception):  # not a TCP link, or a library that cannot
            session.set_visa_attribute(attribute, True)
