"""Every public error of the harness, in one tree.

::

    HarnessError
    ├── FileError                 a file the user wrote cannot be used (exit 2)
    ├── UsageError                the command line or call cannot be used (exit 2)
    ├── Refused                   pre-flight said no; nothing was energised (exit 5)
    ├── InstrumentError           an instrument misbehaves
    │   ├── LinkError             no conversation any more
    │   │   └── LinkTimeout       no answer in time
    │   ├── UnexpectedReply       an answer that cannot be what was asked for
    │   │   └── NoReading         overload, not-a-number or unparsable where a value was due
    │   │       └── Overload      the instrument says: more than my range
    │   ├── ReportedError         the instrument's own error queue is not empty
    │   └── Unwatched             none of its fault: nobody was there to hear it for too long
    ├── CommandRefused            the keeper kept a command from the wire (exit 3)
    ├── PowerOffUnconfirmed       power may still be on: the most serious of all (exit 6)
    └── RecordError               a record cannot be written or read

A unit that fails is a verdict, never an exception.
"""

from __future__ import annotations

import copyreg
import difflib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import IntEnum
from typing import Any


class ExitCode(IntEnum):
    """What the command line ends with; one that a signal ends has 128 and its number."""

    RELEASE = 0
    CHECK_FAILED = 1
    USAGE = 2
    TRIPPED = 3
    UNDECIDED = 4
    REFUSED = 5
    POWER_MAY_BE_ON = 6


def did_you_mean(name: object, names: Iterable[str]) -> str:
    """Return ``, did you mean '…'?`` with the nearest right name, or nothing where none is near."""
    if not isinstance(name, str):
        return ""
    by_folded = {known.casefold(): known for known in names}
    near = difflib.get_close_matches(name[:100].casefold(), by_folded, n=1)
    return f", did you mean {by_folded[near[0]]!r}?" if near else ""


class HarnessError(Exception):
    """Root of all errors the harness raises on purpose."""

    #: Exit code of the command line when this error ends it.
    exit_code = ExitCode.USAGE

    def __init__(self, what: str, *, where: str = "", remedy: str = "") -> None:
        super().__init__(what)
        self.what = what  # in one sentence without a full stop
        self.where = where  # file and line, instrument and message, or folder
        self.remedy = remedy  # what the reader can do about it

    def __reduce__(self) -> tuple[Any, ...]:
        """Go from process to process as it is: what is beside ``args`` is in the state."""
        return copyreg.__newobj__, (type(self), *self.args), self.__dict__  # type: ignore[attr-defined]

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text}; {self.remedy}" if self.remedy else text


@dataclass(frozen=True, slots=True)
class Mistake:
    """One mistake in a file a user wrote."""

    file: str  # as the user gave it
    line: int | None  # counted from 1; None where no line can be named
    key: str  # path such as ``steps[2].checks[0].low``; empty for the whole file
    problem: str  # in one sentence without a full stop
    example: str = ""  # a line that would be right

    def __str__(self) -> str:
        place = self.file if self.line is None else f"{self.file}:{self.line}"
        text = f"{place}: {self.key}: {self.problem}" if self.key else f"{place}: {self.problem}"
        return f"{text}; for example: {self.example}" if self.example else text


class FileError(HarnessError):
    """A file cannot be used; carries every mistake found in it, not only the first."""

    def __init__(self, mistakes: Iterable[Mistake]) -> None:
        self.mistakes = tuple(mistakes)
        super().__init__("\n".join(str(mistake) for mistake in self.mistakes))


class UsageError(HarnessError):
    """The command line, or a call of the API, asks for something that does not exist."""


class Refused(HarnessError):
    """Pre-flight said no, before anything was energised; each reason is a whole sentence."""

    exit_code = ExitCode.REFUSED

    def __init__(self, reasons: Iterable[str]) -> None:
        self.reasons = tuple(reasons)
        super().__init__("\n".join(self.reasons))


class InstrumentError(HarnessError):
    """An instrument misbehaves."""

    exit_code = ExitCode.REFUSED

    def __init__(
        self,
        what: str,
        *,
        instrument: str,
        message: str = "",
        remedy: str = "",
        write: tuple[str, ...] = (),
    ) -> None:
        where = f"{instrument}, at {message!r}" if message else instrument
        super().__init__(what, where=where, remedy=remedy)
        self.instrument = instrument  # role and resource, such as ``supply (TCPIP0::…)``
        self.message = message  # the one on the wire it happened at
        self.write = write  # lines to write into a file, as they stand

    def __str__(self) -> str:
        between = " " if len(self.write) == 1 else "\n"  # several are copied line by line
        return between.join((super().__str__(), *self.write))


class LinkError(InstrumentError):
    """The conversation with an instrument broke."""


class LinkTimeout(LinkError):
    """An instrument did not answer in time."""


class UnexpectedReply(InstrumentError):
    """An instrument answered something that cannot be the answer."""


class NoReading(UnexpectedReply):
    """Overload, not-a-number or unparsable text came where a value was due."""


class Overload(NoReading):
    """The instrument answered that the quantity is beyond its range."""


class ReportedError(InstrumentError):
    """An instrument reports an error in its queue (``SYST:ERR?``)."""


class Unwatched(InstrumentError):
    """Nobody was there to hear an instrument for too long: the fault of the machine, not its."""

    def __str__(self) -> str:
        return self.what  # which instrument it was is no matter


class CommandRefused(HarnessError):
    """The keeper refused a command before it reached the wire."""

    exit_code = ExitCode.TRIPPED


#: First of all words where output off could not be confirmed.
CUT_MAINS = "CUT THE MAINS OF THE SUPPLY NOW"


class PowerOffUnconfirmed(HarnessError):
    """Power may still be on, for output off could not be confirmed: cut the mains by hand."""

    exit_code = ExitCode.POWER_MAY_BE_ON

    def __init__(self, what: str, *, where: str) -> None:
        remedy = "cut the mains of the supply by hand now, and treat the unit as live"
        super().__init__(what, where=where, remedy=remedy)


class RecordError(HarnessError):
    """A record cannot be written, or a folder is no whole record."""
