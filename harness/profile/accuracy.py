"""How exact an instrument is, as its data sheet states it, and in which band of frequencies."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

from pydantic_core import PydanticCustomError

from harness.files.field_types import mistaken, problem_of, read_quantity
from harness.quantity import format_quantity, shown, split_quantity

#: No voltmeter takes in more.
_HIGHEST_HZ = 1e11
_BAND_EXAMPLE = '"20 Hz to 300 kHz"'


@dataclass(frozen=True, slots=True)
class Band:
    """A band of frequencies: what an AC reading takes in, or what a check needs it to."""

    low_hz: float
    high_hz: float

    def covers(self, needed: Band) -> bool:
        """Whether all of another band lies inside this one."""
        return self.low_hz <= needed.low_hz and needed.high_hz <= self.high_hz

    def __str__(self) -> str:
        return " to ".join(format_quantity(edge, "Hz") for edge in (self.low_hz, self.high_hz))

    @classmethod
    def parse(cls, text: object) -> Band:
        """Read ``"20 Hz to 300 kHz"``.

        Raises:
            PydanticCustomError: It is no such text.
        """
        edges = re.split(r"\s+to\s+", text.strip()) if isinstance(text, str) else []
        if len(edges) != 2:
            raise mistaken(f"expected a band of frequencies, got {shown(text)}", _BAND_EXAMPLE)
        try:
            low_hz, high_hz = (read_quantity(edge, "Hz", _HIGHEST_HZ) for edge in edges)
        except PydanticCustomError as error:
            raise mistaken(problem_of(error), _BAND_EXAMPLE) from None
        if not 0 <= low_hz < high_hz:
            raise mistaken(f"{shown(text)} does not rise from zero or above", _BAND_EXAMPLE)
        return cls(low_hz, high_hz)


@dataclass(frozen=True, slots=True)
class Accuracy:
    """Accuracy of an instrument for one quantity: ``reading_frac`` x |reading| + ``fixed``."""

    reading_frac: float
    fixed: float  # in the quantity's SI unit
    up_to: float | None = None  # largest reading of the measuring range this holds for; None: all
    wider: Accuracy | None = None  # in the next wider range
    band: Band | None = None  # frequencies of an AC reading for which it holds; None: not stated

    def bound(self, reading: float) -> float:
        """Half-width of the interval the true value lies in, in the reading's unit."""
        found = self.at(reading)
        return found.reading_frac * abs(reading) + found.fixed

    def at(self, reading: float) -> Accuracy:
        """Return that of the smallest range which holds a reading; beyond all, the widest's."""
        if self.wider is not None and self.up_to is not None and abs(reading) > self.up_to:
            return self.wider.at(reading)
        return self

    def by_range_up(self) -> Iterator[Accuracy]:
        """Yield it for each measuring range, from the smallest on."""
        yield self
        if self.wider is not None:
            yield from self.wider.by_range_up()

    def band_problem(self, needed: Band | None) -> str:
        """Say why it does not hold for the frequencies a check needs; empty where it does.

        What is read outside an instrument's band is attenuated by nobody knows how much. A check
        that names no band needs one to be stated all the same: an AC voltage without its bandwidth
        means nothing.

        Source: common practice for ripple and noise (data sheets of supplies give both with 20 Hz
            to 20 MHz).
        """
        if self.band is None:
            return "no bandwidth stated"
        if needed is not None and not self.band.covers(needed):
            return f"read from {self.band}, where {needed} is needed"
        return ""

    @classmethod
    def by_range(
        cls, table: Mapping[object, object], unit: str, *, banded: bool = False
    ) -> Accuracy:
        """Read ``{ "10 V" = "0.01 % + 1 mV", "100 V" = "0.02 % + 10 mV" }``: one for each range."""
        ranges: dict[float, Accuracy] = {}
        for key, text in table.items():
            top = read_quantity(key, unit)
            if top <= 0:
                raise mistaken(f"the range {shown(key)} is not above zero")
            if top in ranges:
                raise mistaken(f"the range {shown(key)} is given twice")
            ranges[top] = cls.parse(text, unit, banded=banded)
        if not ranges:
            raise mistaken("expected a range, found none", accuracy_example(unit))
        widest, *narrower = sorted(ranges, reverse=True)
        accuracy = replace(ranges[widest], up_to=widest)
        for top in narrower:
            accuracy = replace(ranges[top], up_to=top, wider=accuracy)
        return accuracy

    @classmethod
    def parse(cls, text: object, unit: str, *, banded: bool = False) -> Accuracy:
        """Read ``"0.05 % + 10 mV"``: a share of the reading, a fixed part, or the sum of both.

        Where it goes with a band of frequencies (``banded``), that may follow a comma: ``"0.5 % +
        2 mV, 20 Hz to 300 kHz"``.

        Raises:
            PydanticCustomError: It is no such text.
        """
        example = accuracy_example(unit)
        if not isinstance(text, str):
            raise mistaken(f"expected an accuracy, got {shown(text)}", example)
        sum_text, comma, band_text = text.partition(", ")
        if comma and not banded:
            raise mistaken("only an AC voltage of the meter has a band of frequencies", example)
        band = Band.parse(band_text) if comma else None
        parts: dict[str, float] = {}
        for term in map(str.strip, re.split(r"(?<![eE])\+", sum_text)):
            share = term.endswith(("%", "percent", "ppm"))
            part = "share" if share else "fixed"
            if part in parts:
                kind = "a share of the reading" if share else "a fixed part"
                raise mistaken(f"{shown(text)} gives {kind} twice", example)
            parts[part] = _term(term, "%" if share else unit, example)
        if parts.get("share", 0.0) > 1:
            raise mistaken(f"{shown(text)} is more than the whole reading", example)
        return cls(parts.get("share", 0.0), parts.get("fixed", 0.0), band=band)


#: A fixed part and a last digit for the examples in messages, by unit.
_EXAMPLES = {
    "V": ("10 mV", "0.1 mV"),
    "A": ("5 mA", "0.1 mA"),
    "W": ("0.1 W", "10 mW"),
    "Hz": ("10 mHz", "10 mHz"),
    "ohm": ("0.1 ohm", "10 mohm"),
    "degC": ("1 degC", "0.1 degC"),
    "s": ("0.1 s", "10 ms"),
    "1": ("0.1", "0.1"),
}


def accuracy_example(unit: str) -> str:
    """Return an accuracy as a file has it, for messages."""
    return f'"0.05 % + {_EXAMPLES[unit][0]}"'


def _term(term: str, unit: str, example: str) -> float:
    """Read one term of an accuracy, or a resolution."""
    try:
        # a fixed part in kelvins is a difference, which must not be moved to the Celsius scale
        kelvins = unit == "degC" and split_quantity(term)[1] == "K"
        value = split_quantity(term)[0] if kelvins else read_quantity(term, unit)
    except (ValueError, PydanticCustomError) as error:
        told = problem_of(error) if isinstance(error, PydanticCustomError) else f"{term!r} is none"
        raise mistaken(told, example) from None
    if value < 0:
        raise mistaken(f"{shown(term)} is below zero", example)
    return value


def read_digit(text: object, unit: str) -> float:
    """Read the last digit of a display, such as ``"1 mV"``.

    Raises:
        PydanticCustomError: It is no such text.
    """
    example = f'"{_EXAMPLES[unit][1]}"'
    value = _term(text, unit, example) if isinstance(text, str) else 0.0
    if value <= 0:
        raise mistaken(f"expected the last digit with its unit, got {shown(text)}", example)
    return value
