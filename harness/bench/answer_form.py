"""How an answer is taken apart, as data: from what came to the text of its value (pure)."""

from __future__ import annotations

from decimal import Decimal
from typing import Literal

from pydantic import Field

from harness.bench.scpi import number, split_answers, unquoted
from harness.files.field_types import Table
from harness.quantity import shown

#: Number systems a register is written in: base and prefix (IEEE 488.2-1992, 8.7.4 to 8.7.6:
#: ``#H1F``, ``#Q17``, ``#B101``); many instruments leave the prefix out (common practice).
_SYSTEMS = {"binary": (2, "#B"), "octal": (8, "#Q"), "hex": (16, "#H")}


class AnswerForm(Table):
    """What an answer looks like; each key takes off one layer, in the order they stand here."""

    #: How many characters it has, whole; zero: any number.
    length: int = Field(default=0, ge=0, le=999, examples=["5"])
    #: What stands between the values of one answer, and which of how many it is.
    separator: str = Field(default="", examples=['","'])
    part: int = Field(default=0, ge=0, le=99, examples=["1"])
    parts: int = Field(default=0, ge=0, le=99, examples=["3"])
    #: What stands around the value, which is ``{value}``.
    text: str = Field(default="{value}", examples=['"{value} V"'])
    #: Number system of a register; a byte is one character, whose code is the register.
    digits: Literal["decimal", "binary", "octal", "hex", "byte"] = "decimal"
    #: Weights of the bits that are looked at: any of them set is 1, else 0.
    mask: int = Field(default=0, ge=0, lt=2**32, examples=["64"])
    #: Number that each word stands for; there are no other words.
    words: dict[str, int] = Field(default_factory=dict, examples=["{ CV = 0, CC = 1 }"])
    #: What one count is worth: 0.01 where 1200 means 12 V.
    scale: float = Field(default=1.0, gt=0.0, examples=["0.01"])

    @property
    def characters(self) -> int:
        """How many characters the answer has; zero where that is not known."""
        return 1 if self.digits == "byte" else self.length

    def value_in(self, answer: str, *, parted: bool = False) -> str:
        """Return the part of an answer that is its value; ``parted``: it has no other parts left.

        Raises:
            ValueError: It looks otherwise.
        """
        text = answer
        if self.characters and not parted:
            self._see_length(answer)
        if self.separator and not parted:
            text = split_answers(answer, self.parts, self.separator)[self.part - 1]
        if self.digits != "byte":
            text = self._without_text(text)
        if self.mask or self.digits != "decimal":
            register = self._register(text)
            text = str(int(bool(register & self.mask)) if self.mask else register)
        if self.words:
            text = self._in_words(text)
        return text if self.scale == 1.0 else scaled_text(text, self.scale)

    def _see_length(self, answer: str) -> None:
        # what belongs to the answer before or after it: the conversation is out of step
        whole = self.digits == "byte" or answer.isprintable()
        if len(answer) != self.characters or not whole:
            raise ValueError(f"{shown(answer)} has not {self.characters} characters alone")

    def _without_text(self, answer: str) -> str:
        # Parted, never formatted: nothing in a dialect file can reach more than the answer.
        before, _, after = self.text.partition("{value}")
        before, after, text = before.lstrip(), after.rstrip(), answer.strip()
        end = len(text) - len(after)
        if not text.startswith(before) or not text.endswith(after) or end < len(before):
            raise ValueError(f"{shown(answer)} does not look like {shown(self.text)}")
        return text[len(before) : end]

    def _register(self, text: str) -> int:
        if self.digits == "byte":
            return ord(text)
        digits = unquoted(text)
        if self.digits == "decimal":
            value = number(digits)
            if value != int(value) or value < 0:
                raise ValueError(f"{shown(text)} is no register of bits")
            return int(value)
        base, prefix = _SYSTEMS[self.digits]
        digits = digits.upper().removeprefix(prefix)
        if not (digits.isascii() and digits.isalnum()):  # int() takes signs and blanks as well
            raise ValueError(f"{shown(text)} is no register in {self.digits} digits")
        try:
            return int(digits, base)
        except ValueError:
            raise ValueError(f"{shown(text)} is no register in {self.digits} digits") from None

    def _in_words(self, text: str) -> str:
        word = unquoted(text).casefold()
        for known, value in self.words.items():
            if word == known.casefold():
                return str(value)
        raise ValueError(f"{shown(text)} is none of the words {', '.join(self.words)}")


def scaled_text(text: str, scale: float) -> str:
    """Return a number in text that counts in steps of ``scale``; a marker is told as such."""
    number(text)  # raises for what must never be taken for a value, before it is made smaller
    return str(Decimal(text.strip()) * Decimal(repr(scale)))
