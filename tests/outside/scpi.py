"""A strict SCPI device: program messages in, response messages out, errors into a queue.

Written from SCPI-1999 volume 1 (command syntax, error queue) and IEEE 488.2-1992 (message elements,
common commands, status reporting). Nothing here comes from the product under test.

- Headers: long and short form, either case, nothing in between (SCPI-1999 vol. 1, 6.2.1); optional
  nodes in brackets; a numeric suffix other than 1 is -114.
- Compound messages: after ``;`` a header goes on from the path of the one before, ``:`` begins at
  the root again, common commands leave the path alone (6.2.4).
- Data: NRf with suffix units and multipliers (``MA`` is milli, but ``MOHM`` and ``MHZ`` are mega,
  7.3), booleans, words; ``MIN``, ``MAX``, ``DEF`` for a number that has a range.
- A command error ends the message; what was answered before it is still sent. An execution error
  ends nothing.
- Error codes, and the bit of the event status register that each class of them sets: SCPI-1999
  vol. 2, SYSTem:ERRor.
"""

from __future__ import annotations

import itertools
import re
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

TEXTS = {
    0: "No error",
    -101: "Invalid character",
    -102: "Syntax error",
    -103: "Invalid separator",
    -104: "Data type error",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -112: "Program mnemonic too long",
    -113: "Undefined header",
    -114: "Header suffix out of range",
    -120: "Numeric data error",
    -123: "Exponent too large",
    -124: "Too many digits",
    -128: "Numeric data not allowed",
    -131: "Invalid suffix",
    -138: "Suffix not allowed",
    -221: "Settings conflict",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -330: "Self-test failed",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
    -440: "Query UNTERMINATED after indefinite response",
}

#: Entries an error queue holds; the last one becomes -350 when more come.
QUEUE_LENGTH = 16

_NRF = re.compile(r"([+-]?(?:\d+\.?\d*|\.\d+))(?:\s*[eE]\s*([+-]?\d+))?\s*([A-Za-z/%]*)\Z")
_WORD = re.compile(r"[A-Za-z][A-Za-z0-9_]*\Z")
_MNEMONIC = re.compile(r"([A-Za-z][A-Za-z_]*)(\d*)\Z")
_HEADER = re.compile(r"\s*(\*?[:A-Za-z0-9_]+\??|\*)")

_MULTIPLIERS = {"": 1.0, "K": 1e3, "M": 1e-3, "U": 1e-6, "N": 1e-9, "MA": 1e6, "G": 1e9}


class ScpiError(Exception):
    """An error for the queue."""

    def __init__(self, code: int) -> None:
        super().__init__(TEXTS[code])
        self.code = code


@dataclass(frozen=True)
class Number:
    """A numeric parameter: its unit (empty for none), and a range, asked when it is used."""

    unit: str = ""
    low: Callable[[], float] | float | None = None
    high: Callable[[], float] | float | None = None

    def read(self, text: str) -> Callable[[], float]:
        """Parse now (command errors), check the range when carried out (execution errors)."""
        upper = text.upper()
        named = {"MIN": self.low, "MINIMUM": self.low, "MAX": self.high, "MAXIMUM": self.high}
        if upper in named and named[upper] is not None:
            bound = named[upper]
            return lambda: bound() if callable(bound) else bound
        if upper in {"DEF", "DEFAULT"} and self.low is not None:
            return lambda: self.low() if callable(self.low) else self.low
        if text[:1] in "\"'":
            raise ScpiError(-104)
        match = _NRF.match(text)
        if match is None:
            raise ScpiError(-104 if _WORD.match(text) else -120)
        mantissa, exponent, suffix = match.groups()
        if len(mantissa) > 255:
            raise ScpiError(-124)
        if exponent and abs(int(exponent)) > 32000:
            raise ScpiError(-123)
        value = float(f"{mantissa}e{exponent or 0}") * self._factor(suffix.upper())
        return lambda: self._inside(value)

    def _factor(self, suffix: str) -> float:
        if not suffix:
            return 1.0
        if not self.unit:
            raise ScpiError(-138)
        multiplier = suffix.removesuffix(self.unit)
        if multiplier == suffix or multiplier not in _MULTIPLIERS:
            raise ScpiError(-131)
        if multiplier == "M" and self.unit in {"OHM", "HZ"}:
            return 1e6
        return _MULTIPLIERS[multiplier]

    def _inside(self, value: float) -> float:
        low = self.low() if callable(self.low) else self.low
        high = self.high() if callable(self.high) else self.high
        if (low is not None and value < low) or (high is not None and value > high):
            raise ScpiError(-222)
        return value


