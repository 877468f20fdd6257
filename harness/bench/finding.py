"""What a look at a bench found, what it means, and the line that mends it (pure)."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

from harness.bench.answer_lines import NUMBER, STATE, answer_lines
from harness.bench.answer_rules import NOT_READ, SAMPLED
from harness.files.text_file import quoted
from harness.profile.measures import OPERATIONS
from harness.quantity import shown

#: What each sign stands for; read at once, for it may be needed with power on.
_CAUSES = tomllib.loads(Path(__file__).with_name("causes.toml").read_text(encoding="utf-8"))

#: Terminators by what an answer ends in, and by what is read: CR LF ends in LF, too.
_ENDS = {"CRLF": b"\r\n", "LF": b"\n", "CR": b"\r"}
_READS: dict[str, set[str | None]] = {
    "LF": {"LF", "CRLF"},
    "CRLF": {"LF", "CRLF"},
    "CR": {"CR"},
    "none": {None},
}
_IN_WORDS = {
    "LF": "LF (line feed)",
    "CRLF": "CR LF",
    "CR": "CR (carriage return)",
    "none": "nothing",
}


class Cause(NamedTuple):
    """Why an instrument does not answer as it should."""

    what: str  # in one sentence without a full stop
    remedy: str  # the next step
    write: tuple[str, ...] = ()  # lines to write into a file or a terminal, as they stand


class Mark(StrEnum):
    """How a finding is to be taken."""

    OK = "ok"
    NOTE = "note"
    WRONG = "WRONG"


class Finding(NamedTuple):
    """One thing looked at; where it is wrong, with the parts of its cause."""

    mark: Mark
    check: str  # what was looked at, in a word or two
    text: str
    remedy: str = ""
    write: tuple[str, ...] = ()


class Inspection(NamedTuple):
    """One instrument looked at."""

    role: str
    resource: str
    dialect: str
    findings: tuple[Finding, ...]  # in the order of looking

    @property
    def well(self) -> bool:
        """Whether nothing is wrong."""
        return all(finding.mark is not Mark.WRONG for finding in self.findings)


class Heard(NamedTuple):
    """What came back to ``*IDN?``, byte by byte."""

    answer: bytes = b""
    after_s: float = 0.0  # until the first of them
    closed: bool = False  # by the other end


def cause_of(sign: str, *, write: Iterable[str] = (), **found: object) -> Cause:
    """Return the cause that a sign, a key of ``causes.toml``, stands for.

    ``found`` fills the braces of its texts; lines to write come after those of the table.
    """
    entry = _CAUSES[sign]
    lines = (line.format(**found) for line in entry.get("write", ()))
    return Cause(entry["what"].format(**found), entry["remedy"].format(**found), (*lines, *write))


# --- answers to *IDN?


def terminator_of(answer: bytes) -> str | None:
    """Name the terminator at the end of an answer."""
    return next((name for name, end in _ENDS.items() if answer.endswith(end)), None)


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
    """Judge what came back with each terminator tried; None where none brought any answer.

    ``configured`` and ``timeout_s`` are those in use; ``rate`` is a baud rate that is not in use
    and was tried, None where the usual one was.
    """
    answered = [each.answer for each in heard.values() if each.answer]
    sensible = {name: each for name, each in heard.items() if plausible_identity(each.answer)}
    if not sensible:
        return no_identity_cause(answered[0]) if answered else None
    ends = {name: terminator_of(each.answer) for name, each in sensible.items()}
    works = [name for name, end in ends.items() if end in _READS[name]]
    if not works:
        takes, end = next(iter(ends.items()))
        how = "with no terminator at all" if end is None else f"with {_IN_WORDS[end]}"
        return cause_of("no common terminator", takes=_IN_WORDS[takes], ends=how)
    line = () if rate is None else (f"serial_line = {{ baud_rate = {rate} }}",)
    if configured not in works:
        return cause_of(
            "other terminator",
            takes=_IN_WORDS[works[0]],
            configured=_IN_WORDS[configured],
            at_rate="" if rate is None else f", and at {rate} baud",
            write=(f'terminator = "{works[0]}"', *line),
        )
    if rate is not None:
        return cause_of("other baud rate", rate=rate, write=line)
    after_s = sensible[configured].after_s
    if after_s > timeout_s:
        return cause_of("slow", after_s=after_s, timeout_s=math.ceil(2 * after_s))
    return cause_of("answers now")


def no_identity_cause(answer: bytes) -> Cause:
    """Say what an answer means that is no identity."""
    text = answer.decode("ascii", "replace").strip()
    # one line of words may be what some say to whoever connects; a web server's reply is none
    greets = text.isprintable() and text.isascii() and not text.startswith("HTTP/")
    first, *others = text.splitlines() or [""]
    if others and plausible_identity(others[-1].encode("ascii", "replace")):
        if echo_cause("*IDN?", first) is not None:
            return cause_of("echo")
        return cause_of("greeting", line=shown(first), write=(f"greeting = {quoted(first)}",))
    return echo_cause("*IDN?", text) or cause_of(
        "no identity",
        start=ascii(answer[:40])[1:],
        greeting="if this is a greeting, its dialect must say so under [link], as in "
        f"greeting = {quoted(text)}; else "
        if greets
        else "",
    )


def stranger_cause(role: str, answer: str, expected: str, others: Mapping[str, str]) -> Cause:
    """Say what another identity than the one expected in a role means, by those of the others."""
    for other, identity in others.items():
        if identity in answer:
            return cause_of("exchanged", answer=answer, other=other, role=role)
    fields = [field.strip() for field in answer.split(",")]
    model = fields[1] if len(fields) > 1 and fields[1] else answer
    line = f"identity = {quoted(model)}"
    return cause_of("stranger", answer=answer, expected=expected, write=(line,))


# --- answers to other questions


def echo_cause(message: str, answer: str) -> Cause | None:
    """Return the cause where nothing came back, or the message itself; else None."""
    text = answer.strip().casefold()
    if not text:
        return cause_of("empty")
    return cause_of("echo") if text == message.strip().casefold() else None


def reply_cause(operation: str, message: str, answer: str, *, state: bool) -> Cause:
    """Say what is wrong with an answer to the question of an operation, for a state or a number."""
    lines = answer_lines(operation, answer, state=state)
    alone = len(lines) == 1 and "{value}" in lines[0].form
    if alone:
        sign = "value among text"
    elif lines:
        sign = "one of several states" if state else "one of several numbers"
    elif state:
        sign = "no state"
    else:
        sign = "several numbers" if NUMBER.search(answer) else "no number"
    write = [each.line if alone else f"{each.line}  # {each.takes}" for each in lines]
    return echo_cause(message, answer) or cause_of(
        sign,
        answer=shown(answer),
        wanted="0 or 1" if state else "a number",
        operation=operation,
        write=write,
    )


def compound_cause(names: Sequence[str], message: str, answer: str) -> Cause:
    """Say what is wrong with the answer to a dialect's sample, which should hold these names."""
    found = echo_cause(message, answer)
    if found is not None:
        return found
    told, count = shown(answer), len(names)
    for separator in (";", ",", " "):
        parts = answer.split() if separator == " " else answer.split(separator)
        if len(parts) != count:
            continue
        # what is a number already needs no line
        within = [
            _answer_line(SAMPLED[name], part, state=_is_state(name))
            for name, part in zip(names, parts, strict=True)
            if name != NOT_READ
            and not (STATE if _is_state(name) else NUMBER).fullmatch(part.strip())
        ]
        if "" in within:
            continue
        apart = [f'separator = "{separator}"'] if separator != ";" else []
        tables = [name for name, lines in (("[sample]", apart), ("[answers]", within)) if lines]
        return cause_of(
            "sample of another form",
            answer=told,
            count=count,
            tables=" and ".join(tables),
            write=(*apart, *within),
        )
    return cause_of("sample of another length", answer=told, count=count, names=", ".join(names))


def _is_state(name: str) -> bool:
    return OPERATIONS[SAMPLED[name]] == "state"


def _answer_line(operation: str, answer: str, *, state: bool) -> str:
    """Return the one line of ``[answers]`` that fits an answer; empty where none can be told."""
    lines = answer_lines(operation, answer, state=state)
    return lines[0].line if len(lines) == 1 else ""
