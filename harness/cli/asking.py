"""Questions at a terminal, and how answers are read."""

from __future__ import annotations

import datetime as dt
import textwrap
from collections.abc import Callable, Mapping
from typing import Any, TypeVar

import typer

from harness.errors import UsageError, did_you_mean
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown

_T = TypeVar("_T")

#: Reads an answer; raises `ValueError` with what is wrong.
Reader = Callable[[str], _T]

YES_NO = {"yes": True, "y": True, "no": False, "n": False}


def until_understood(
    ask: Callable[[], str], read: Reader[_T], tell: Callable[[ValueError], None]
) -> _T:
    """Ask until an answer can be read; `tell` says what is wrong before the question returns."""
    while True:
        answer = ask()
        try:
            return read(answer)
        except ValueError as error:
            tell(error)


def read_option(option: str, text: str, read: Reader[_T], remedy: str = "") -> _T:
    """Read what an option says; `UsageError` where it is nonsense."""
    try:
        return read(text)
    except ValueError as error:
        raise UsageError(_problem(error), where=option, remedy=remedy) from None


class Interview:
    """Asks what no option has answered: `given` has None where one was not given.

    ``questions`` has each by the name of its option, with underscores: what is asked (``ask``), and
    the answer that Enter takes (``usual``); without one Enter takes nothing. An ``option`` names
    what answers it otherwise. A silent interview takes the usual answers without asking.
    """

    def __init__(
        self, given: Mapping[str, Any], questions: Mapping[str, Mapping[str, str]], *, silent: bool
    ) -> None:
        self._given = given
        self._questions = questions
        self._silent = silent
        if not silent:
            typer.echo("Enter takes what stands in brackets. Ctrl-C ends it; nothing is written.")

    def is_given(self, name: str) -> bool:
        """Whether an option has answered a question."""
        return self._given.get(name) is not None

    def section(self, title: str) -> None:
        """Print what the next questions are about."""
        if not self._silent:
            typer.secho(f"\n{title}", bold=True)

    def ask(self, name: str, read: Reader[_T], usual: str = "") -> _T:
        """Return the answer to a question; ``usual`` where it depends on those before.

        Raises:
            UsageError: The option's answer is nonsense, or the terminal gives no more answers.
        """
        option = self._questions[name].get("option", f"--{name.replace('_', '-')}")
        given = self._given.get(name)
        if given is not None:
            return read_option(option, str(given).strip(), read)
        question = self._questions[name]
        default = usual or question.get("usual", "")
        if self._silent:
            if not default:
                raise UsageError("nobody but you knows the answer", where=option, remedy="give it")
            return read(default)
        prompt = f"{question['ask']} [{default}]" if default else question["ask"]
        try:
            return until_understood(
                lambda: str(typer.prompt(prompt, default="", show_default=False)).strip(),
                lambda answer: read(answer or default),
                _say_again,
            )
        except typer.Abort:
            typer.echo()
            raise UsageError(
                f"no answer to {prompt!r}; nothing was written",
                remedy=f"answer with {option}, or take all defaults with --yes",
            ) from None

    def ask_if_known(self, name: str, read: Reader[_T]) -> _T | None:
        """Return the answer to a question that may stay open: what Enter takes is None."""
        otherwise = self._questions[name]["usual"]
        return self.ask(name, lambda answer: None if answer == otherwise else read(answer))

    def yes(self, name: str) -> bool:
        """Return the answer to a question of yes or no."""
        given = self._given.get(name)
        return self.ask(name, yes_or_no) if given is None else bool(given)


def _say_again(error: ValueError) -> None:
    problem = textwrap.fill(_problem(error), 76, initial_indent="  ", subsequent_indent="  ")
    typer.secho(problem, fg="yellow")


def _problem(error: ValueError) -> str:
    if isinstance(error, QuantityError):
        return f"{error.problem}; for example: {error.example.strip(chr(34))}"
    example = (getattr(error, "context", None) or {}).get("example", "")
    return f"{error}; for example: {example.strip(chr(34))}" if example else str(error)


def quantity(unit: str, least: float, most: float) -> Reader[float]:
    """Return a reader of a quantity in ``unit`` between two bounds, both included, in SI."""

    def read(answer: str) -> float:
        value = parse_quantity(answer, unit)
        if not least * (1 - 1e-9) <= value <= most * (1 + 1e-9):
            bounds = f"{format_quantity(least, unit)} to {format_quantity(most, unit)}"
            raise ValueError(f"{shown(answer)} is outside {bounds}, the range accepted here")
        return value

    return read


def choice(*options: str) -> Reader[Any]:
    """Return a reader of one of some words, in whatever case it is typed."""
    known = {option.casefold(): option for option in options}

    def read(answer: str) -> str:
        if answer.casefold() in known:
            return known[answer.casefold()]
        hint = did_you_mean(answer, options)
        raise ValueError(f"{shown(answer)} is none of {', '.join(options)}{hint}")

    return read


def yes_or_no(answer: str) -> bool:
    """Read yes or no, or their first letter."""
    if answer.casefold() not in YES_NO:
        raise ValueError(f"{shown(answer)} is neither yes nor no")
    return YES_NO[answer.casefold()]


def date(answer: str) -> dt.date:
    """Read a date as ISO 8601 writes it."""
    try:
        return dt.date.fromisoformat(answer)
    except ValueError:
        raise ValueError(f"{shown(answer)} is no date; for example: 2027-05-01") from None
