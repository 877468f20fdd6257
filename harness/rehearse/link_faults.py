"""Faults of an instrument's link, by name, each a transformation of the conversation in bytes.

A fault decides which messages the simulated instrument hears, and what goes on the wire in the
place of its answers. The instrument itself stays sound.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

#: What goes on the wire, one after the other: bytes, nothing for so many seconds, or (None) nothing
#: ever again, for the instrument's end closes the connection.
OnWire = bytes | float | None

#: What goes on the wire in the place of an answer, by that answer and the one before it; each with
#: its terminator, or empty.
_Answer = Callable[[bytes, bytes], Iterable[OnWire]]

#: A wait past every time-out, and one that only parts two packets.
_LATE_S, _GAP_S = 3.0, 0.002
_PACKET_BYTES = 5
#: The pattern of no message.
_NONE = "(?!)"


def _in_pieces(answer: bytes, _: bytes) -> Iterable[OnWire]:
    for start in range(0, len(answer), _PACKET_BYTES):
        yield answer[start : start + _PACKET_BYTES]
        yield _GAP_S


def _every_value(marker: bytes) -> _Answer:
    """Put a marker of SCPI-1999 (volume 1, 7.2.1) in the place of each value."""
    return lambda answer, _: [b";".join([marker] * (answer.count(b";") + 1)) + b"\n"]


@dataclass(frozen=True, slots=True)
class LinkFault:
    """One fault of a link; a message is in capitals, without its terminator."""

    #: What it is, in the words of the bench.
    summary: str
    answer: _Answer = lambda answer, _: [answer]
    #: Messages whose answers it spoils, as a pattern.
    concerns: str = ""
    #: Messages that never reach the instrument, as a pattern.
    unheard: str = _NONE
    #: For one answer, until the connection is opened again, or for as long as it is there.
    lasts: Literal["once", "connection", "always"] = "always"
    #: Instruments it makes sense for.
    roles: frozenset[str] = frozenset({"supply", "meter", "load"})
    #: Whether a run must not mind it.
    harmless: bool = False

    def spoils(self, message: str) -> bool:
        """Whether the answer to a message is spoilt."""
        return re.search(self.concerns, message) is not None

    def keeps_out(self, message: str) -> bool:
        """Whether a message never reaches the instrument."""
        return re.search(self.unheard, message) is not None


#: Every link fault by name.
LINK_FAULTS: dict[str, LinkFault] = {
    "silence": LinkFault("carries messages out, but no answer comes any more", lambda *_: []),
    "hung-connection": LinkFault(
        "the connection hangs both ways until it is opened again",
        lambda *_: [],
        unheard=".",
        lasts="connection",
    ),
    "late-answer": LinkFault(
        "answers come after 3 s, past every time-out",
        lambda answer, _: [_LATE_S, answer],
        lasts="connection",
    ),
    "dropped-connection": LinkFault(
        "the connection closes in the place of one answer",
        lambda *_: [None],
        lasts="once",
    ),
    "truncated-answer": LinkFault(
        "answers end half-way, without terminator",
        lambda answer, _: [answer[: len(answer) // 2]],
        lasts="connection",
    ),
    "split-packets": LinkFault(
        "answers come in pieces of five bytes; a run must not mind", _in_pieces, harmless=True
    ),
    "garbage": LinkFault(
        "answers are bytes that are no text",
        # every bit turned, as a wrong baud rate or a broken cable may do it
        lambda answer, _: [bytes(byte ^ 0xFF for byte in answer.rstrip(b"\n")) + b"\n"],
        lasts="connection",
    ),
    "empty-answer": LinkFault(
        "answers are a terminator and nothing else", lambda *_: [b"\n"], lasts="connection"
    ),
    "not-a-number": LinkFault(
        "measurements answer 9.91E37, not-a-number", _every_value(b"9.91E37"), concerns="MEAS:"
    ),
    "overload": LinkFault(
        "measurements answer 9.9E37, overload", _every_value(b"9.9E37"), concerns="MEAS:"
    ),
    "stale-answer": LinkFault(
        "each answer is the one to the question before: out of step",
        lambda _, previous: [previous],
        lasts="connection",
    ),
    "wrong-identity": LinkFault(
        "another instrument answers to *IDN?",
        lambda *_: [b"Harrow Point Workshop,UNKNOWN-1,SIM-9999,0.0\n"],
        concerns=r"^\*IDN\?",
    ),
    "error-queue": LinkFault(
        "its error queue fills and never runs empty",
        lambda *_: [b'-310,"System error"\n'],
        concerns=r"^SYST:ERR\?",
    ),
    "output-stays-on": LinkFault(
        "takes no message that would switch it off",
        unheard=r"^(OUTP|INP) (OFF|0)$|^\*RST$",
        concerns=_NONE,  # it says truly that it is on
        roles=frozenset({"supply", "load"}),
    ),
}
