"""Faults of an instrument's link, by name, each a transformation of the conversation in bytes.

A fault sits between the simulated instrument and the wire: it decides which messages the instrument
hears, and what goes on the wire in the place of its answers. The instrument itself stays sound.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Literal

__all__ = ["LINK_FAULTS", "CloseConnection", "Exchange", "LinkFault", "OnWire", "Pause"]


@dataclass(frozen=True, slots=True)
class Exchange:
    """One message and what the instrument answers.

    Attributes:
        message: The message, in capitals, without its terminator.
        answer: The whole answer with its terminator; empty where there is none.
        previous: The answer before it; empty where there was none.
    """

    message: str
    answer: bytes
    previous: bytes


@dataclass(frozen=True, slots=True)
class Pause:
    """Nothing goes on the wire for a time."""

    duration_s: float


@dataclass(frozen=True, slots=True)
class CloseConnection:
    """The instrument's end closes the connection."""


#: What goes on the wire, one after the other.
OnWire = bytes | Pause | CloseConnection


def _as_it_is(exchange: Exchange) -> Iterator[OnWire]:
    yield exchange.answer


def _nothing(_exchange: Exchange) -> Iterator[OnWire]:
    yield b""


def _late(exchange: Exchange) -> Iterator[OnWire]:
    yield Pause(3.0)
    yield exchange.answer


def _closed(_exchange: Exchange) -> Iterator[OnWire]:
    yield CloseConnection()


def _half(exchange: Exchange) -> Iterator[OnWire]:
    yield exchange.answer[: len(exchange.answer) // 2]


def _in_pieces(exchange: Exchange) -> Iterator[OnWire]:
    for start in range(0, len(exchange.answer), 5):
        yield exchange.answer[start : start + 5]
        yield Pause(0.002)


def _garbage(exchange: Exchange) -> Iterator[OnWire]:
    # every bit but the highest turned, as a wrong baud rate or a broken cable may do it
    yield bytes(byte ^ 0xFF for byte in exchange.answer.rstrip(b"\n")) + b"\n"


def _empty(_exchange: Exchange) -> Iterator[OnWire]:
    yield b"\n"


def _previous(exchange: Exchange) -> Iterator[OnWire]:
    yield exchange.previous


def _every_value(marker: bytes) -> Callable[[Exchange], Iterator[OnWire]]:
    """Put a marker of SCPI-1999 (volume 1, 7.2.1) in the place of each value."""

    def answer(exchange: Exchange) -> Iterator[OnWire]:
        yield b";".join([marker] * (exchange.answer.count(b";") + 1)) + b"\n"

    return answer


def _text(text: bytes) -> Callable[[Exchange], Iterator[OnWire]]:
    def answer(_exchange: Exchange) -> Iterator[OnWire]:
        yield text + b"\n"

    return answer


@dataclass(frozen=True, slots=True, kw_only=True)
class LinkFault:
    """One fault of a link.

    Attributes:
        summary: What it is, in the words of the bench.
        answer: What goes on the wire in the place of an answer.
        concerns: Messages whose answers it spoils, as a pattern.
        unheard: Messages that never reach the instrument, as a pattern; empty: it hears all.
        lasts: For one answer, until the connection is opened anew, or for as long as it is there.
        roles: Instruments it makes sense for.
        harmless: Whether a run must not mind it.
    """

    summary: str
    answer: Callable[[Exchange], Iterator[OnWire]] = _as_it_is
    concerns: str = ""
    unheard: str = ""
    lasts: Literal["once", "connection", "always"] = "always"
    roles: frozenset[str] = frozenset({"supply", "meter", "load"})
    harmless: bool = False

    def spoils(self, message: str) -> bool:
        """Whether the answer to a message is spoilt."""
        return re.search(self.concerns, message) is not None

    def keeps_out(self, message: str) -> bool:
        """Whether a message never reaches the instrument."""
        return bool(self.unheard) and re.search(self.unheard, message) is not None


#: Every link fault by name.
LINK_FAULTS: dict[str, LinkFault] = {
    "silence": LinkFault(
        summary="carries messages out, but no answer comes any more",
        answer=_nothing,
    ),
    "hung-connection": LinkFault(
        summary="the connection hangs both ways until it is opened anew",
        answer=_nothing,
        unheard=".",
        lasts="connection",
    ),
    "late-answer": LinkFault(
        summary="answers come after 3 s, past every time-out",
        answer=_late,
        lasts="connection",
    ),
    "dropped-connection": LinkFault(
        summary="the connection closes in the place of one answer",
        answer=_closed,
        lasts="once",
    ),
    "truncated-answer": LinkFault(
        summary="answers end half-way, without terminator",
        answer=_half,
        lasts="connection",
    ),
    "split-packets": LinkFault(
        summary="answers come in pieces of five bytes; a run must not mind",
        answer=_in_pieces,
        harmless=True,
    ),
    "garbage": LinkFault(
        summary="answers are bytes that are no text",
        answer=_garbage,
        lasts="connection",
    ),
    "empty-answer": LinkFault(
        summary="answers are a terminator and nothing else",
        answer=_empty,
        lasts="connection",
    ),
    "not-a-number": LinkFault(
        summary="measurements answer 9.91E37, not-a-number",
        answer=_every_value(b"9.91E37"),
        concerns="MEAS:",
    ),
    "overload": LinkFault(
        summary="measurements answer 9.9E37, overload",
        answer=_every_value(b"9.9E37"),
        concerns="MEAS:",
    ),
    "stale-answer": LinkFault(
        summary="each answer is the one to the question before: out of step",
        answer=_previous,
        lasts="connection",
    ),
    "wrong-identity": LinkFault(
        summary="another instrument answers to *IDN?",
        answer=_text(b"Harrow Point Workshop,UNKNOWN-1,SIM-9999,0.0"),
        concerns=r"^\*IDN\?",
    ),
    "error-queue": LinkFault(
        summary="its error queue fills and never runs empty",
        answer=_text(b'-310,"System error"'),
        concerns=r"^SYST:ERR\?",
    ),
    "output-stays-on": LinkFault(
        summary="takes no message that would switch it off",
        unheard=r"^(OUTP|INP) (OFF|0)$|^\*RST$",
        concerns="(?!)",  # no answer is spoilt: it says truly that it is on
        roles=frozenset({"supply", "load"}),
    ),
}
