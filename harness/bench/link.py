"""Links: the only place that owns VISA sessions and knows PyVISA's errors."""

from __future__ import annotations

import contextlib
import socket
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING, Any, Protocol

from harness.errors import InstrumentError, LinkError, LinkTimeout

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

__all__ = ["Link", "VisaLink", "open_link", "open_visa"]

TERMINATORS = {"LF": "\n", "CR": "\r", "CRLF": "\r\n"}


class Link(Protocol):
    """A conversation with one instrument.

    Attributes:
        name: Role and resource, for messages.
        timeout_s: Longest wait for an answer.
    """

    name: str
    timeout_s: float

    def write(self, message: str) -> None:
        """Send one message."""
        ...

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator."""
        ...

    def reopen(self) -> None:
        """Begin the conversation anew: what was still on its way is forgotten."""
        ...

    def close(self) -> None:
        """End the conversation; closing twice does nothing."""
        ...


class VisaLink:
    """A link over one VISA session.

    Args:
        open_session: Opens the session; called again to open it anew.
        name: Role and resource, for messages.
        timeout_s: Longest wait for an answer.
    """

    def __init__(
        self, open_session: Callable[[], MessageBasedResource], name: str, timeout_s: float
    ) -> None:
        self._open_session = open_session
        self._resource = open_session()
        self._open = True
        self.name = name
        self.timeout_s = timeout_s

    def reopen(self) -> None:
        """Begin the conversation anew: what was still on its way is forgotten.

        Raises:
            LinkError: The instrument cannot be reached any more.
        """
        self.close()
        self._resource = self._open_session()
        self._open = True

    def write(self, message: str) -> None:
        """Send one message.

        Raises:
            LinkTimeout: The instrument did not take it in time.
            LinkError: The link broke.
        """
        try:
            self._resource.write(message)
        except Exception as error:
            raise _named(error, self.name, message) from error

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator.

        Raises:
            LinkTimeout: No answer in time.
            LinkError: The link broke, or bytes came that are no text.
        """
        try:
            return self._resource.query(message)
        except Exception as error:
            raise _named(error, self.name, message) from error

    def close(self) -> None:
        """End the conversation; closing twice does nothing, a broken session is let go."""
        if self._open:
            self._open = False
            with contextlib.suppress(Exception):  # the output is off by now; nothing more to lose
                self._resource.close()


def _named(error: Exception, name: str, message: str) -> InstrumentError:
    """Return the harness's error for whatever PyVISA or the layer below it raised."""
    from pyvisa import constants, errors

    if isinstance(error, errors.VisaIOError):
        if error.error_code == constants.StatusCode.error_timeout:
            return LinkTimeout(
                "no answer in time",
                instrument=name,
                message=message,
                do="check that it is on, its cable, and the terminator in the bench file",
            )
        return LinkError(
            f"the link failed ({error.abbreviation})",
            instrument=name,
            message=message,
            do="check the cable and that no other program holds it",
        )
    if isinstance(error, UnicodeDecodeError):
        return LinkError(
            "bytes came that are no text",
            instrument=name,
            message=message,
            do="check the cable and baud rate",
        )
    return LinkError(
        f"the link failed ({type(error).__name__}: {error})",
        instrument=name,
        message=message,
        do="check the cable and that the instrument is on",
    )


def open_visa(library: str | Any) -> Any:
    """Return PyVISA's resource manager for a library.

    Args:
        library: A bench file's ``visa`` text, or a ready VISA library object (a simulated bench is
            only another library handed in).

    Raises:
        LinkError: The library is not there.
    """
    import pyvisa

    try:
        return pyvisa.ResourceManager(library)
    except Exception as error:
        raise LinkError(
            f"the VISA library cannot be opened ({error})",
            instrument=f"visa = {str(library)!r}",
            do='install a system VISA library, or write visa = "@py" in the bench file',
        ) from error


def open_link(
    manager: Any, *, role: str, resource: str, timeout_s: float, terminator: str
) -> VisaLink:
    """Open one instrument.

    Args:
        manager: PyVISA's resource manager.
        role: ``supply``, ``meter`` or ``load``.
        resource: VISA resource string, passed through unchanged.
        timeout_s: Longest wait for an answer.
        terminator: ``LF``, ``CR`` or ``CRLF``.

    Raises:
        LinkError: There is no such instrument, or it cannot be reached.
    """
    from pyvisa.resources import MessageBasedResource

    name = f"{role} ({resource})"

    def open_session() -> MessageBasedResource:
        with _opening(name):
            session = manager.open_resource(resource, open_timeout=max(1, round(timeout_s * 1000)))
        if not isinstance(session, MessageBasedResource):
            session.close()
            raise LinkError(
                "this resource takes no messages", instrument=name, do="check the resource"
            )
        session.timeout = timeout_s * 1000  # PyVISA counts milliseconds
        session.read_termination = TERMINATORS[terminator]
        session.write_termination = TERMINATORS[terminator]
        _tune_socket(session)
        return session

    return VisaLink(open_session, name, timeout_s)


def _tune_socket(session: MessageBasedResource) -> None:
    """Send small messages at once, and keep an idle TCP link alive; other links have no such thing.

    Without it a setting and the question that follows it wait for each other (40 ms on most
    systems). pyvisa-py 0.8 knows the attribute but cannot set it, so its socket is reached for.
    """
    from pyvisa.constants import ResourceAttribute

    for attribute in (ResourceAttribute.tcpip_nodelay, ResourceAttribute.tcpip_keepalive):
        with contextlib.suppress(Exception):  # not a TCP link, or a library that cannot
            session.set_visa_attribute(attribute, True)
    with contextlib.suppress(Exception):
        library: Any = session.visalib
        inner = library.sessions[session.session].interface
        if isinstance(inner, socket.socket):
            inner.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)


@contextlib.contextmanager
def _opening(name: str) -> Iterator[None]:
    try:
        yield
    except Exception as error:
        raise LinkError(
            f"it cannot be opened ({error})",
            instrument=name,
            do="check the resource in the bench file, the cable, and that the instrument is on",
        ) from error
