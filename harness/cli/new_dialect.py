"""``softwake new dialect``: a dialect from the manual, each question tried where there is one."""

from __future__ import annotations

import contextlib
import datetime as dt
import tempfile
import tomllib
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

import typer

from harness.bench.answer_lines import AnswerLine, answer_lines
from harness.bench.dialect import load_dialect
from harness.bench.probe import Probe, only_asks, probing
from harness.bench.scpi import boolean, number, unquoted
from harness.cli.asking import Interview, Reader, choice
from harness.errors import InstrumentError, Refused, UsageError
from harness.files.field_types import read_line
from harness.new.dialect_draft import (
    EXAMPLE_VALUES,
    Draft,
    draft_dialect,
    operations_of,
    setting_of,
    unit_of,
    usual_message,
)
from harness.power.lock import hold_supply
from harness.profile.measures import OPERATIONS, REQUIRED
from harness.quantity import shown

ROLES = ("supply", "meter", "load", "power_meter", "switch")
#: What Enter means where there is nothing to say.
_NONE, _PLAIN = "none", "plain"
#: States of what may be on; with it on, nothing more is asked.
_STATES = ("output_state", "input_state")
#: From here on a whole number is as likely a count as a value.
_COUNTS = 100


def texts_by_operation(option: str, texts: Iterable[str]) -> dict[str, str]:
    """Read ``OPERATION=TEXT`` of an option that may be given several times."""
    found = {}
    for text in texts:
        operation, sign, told = text.partition("=")
        if not sign or operation.strip() not in OPERATIONS:
            raise UsageError(
                f"{shown(text)} is no operation and its text",
                where=option,
                remedy=f'write it as in {option} "output_state=OUTP?"',
            )
        found[operation.strip()] = told.strip()
    return found


def questions_of(options: Mapping[str, Mapping[str, Any]]) -> dict[str, dict[str, str]]:
    """Return every question: those of the options, and two for each operation."""
    questions: dict[str, dict[str, str]] = {name: dict(told) for name, told in options.items()}
    for operation, form in OPERATIONS.items():
        words = operation.replace("_", " ")
        questions[operation] = {"ask": words, "option": f"--message {operation}=..."}
        for what in ("answer", "which", "other", "worth") if form != "number" else ():
            questions[f"{operation}_{what}"] = {
                "ask": words,
                "usual": _PLAIN if what == "answer" else "",
                "option": f"--answer {operation}=...",
            }
    return questions


