"""Questions at the terminal: each can be answered by an option instead, Enter takes the default."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

import typer

from harness.errors import UsageError, did_you_mean
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown

__all__ = [
    "Interview",
    "address",
    "address_or_none",
    "choice",
    "date",
    "either",
    "frequencies",
    "quantity",
    "text",
]

_T = TypeVar("_T")

#: Reads an answer; raises `ValueError` with what is wrong.
Reader = Callable[[str], _T]


class Interview:
    """Asks what no option has answered.

    Args:
        given: Answers of the command line by name; None where the option was not given.
        silent: Take defaults without asking.
    """

    def __init__(self, given: Mapping[str, Any], *, silent: bool) -> None:
        self._given = given
        self._silent = silent

    def begin(self) -> None:
        """Print how to answer."""
        if not self._silent:
            typer.echo("Enter takes what stands in brackets. Ctrl-C ends it; nothing is written.")

    def section(self, title: str) -> None:
        """Print what the next questions are about."""
        if not self._silent:
            typer.secho(f"\n{title}", bold=True)

    def ask(self, name: str, question: str, read: Reader[_T], default: str) -> _T:
        """Return the answer to a question that has one.

        Args:
            name: Name of the option, with underscores.
            question: The question in a few words.
            read: Reads the answer.
            default: What Enter takes.

        Raises:
            UsageError: The option's answer is nonsense, or the terminal gives no more answers.
        """
        given = self._given.get(name)
        if given is not None:
            return _from_option(name, str(given), read)
        if self._silent:
            return read(default)
        while True:
            answer = _prompt(f"{question} [{default}]", name)
            try:
                return read(answer or default)
            except ValueError as error:
                _again(error)

    def ask_if_known(
        self, name: str, question: str, read: Reader[_T], otherwise: str = "not known"
    ) -> _T | None:
        """Return the answer to a question that Enter leaves open: nobody knows, or there is none.

        Args:
            name: Name of the option, with underscores.
            question: The question in a few words.
            read: Reads the answer.
            otherwise: What Enter says.

        Raises:
            UsageError: As for :meth:`ask`.
        """
        given = self._given.get(name)
        if given is not None:
            return _from_option(name, str(given), read)
        if self._silent:
            return None
        while True:
            answer = _prompt(f"{question} [{otherwise}]", name)
            if not answer:
                return None
            try:
                return read(answer)
            except ValueError as error:
                _again(error)

    def yes(self, name: str, question: str) -> bool:
        """Return the answer to a question that Enter says no to."""
        given = self._given.get(name)
        if given is not None:
            return bool(given)
        return False if self._silent else self.ask(name, question, either, "no")


def _prompt(question: str, name: str) -> str:
    try:
        return str(typer.prompt(question, default="", show_default=False)).strip()
    except typer.Abort:
        typer.echo()
        raise UsageError(
            f"no answer to {question!r}; nothing was written",
            remedy=f"answer with --{name.replace('_', '-')}, or take all defaults with --yes",
        ) from None


def _again(error: ValueError) -> None:
    """Say what is wrong with an answer before the question comes again."""
    typer.secho(
        textwrap.fill(_problem(error), 76, initial_indent="  ", subsequent_indent="  "), fg="yellow"
    )


def _from_option(name: str, answer: str, read: Reader[_T]) -> _T:
    try:
        return read(answer.strip())
    except ValueError as error:
        raise UsageError(_problem(error), where=f"--{name.replace('_', '-')}") from None


def _problem(error: ValueError) -> str:
    if isinstance(error, QuantityError):
        return f"{error.problem}; for example: {error.example.strip(chr(34))}"
    return str(error)


# --- readers ------------------------------------------------------------------------------------


def quantity(unit: str, least: float, most: float) -> Reader[float]:
    """Return a reader of a quantity between two bounds, in SI.

    Args:
        unit: As for :func:`harness.quantity.parse_quantity`.
        least: Smallest answer.
        most: Largest answer.
    """

    def read(answer: str) -> float:
        value = parse_quantity(answer, unit)
        if not least * (1 - 1e-9) <= value <= most * (1 + 1e-9):
            raise ValueError(
                f"{shown(answer)} is outside {format_quantity(least, unit)} to "
                f"{format_quantity(most, unit)}, what is taken here"
            )
        return value

    return read


def choice(options: Sequence[str]) -> Reader[Any]:
    """Return a reader of one of some words, in whatever case it is typed."""

    def read(answer: str) -> str:
        for option in options:
            if answer.casefold() == option.casefold():
                return option
        raise ValueError(
            f"{shown(answer)} is none of {', '.join(options)}{did_you_mean(answer, options)}"
        )

    return read


def either(answer: str) -> bool:
    """Read yes or no."""
    words = {"y": True, "yes": True, "n": False, "no": False}
    try:
        return words[answer.casefold()]
    except KeyError:
        raise ValueError(f"{shown(answer)} is neither yes nor no") from None


def text(answer: str) -> str:
    """Read one line of printable text, as files take it."""
    if not answer.strip():
        raise ValueError("expected text, found none")
    if not answer.isprintable() or len(answer) > 100:
        raise ValueError("expected one line of at most 100 printable characters")
    return answer


def address(answer: str) -> str:
    """Read a VISA resource string: parts with ``::`` between them."""
    if "::" not in text(answer):
        raise ValueError(
            f"{shown(answer)} is no VISA address; for example: TCPIP0::192.0.2.10::5025::SOCKET"
        )
    return answer


def address_or_none(answer: str) -> str | None:
    """Read a VISA resource string, or the word none."""
    return None if answer.casefold() == "none" else address(answer)


def frequencies(answer: str) -> tuple[float, ...]:
    """Read line frequencies with commas between them, such as ``60 Hz, 50 Hz``."""
    read = quantity("Hz", 10.0, 1000.0)
    return tuple(read(part) for part in answer.split(","))


def date(answer: str) -> dt.date:
    """Read a date as ISO 8601 writes it."""
    try:
        return dt.date.fromisoformat(answer)
    except ValueError:
        raise ValueError(f"{shown(answer)} is no date; for example: 2027-05-01") from None