@dataclass(frozen=True)
class Boolean:
    """``ON``, ``OFF`` or a number, which counts as on where it rounds to other than zero."""

    def read(self, text: str) -> Callable[[], bool]:
        """Parse it."""
        upper = text.upper()
        if upper in {"ON", "OFF"}:
            return lambda: upper == "ON"
        match = _NRF.match(text)
        if match is None:
            raise ScpiError(-104 if text[:1] in "\"'" else -224 if _WORD.match(text) else -120)
        if match.group(3):
            raise ScpiError(-138)
        value = round(float(f"{match.group(1)}e{match.group(2) or 0}")) != 0
        return lambda: value


@dataclass(frozen=True)
class Choice:
    """One of some words, long or short; ``quoted`` ones may stand in quotes (FUNCtion does)."""

    words: tuple[str, ...]
    quoted: bool = False

    def read(self, text: str) -> Callable[[], str]:
        """Parse it; the short form is returned."""
        if text[:1] in "\"'":
            if not self.quoted or len(text) < 3 or text[-1] != text[0]:
                raise ScpiError(-104)
            text = text[1:-1]
        if not _WORD.match(text):
            raise ScpiError(-128 if _NRF.match(text) else -104)
        upper = text.upper()
        for word in self.words:
            if upper in {word.upper(), short(word)}:
                return lambda word=word: short(word)
        raise ScpiError(-224)


def short(word: str) -> str:
    """Return the short form: what is written in capitals."""
    return "".join(letter for letter in word if not letter.islower())


@dataclass
class _Command:
    call: Callable[..., Any]
    takes: tuple[Number | Boolean | Choice, ...]
    least: int


@dataclass
class _Unit:
    """A message unit that was parsed: what to call, with what."""

    call: Callable[..., Any]
    values: tuple[Callable[[], Any], ...]
    query: bool
    indefinite: bool = False


@dataclass
class _Parsed:
    units: tuple[_Unit, ...]
    error: int = 0


