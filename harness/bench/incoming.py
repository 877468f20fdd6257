"""What comes in over a session, cut into greetings, echoes and answers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from harness.bench.deadline import Deadline
from harness.bench.dialect import LinkTable
from harness.quantity import shown

if TYPE_CHECKING:
    from pyvisa.resources import MessageBasedResource

#: Wait for what may be left of an answer: a character at 9600 baud takes 1 ms.
_LEFT_OVER_S = 0.002
#: Most lines of a greeting, and most characters of an answer that nothing ends.
_GREETING_LINES, _LONGEST_UNENDED = 40, 4096


class Unforeseen(Exception):
    """Something else came than its dialect says."""

    def __init__(self, what: str, remedy: str) -> None:
        super().__init__(what)
        self.remedy = remedy


class Incoming:
    """The side of one session that is read; whatever it raises is the caller's to name.

    Echoes are read before an answer and not behind a setting, so that nothing waits for them
    between output off and what comes next.
    """

    def __init__(self, session: MessageBasedResource, way: LinkTable, deadline: Deadline) -> None:
        from pyvisa.constants import InterfaceType

        self._session = session
        self._way = way
        self._deadline = deadline
        self._echoes: list[str] = []  # messages whose echo is still to come
        # bytes come one after the other there, and nothing but a terminator parts them
        stream = session.resource_class == "SOCKET" or (
            session.interface_type == InterfaceType.asrl
        )
        self._unended = stream and way.terminator == "none"

    def greeting(self, timeout_s: float) -> None:
        """Read what it says of its own when it is connected to, up to the line that is known."""
        heard = ""
        for _ in range(_GREETING_LINES):
            heard = self._line(0, timeout_s)
            if self._way.greeting in heard:
                return
        raise Unforeseen(
            f"it greets with {shown(heard)}, which does not hold {shown(self._way.greeting)}",
            "mend greeting under [link] of its dialect",
        )

    def see_nothing(self, timeout_s: float) -> None:
        """See that nothing is left of the last answer, where no terminator would have shown it.

        A single character too many would go before each answer from then on.
        """
        if not self._unended:
            return
        try:
            self._session.timeout = _LEFT_OVER_S * 1000
            left = self._session.read_bytes(1)
        except Exception as error:
            if not is_late(error):
                raise
            return
        finally:
            self._session.timeout = timeout_s * 1000
        raise Unforeseen(
            f"it goes on with {shown(left.decode('latin-1'))} after its last answer",
            "mend the length of that answer under [answers] of its dialect",
        )

    def echo(self, message: str) -> None:
        """Expect the echo of a message, if it sends any."""
        if self._way.echo:
            self._echoes.append(message)

    def answer(self, length: int, timeout_s: float) -> str:
        """Read an answer, behind the echoes; ``length`` counts where no terminator ends it."""
        for sent in self._echoes:
            heard = self._line(len(sent), timeout_s)
            if heard.strip() != sent.strip():
                raise Unforeseen(
                    f"it sends {shown(heard)} where the echo of {shown(sent)} should come",
                    "leave echo out under [link] of its dialect, or see what else talks to it",
                )
        self._echoes.clear()
        return self._line(length, timeout_s)

    def _line(self, length: int, timeout_s: float) -> str:
        if self._unended:
            return self._until_quiet(length, timeout_s)
        # Not its `read`: that prints a warning where an answer ends without the terminator.
        return self._session.read_raw().decode("ascii").rstrip("\r\n")

    def _until_quiet(self, length: int, timeout_s: float) -> str:
        """Read an answer that no terminator ends: so many bytes, or until it is quiet."""
        self._deadline.set(timeout_s + self._way.quiet_s)  # that silence is no part of it
        answer = b""
        try:
            while len(answer) < (length or _LONGEST_UNENDED) and not self._deadline.passed:
                answer += self._session.read_bytes(1)
                self._session.timeout = self._way.quiet_s * 1000
        except Exception as error:
            if not (answer and is_late(error)):
                raise
        finally:
            self._session.timeout = timeout_s * 1000
        if self._deadline.passed:
            raise TimeoutError("its answer did not end in time")
        return answer.decode("latin-1" if length == 1 else "ascii")


def is_late(error: Exception) -> bool:
    """Whether an error says that nothing came in time."""
    from pyvisa.constants import StatusCode

    silent = getattr(error, "error_code", None) == StatusCode.error_timeout
    return silent or isinstance(error, TimeoutError)
