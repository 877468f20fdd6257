"""Causes in the conversation itself: terminators, speed, patience, a stranger (pure)."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from harness.bench.diagnose.cause import Cause
from harness.bench.diagnose.reply import echo_cause

__all__ = [
    "Heard",
    "answer_cause",
    "ending",
    "no_identity_cause",
    "plausible_identity",
    "stranger_cause",
]

#: Endings of an answer that each terminator of a bench file can read: CR LF ends in LF, too.
_READS = {"LF": {"LF", "CRLF"}, "CRLF": {"LF", "CRLF"}, "CR": {"CR"}}

_BYTES = {"LF": "LF (line feed)", "CRLF": "CR LF", "CR": "CR (carriage return)"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Heard:
    """What came back to ``*IDN?``, byte by byte.

    Attributes:
        answer: The bytes.
        after_s: Time until the first of them.
        closed: Whether the other end closed the connection.
    """

    answer: bytes = b""
    after_s: float = 0.0
    closed: bool = False


def ending(answer: bytes) -> str | None:
    """Name the terminator at the end of an answer."""
    for name, terminator in (("CRLF", b"\r\n"), ("LF", b"\n"), ("CR", b"\r")):
        if answer.endswith(terminator):
            return name
    return None


def plausible_identity(answer: bytes) -> bool:
    """Whether bytes look like an answer to ``*IDN?``.

    It is text in four fields, with commas between them (IEEE 488.2-1992, 10.14); older instruments
    give fewer, so one comma will do.
    """
    text = answer.strip()
    return bool(text) and all(32 <= byte < 127 for byte in text) and b"," in text


def answer_cause(
    heard: Mapping[str, Heard], *, configured: str, timeout_s: float, rate: int | None = None
) -> Cause | None:
    """Judge what came back to ``*IDN?`` with each terminator tried.

    Args:
        heard: By terminator: ``LF``, ``CRLF``, ``CR``.
        configured: The terminator in use.
        timeout_s: The time-out in use.
        rate: A baud rate that is not in use and was tried; None where the usual one was.

    Returns:
        The cause, or None where no terminator brought any answer.
    """
    answered = {name: each for name, each in heard.items() if each.answer}
    sensible = {name: each for name, each in answered.items() if plausible_identity(each.answer)}
    if not sensible:
        return no_identity_cause(next(iter(answered.values())).answer) if answered else None
    ends = {name: ending(each.answer) for name, each in sensible.items()}
    works = [name for name, end in ends.items() if end in _READS[name]]
    works.sort(key=lambda name: name != configured)
    if not works:
        return _no_common_terminator(ends)
    line = () if rate is None else (f"serial_line = {{ baud_rate = {rate} }}",)
    if works[0] != configured:
        return Cause(
            what=f"it answers to {_BYTES[works[0]]} at the end of a message, not to "
            f"{_BYTES[configured]}" + ("" if rate is None else f", and at {rate} baud"),
            remedy="write in its table of the bench file:",
            write=(f'terminator = "{works[0]}"', *line),
        )
    if rate is not None:
        return Cause(
            what=f"it answers at {rate} baud",
            remedy="write in its table of the bench file:",
            write=line,
        )
    return _in_order(sensible[configured], timeout_s)


def _in_order(heard: Heard, timeout_s: float) -> Cause:
    """Say what is left where it answers as it should."""
    if heard.after_s > timeout_s:
        return Cause(
            what=f"it answers, but only after {heard.after_s:.1f} s",
            remedy="write in its table of the bench file:",
            write=(f'timeout = "{math.ceil(2 * heard.after_s)} s"',),
        )
    return Cause(
        what="it answers now, though it did not a moment ago",
        remedy="try again; if it comes and goes, look for a loose cable or another program that "
        "uses it",
    )


def _no_common_terminator(ends: Mapping[str, str | None]) -> Cause:
    name, end = next(iter(ends.items()))
    how = "with no terminator at all" if end is None else f"with {_BYTES[end]}"
    return Cause(
        what=f"it answers to {_BYTES[name]} at the end of a message, but ends its answer {how}",
        remedy="set the terminator of its answers in its menu or adapter: LF, CR LF or CR, the "
        "same as it takes",
    )


def no_identity_cause(answer: bytes) -> Cause:
    """Say what an answer to ``*IDN?`` means that is no identity."""
    text = answer.decode("ascii", "replace").strip()
    found = echo_cause("*IDN?", text)
    if found is not None:
        return found
    start = ascii(answer[:40])[1:]
    # one line of words may be what some say to whoever connects; a web server's reply is none
    greets = text.isprintable() and text.isascii() and not text.startswith("HTTP/")
    greeting = "if this is a greeting, switch it off in its menu; else " if greets else ""
    return Cause(
        what=f"what answers there does not say what it is; it sends {start}",
        remedy=f"{greeting}check that port and address are those of the instrument's SCPI "
        "interface, and on a serial port parity, data bits and stop bits",
    )


def stranger_cause(role: str, answer: str, expected: str, others: Mapping[str, str]) -> Cause:
    """Say what an identity that is somebody else's means.

    Args:
        role: The role that should be there.
        answer: What ``*IDN?`` said.
        expected: Text it should contain.
        others: The identities the bench file expects of the other roles.
    """
    what = f"it says it is {answer!r}; the bench file expects {expected!r} in it"
    for other, identity in others.items():
        if identity in answer:
            return Cause(
                what=f"it says it is {answer!r}: that is the {other}, where the {role} should be",
                remedy=f"exchange the resources of {role} and {other} in the bench file",
            )
    fields = [field.strip() for field in answer.split(",")]
    model = fields[1] if len(fields) > 1 and fields[1] else answer
    return Cause(
        what=what,
        remedy="check the resource; if this is the right instrument, write in its table of the "
        "bench file:",
        write=(f"identity = {_toml(model)}",),
    )


def _toml(text: str) -> str:
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return f'"{escaped}"'