@dataclass
class Device:
    """Status model, error queue, and the tree of commands.

    Attributes:
        name: For the log.
        identity: The answer to ``*IDN?``.
        reset: Called on ``*RST``.
        questionable: Returns the condition of the questionable register.
    """

    name: str
    identity: str
    reset: Callable[[], None] = lambda: None
    questionable: Callable[[], int] = lambda: 0
    errors: deque[int] = field(default_factory=deque)
    event_status: int = 128  # power on

    def __post_init__(self) -> None:
        """Give it the commands every SCPI device has."""
        self._tree: dict[tuple[tuple[str, ...], bool], _Command] = {}
        self._forms: dict[str, str] = {}
        self._parsed: dict[str, _Parsed] = {}
        self._enable = {"*ESE": 0, "*SRE": 0, "OPER": 0, "QUES": 0}
        byte = Number("", 0, 255)
        word = Number("", 0, 32767)
        self.add("*IDN?", lambda: self.identity)
        self.add("*RST", lambda: self.reset())  # noqa: PLW0108 - it is given later
        self.add("*CLS", self._clear)
        self.add("*OPC", lambda: self._set_event(1))
        self.add("*OPC?", lambda: "1")
        self.add("*WAI", lambda: None)
        self.add("*TST?", lambda: "0")
        self.add("*ESR?", self._take_events)
        self.add("*STB?", lambda: str(self._status_byte()))
        for name in ("*ESE", "*SRE"):
            self.add(name, lambda value, name=name: self._set_enable(name, value), byte)
            self.add(f"{name}?", lambda name=name: str(self._enable[name]))
        self.add("SYSTem:ERRor[:NEXT]?", self._next_error)
        self.add("SYSTem:VERSion?", lambda: "1999.0")
        self.add("STATus:PRESet", lambda: self._enable.update(OPER=0, QUES=0))
        for node, key in (("OPERation", "OPER"), ("QUEStionable", "QUES")):
            asked = self._condition if key == "QUES" else (lambda: 0)
            self.add(f"STATus:{node}[:EVENt]?", lambda asked=asked: str(asked()))
            self.add(f"STATus:{node}:CONDition?", lambda asked=asked: str(asked()))
            enable = f"STATus:{node}:ENABle"
            self.add(enable, lambda value, key=key: self._set_enable(key, value), word)
            self.add(f"{enable}?", lambda key=key: str(self._enable[key]))

    # --- the tree

    def add(
        self,
        pattern: str,
        call: Callable[..., Any],
        *takes: Number | Boolean | Choice,
        least: int | None = None,
    ) -> None:
        """Add a command or query: ``[SOURce]:VOLTage[:LEVel]``, ``OUTPut[:STATe]?``."""
        query = pattern.endswith("?")
        command = _Command(call, takes, len(takes) if least is None else least)
        body = pattern.removesuffix("?")
        if body.startswith("*"):
            self._tree[(body,), query] = command
            return
        nodes = [
            (bool(optional), optional or plain)
            for optional, plain in re.findall(r"\[:?([A-Za-z]+):?\]|([A-Za-z]+)", body)
        ]
        for _, word in nodes:
            for form in (word.upper(), short(word)):
                self._forms[form] = short(word)
        choices = [((short(word),), ()) if may else ((short(word),),) for may, word in nodes]
        for path in itertools.product(*choices):
            self._tree[tuple(itertools.chain(*path)), query] = command

    # --- messages

    def handle(self, message: str) -> str | None:
        """Carry out one program message; return the response message, if there is one."""
        parsed = self._parsed.get(message)
        if parsed is None:
            parsed = self._parse(message)
            if len(self._parsed) < 4096:
                self._parsed[message] = parsed
        answers: list[str] = []
        indefinite = False
        for unit in parsed.units:
            if indefinite and unit.query:
                self.error(-440)
                break
            try:
                answer = unit.call(*[value() for value in unit.values])
            except ScpiError as error:
                self.error(error.code)
                continue
            if unit.query:
                answers.append(answer)
                indefinite = unit.indefinite
        if parsed.error:
            self.error(parsed.error)
        return ";".join(answers) if answers else None

    def error(self, code: int) -> None:
        """Queue an error and set its bit of the event status register."""
        if len(self.errors) < QUEUE_LENGTH:
            self.errors.append(code)
        else:
            self.errors[-1] = -350
        kind = -code // 100
        self.event_status |= {1: 32, 2: 16, 3: 8, 4: 4}.get(kind, 8)

    def _parse(self, message: str) -> _Parsed:
        units: list[_Unit] = []
        path: tuple[str, ...] = ()
        if not message.isascii() or any(ord(c) < 32 and c not in "\t\r" for c in message):
            return _Parsed((), -101)
        if not message.strip():
            return _Parsed(())
        try:
            for text in _split(message, ";"):
                unit, path = self._unit(text.strip(), path)
                units.append(unit)
        except ScpiError as error:
            return _Parsed(tuple(units), error.code)
        return _Parsed(tuple(units))

    def _unit(self, text: str, path: tuple[str, ...]) -> tuple[_Unit, tuple[str, ...]]:
        match = _HEADER.match(text)
        if match is None:
            raise ScpiError(-102 if not text or text[0].isalnum() else -101)
        header, rest = match.group(1), text[match.end() :]
        if rest and not rest[0].isspace():
            raise ScpiError(-103 if rest[0] in ",;" else -102)
        query = header.endswith("?")
        body = header.removesuffix("?")
        if body.startswith("*"):
            key = (body.upper(),)
        else:
            start = () if body.startswith(":") else path
            key = (*start, *(self._node(node) for node in body.removeprefix(":").split(":")))
            path = key[:-1]
        command = self._tree.get((key, query))
        if command is None:
            raise ScpiError(-113)
        values = self._values(command, rest.strip())
        return _Unit(command.call, values, query, body.upper() == "*IDN"), path

    def _node(self, text: str) -> str:
        match = _MNEMONIC.match(text)
        if match is None:
            raise ScpiError(-102)
        if len(text) > 12:
            raise ScpiError(-112)
        form = self._forms.get(match.group(1).upper())
        if form is None:
            raise ScpiError(-113)
        if match.group(2) not in {"", "1"}:
            raise ScpiError(-114)
        return form

    @staticmethod
    def _values(command: _Command, rest: str) -> tuple[Callable[[], Any], ...]:
        texts = [text.strip() for text in _split(rest, ",")] if rest else []
        if any(not text for text in texts):
            raise ScpiError(-102)
        if len(texts) > len(command.takes):
            raise ScpiError(-108)
        if len(texts) < command.least:
            raise ScpiError(-109)
        return tuple(take.read(text) for take, text in zip(command.takes, texts, strict=False))

    # --- status

    def _condition(self) -> int:
        return self.questionable()

    def _clear(self) -> None:
        self.errors.clear()
        self.event_status = 0

    def _set_event(self, bits: int) -> None:
        self.event_status |= bits

    def _take_events(self) -> str:
        events, self.event_status = self.event_status, 0
        return str(events)

    def _set_enable(self, name: str, value: float) -> None:
        self._enable[name] = round(value) & (191 if name == "*SRE" else 65535)

    def _status_byte(self) -> int:
        byte = 4 if self.errors else 0
        byte |= 8 if self.questionable() & self._enable["QUES"] else 0
        byte |= 32 if self.event_status & self._enable["*ESE"] else 0
        return byte | (64 if byte & self._enable["*SRE"] else 0)

    def _next_error(self) -> str:
        code = self.errors.popleft() if self.errors else 0
        return f'{code},"{TEXTS[code]}"'


def _split(text: str, separator: str) -> list[str]:
    """Split outside of quotes."""
    if '"' not in text and "'" not in text:
        return text.split(separator)
    parts, quote, last = [], "", 0
    for index, letter in enumerate(text):
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter == separator:
            parts.append(text[last:index])
            last = index + 1
    return [*parts, text[last:]]
