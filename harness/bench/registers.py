"""Messages to an instrument of registers, as a dialect writes them, and what they mean (pure).

Source: Modbus Application Protocol Specification V1.1b3, sections 4.3 and 6.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass, replace
from decimal import Decimal, InvalidOperation

from harness.errors import did_you_mean
from harness.quantity import shown

#: What can be read, and of that what can be written (4.3).
_TABLES = ("holding", "input", "coil", "discrete")
_WRITTEN = ("holding", "coil")
#: Struct format of each type, big-endian, by its name; two registers unless it ends in 16.
_FORMATS = {"u16": ">H", "i16": ">h", "u32": ">I", "i32": ">i", "f32": ">f"}
#: Names end so where the low word comes first, which makers differ in.
_SWAPPED = "-swapped"
_TEXT = re.compile(r"text([1-9]\d?)")
_BITS = {"on": "1", "1": "1", "off": "0", "0": "0"}
_MOST_REGISTERS = 60
_LAST_ADDRESS = 0xFFFF

#: Asks who made it and what it is (6.21, function 43 / 14).
DEVICE = "device"

#: How each form of an operation may look, for messages.
EXAMPLES = {
    "bare": "coil 1 = on",
    "number": "holding 0x10 = {value}",
    "value": "input 0x20",
    "state": "coil 1",
    "text": DEVICE,
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Registers:
    """What one message reads or writes."""

    table: str  # ``holding``, ``input``, ``coil``, ``discrete``, or ``device`` for its identity
    address: int = 0  # as it goes on the wire, counted from zero
    types: tuple[str, ...] = ()  # of the values one after the other; empty for a bit
    written: tuple[str, ...] | None = None  # values, as text; None where it reads

    @property
    def count(self) -> int:
        """How many registers or bits it is about."""
        return sum(map(_size, self.types)) if self.types else 1

    @property
    def places(self) -> frozenset[tuple[str, int]]:
        """Every register or bit it is about."""
        return frozenset((self.table, self.address + n) for n in range(self.count))

    def words(self) -> list[int]:
        """Return the registers to write; ValueError where a value does not fit its type."""
        words: list[int] = []
        for name, text in zip(self.types, self.written or (), strict=True):
            words += _words(name, text)
        return words

    def text_of(self, words: list[int]) -> str:
        """Return what the registers say, values joined by ``;``."""
        values = []
        for name in self.types:
            size = _size(name)
            values.append(_text(name, words[:size]))
            words = words[size:]
        return ";".join(values)


def read_registers(message: str) -> Registers:
    """Read a message of a dialect; ValueError with what is wrong with it.

    It is ``TABLE ADDRESS [TYPE ...]``, and ``= VALUE ...`` where it writes.
    """
    what, writes, values = message.partition("=")
    words = what.split()
    if words == [DEVICE] and not writes:
        return Registers(table=DEVICE)
    found = _place(words)
    return replace(found, written=_written(found, values.split())) if writes else found


def _place(words: list[str]) -> Registers:
    """Read where it is and of what type; a register without a type is ``u16``."""
    if len(words) < 2 or words[0] not in _TABLES:
        hint = did_you_mean(words[0], _TABLES) if words else ""
        raise ValueError(f"expected {', '.join(_TABLES)} and an address{hint}")
    table, address, *types = words
    place = _address(address)
    is_bit = table in ("coil", "discrete")
    if is_bit and types:
        raise ValueError("a bit has no type")
    for name in types:
        _check_type(name)
    found = Registers(table=table, address=place, types=() if is_bit else tuple(types or ["u16"]))
    if found.count > _MOST_REGISTERS or place + found.count - 1 > _LAST_ADDRESS:
        raise ValueError(f"no more than {_MOST_REGISTERS} registers go into one message")
    return found


def _written(place: Registers, values: list[str]) -> tuple[str, ...]:
    """Read what is written there: as many values as there are types."""
    if place.table not in _WRITTEN:
        raise ValueError(f"nothing can be written to {place.table}")
    count = max(len(place.types), 1)
    if len(values) != count:
        raise ValueError(f"there are {count} values to write, not {len(values)}")
    if any(_TEXT.fullmatch(name) for name in place.types):
        raise ValueError("text is only read")
    if place.table == "coil" and values[0].casefold() not in _BITS:
        raise ValueError(f"a bit is on or off, not {shown(values[0])}")
    return tuple(values)


def is_on(text: str) -> bool:
    """Read what is written to a bit."""
    return _BITS[text.casefold()] == "1"


def _address(text: str) -> int:
    try:
        address = int(text, 0)
    except ValueError:
        raise ValueError(f"{shown(text)} is no address, such as 16 or 0x10") from None
    if not 0 <= address <= _LAST_ADDRESS:
        raise ValueError(f"addresses go from 0 to {_LAST_ADDRESS}, counted from 0")
    return address


def _check_type(name: str) -> None:
    plain = name.removesuffix(_SWAPPED)
    if plain in _FORMATS and not (plain != name and plain.endswith("16")):
        return
    if not _TEXT.fullmatch(name):
        known = (*_FORMATS, "u32-swapped", "text8")
        raise ValueError(f"there is no type {shown(name)}{did_you_mean(name, known)}")


def _size(name: str) -> int:
    if found := _TEXT.fullmatch(name):
        return int(found[1])
    return 1 if name.endswith("16") else 2


def _words(name: str, text: str) -> list[int]:
    code = _FORMATS[name.removesuffix(_SWAPPED)]
    misfit = f"{shown(text)} does not fit into {name}"
    try:
        value = Decimal(text)
    except InvalidOperation as error:
        raise ValueError(misfit) from error
    if not value.is_finite():
        raise ValueError(misfit)
    if code != ">f" and value != int(value):
        raise ValueError("it is no whole number: its scale stands under [decimals]")
    try:
        raw = struct.pack(code, float(value) if code == ">f" else int(value))
    except (struct.error, OverflowError) as error:
        raise ValueError(misfit) from error
    words = [int.from_bytes(raw[n : n + 2]) for n in range(0, len(raw), 2)]
    return words[::-1] if name.endswith(_SWAPPED) else words


def _text(name: str, words: list[int]) -> str:
    in_order = reversed(words) if name.endswith(_SWAPPED) else words
    raw = b"".join(word.to_bytes(2) for word in in_order)
    if _TEXT.fullmatch(name):
        return raw.rstrip(b"\0 ").decode("ascii")
    value = struct.unpack(_FORMATS[name.removesuffix(_SWAPPED)], raw)[0]
    if isinstance(value, float) and not math.isnan(value):
        return f"{value:.9g}"  # nine digits tell any two of them apart (IEEE 754-2008, 5.12.2)
    return str(value)