class DialectInterview:
    """Goes through the operations of a role, and keeps what is told of each."""

    def __init__(self, interview: Interview, questions: dict[str, dict[str, str]]) -> None:
        self._interview = interview
        self._questions = questions
        self._messages: dict[str, str] = {}
        self._decimals: dict[str, dict[str, Any]] = {}
        self._answers: dict[str, dict[str, Any]] = {}
        self._examples: dict[str, str] = {}

    def dialect(self) -> str:
        """Return the file; nothing but questions is ever sent."""
        ask = self._interview.ask
        self._interview.section("The instrument")
        role = ask("role", choice(*ROLES))
        name = ask("name", read_line)
        protocol = ask("protocol", choice("text", "modbus"))
        link = {"protocol": protocol} if protocol == "modbus" else {}
        if protocol == "text":
            link["terminator"] = ask("terminator", choice("LF", "CR", "CRLF", "none"))
        resource = ask("resource", read_line)
        with self._probe(resource, link) as probe:
            self._go_through(role, probe, protocol)
        return draft_dialect(
            Draft(
                name=name,
                role=role,
                link=link,
                messages=self._messages,
                decimals=self._decimals,
                answers=self._answers,
                examples=self._examples,
            )
        )

    @contextlib.contextmanager
    def _probe(self, resource: str, link: Mapping[str, str]) -> Iterator[Probe | None]:
        if resource.casefold() == _NONE:
            yield None
            return
        ask = self._interview.ask
        table: dict[str, Any] = {"resource": resource}
        library = ask("visa", choice("@py", "system"))
        if resource.upper().startswith("ASRL"):
            table["serial_line"] = {"baud_rate": ask("baud_rate", _whole)}
        if link.get("protocol") == "modbus":
            table["station"] = ask("station", _whole)
        typer.echo(
            "Switch its output off, and take the unit off. Each question is tried on it; what sets "
            "or switches is never sent."
        )
        started = dt.datetime.now(dt.UTC)
        with (
            hold_supply(resource, serial="new dialect", started=started),
            probing("" if library == "system" else library, table, link) as probe,
        ):
            yield probe

    def _go_through(self, role: str, probe: Probe | None, protocol: str) -> None:
        self._interview.section("Its messages, as the manual gives them")
        for operation in operations_of(role):
            usual = usual_message(role, operation, modbus=protocol == "modbus")
            told = self._questions[operation]
            told["usual"] = usual if operation in REQUIRED[role] else _NONE
            told["ask"] = f"{operation}: {_wanted(operation, role)}"
            self._one(operation, role, probe, protocol)

    def _one(self, operation: str, role: str, probe: Probe | None, protocol: str) -> None:
        form = OPERATIONS[operation]
        if form == "number":
            told = self._interview.ask(operation, _setting(operation, role))
            if told is not None:
                self._messages[operation], decimals = told
                if decimals:
                    self._decimals[operation] = decimals
            return
        message = self._interview.ask(operation, _message(protocol, asks=form != "bare"))
        if message is None:
            return
        self._messages[operation] = message
        if form != "bare":
            self._try(operation, role, message, probe, protocol)

    def _try(
        self, operation: str, role: str, message: str, probe: Probe | None, protocol: str
    ) -> None:
        answer = self._answer(operation, message, probe, protocol)
        if answer is None:
            return
        self._examples[operation] = answer if answer.isprintable() else ascii(answer)
        if OPERATIONS[operation] == "text":
            return
        state = OPERATIONS[operation] == "state"
        keys = self._state(operation, answer) if state else self._number(operation, role, answer)
        if keys:
            self._answers[operation] = keys

    def _answer(
        self, operation: str, message: str, probe: Probe | None, protocol: str
    ) -> str | None:
        """Have the instrument answer, else the manual; None where it is a bare value."""
        ask = self._questions[f"{operation}_answer"]
        if probe is not None and operation != "measure_resistance" and only_asks(message, protocol):
            try:
                answer = probe.ask(message)
            except InstrumentError as error:
                typer.secho(f"  {message}: {error.what}", fg="yellow")
            else:
                typer.echo(f"  {message} is answered {shown(answer)}")
                return answer
        elif probe is not None:
            typer.echo(f"  {message} is not sent: it may do more than ask.")
        ask["ask"] = "  its answer, as the manual shows it; plain is a bare value"
        answer = self._interview.ask(f"{operation}_answer", read_line)
        return None if answer == _PLAIN else answer

    def _state(self, operation: str, answer: str) -> dict[str, Any]:
        """Return how a state is read; nothing more is asked of what is on."""
        keys: dict[str, Any] = {}
        try:
            on = boolean(answer)
        except ValueError:
            lines = answer_lines(operation, answer, state=True)
            if lines and "mask" in lines[0].form:
                return self._bit(operation, int(unquoted(answer)))
            line = self._which(operation, lines, answer)
            keys = _keys(line)
            if "{value}" in line.form:
                on = boolean(line.takes)
            else:
                word, means = next(iter(keys["words"].items()))
                on = means == 1
                told = self._questions[f"{operation}_other"]
                told["ask"] = f"  {word} is {'on' if on else 'off'}; the word for the other"
                told["usual"] = "OFF" if on else "ON"
                keys["words"][self._interview.ask(f"{operation}_other", read_line)] = 1 - means
        self._refuse_on(operation, on=on)
        return keys

    def _bit(self, operation: str, register: int) -> dict[str, Any]:
        """Return which bit of a register it is."""
        told = self._questions[f"{operation}_which"]
        told["ask"] = (
            f"  {register} is a register; the weight of the bit that is set where it is on"
        )
        weight = self._interview.ask(f"{operation}_which", _whole)
        self._refuse_on(operation, on=bool(register & weight))
        return {"mask": weight}

    def _refuse_on(self, operation: str, *, on: bool) -> None:
        if on and operation in _STATES:
            what = (
                f"{operation} says that it is on: see what is connected, switch it off at its "
                "front panel, and begin again; nothing more was asked, and nothing written"
            )
            raise Refused([what])

    def _number(self, operation: str, role: str, answer: str) -> dict[str, Any]:
        """Return how a number is read, and what a count of it is worth."""
        keys, text = {}, answer.strip()
        try:
            number(text)
        except ValueError:
            line = self._which(operation, answer_lines(operation, answer, state=False), answer)
            keys, text = _keys(line), line.takes
        if text.lstrip("+-").isdecimal() and abs(int(text)) >= _COUNTS:
            told = self._questions[f"{operation}_worth"]
            unit = unit_of(operation, role)
            told["ask"] = f"  {text} stands for how many {unit or 'of its unit'}, as a number"
            told["usual"] = text
            worth = self._interview.ask(f"{operation}_worth", _positive) / abs(int(text))
            if worth != 1.0:
                keys["scale"] = float(f"{worth:.6g}")
        return keys

    def _which(self, operation: str, lines: tuple[AnswerLine, ...], answer: str) -> AnswerLine:
        if not lines:
            raise UsageError(
                f"{shown(answer)} cannot be taken apart",
                where=operation,
                remedy="look for another question in the manual",
            )
        if len(lines) == 1 and "{value}" in lines[0].form:
            return lines[0]
        for place, line in enumerate(lines, 1):
            typer.echo(f"    {place}: {line.takes}")
        told = self._questions[f"{operation}_which"]
        told["ask"] = f"  which of them is {operation.replace('_', ' ')}"
        chosen = self._interview.ask(
            f"{operation}_which", choice(*(str(place) for place in range(1, len(lines) + 1)))
        )
        return lines[int(chosen) - 1]


def _wanted(operation: str, role: str) -> str:
    """Say what is asked for: a message with its example, or a question."""
    match OPERATIONS[operation]:
        case "number":
            unit = unit_of(operation, role)
            example = f"{EXAMPLE_VALUES[unit]} {unit}"
            return f"the message that sets {example}, all its digits in it (or {{value}})"
        case "bare":
            return "the message"
    return "the question"


def _keys(line: AnswerLine) -> dict[str, Any]:
    told = tomllib.loads(line.line)[line.operation]
    return {"text": told} if isinstance(told, str) else told


def _setting(operation: str, role: str) -> Reader[Any]:
    def read(answer: str) -> tuple[str, dict[str, Any]] | None:
        return None if answer == _NONE else setting_of(operation, role, read_line(answer))

    return read


def _message(protocol: str, *, asks: bool) -> Reader[str | None]:
    def read(answer: str) -> str | None:
        if answer == _NONE:
            return None
        message = read_line(answer)
        if protocol == "modbus" and asks and not only_asks(message, protocol):
            raise ValueError(f"{shown(message)} asks no register; for example: holding 0x10")
        return message

    return read


def _whole(answer: str) -> int:
    if not answer.isdecimal():
        raise ValueError(f"{shown(answer)} is no whole number")
    return int(answer)


def _positive(answer: str) -> float:
    value = abs(number(answer))
    if not value > 0:
        raise ValueError(f"{shown(answer)} is not above zero")
    return value


def see_that_it_loads(content: str, name: str) -> None:
    """Load a draft as it will be written; FileError with every mistake."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_text(content, encoding="utf-8")
        load_dialect(str(path))
