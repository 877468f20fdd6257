"""Dialects: data files that map a role's operations to one instrument family's messages."""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache
from pathlib import Path
from types import MappingProxyType
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, PrivateAttr

from harness.bench.answer_form import AnswerForm
from harness.bench.answer_rules import SAMPLED
from harness.bench.dialect_rules import FOLDER, dialect_errors
from harness.bench.number_form import NumberForm
from harness.bench.wire_text import PLACEHOLDER
from harness.errors import FileError, Mistake
from harness.files.field_types import Flag, Seconds, Table, mistaken
from harness.files.named_file import validated
from harness.files.text_file import quoted, read_toml
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Instrument, wait_bound_s
from harness.quantity import shown

#: How a number is written that the dialect says nothing of.
_PLAIN = NumberForm(decimals=6)

#: Names of the dialects that come with the harness.
BUILT_IN = tuple(sorted(path.stem for path in FOLDER.glob("*.toml")))


class LinkTable(Table):
    """How a link to such an instrument is set up."""

    #: Text in messages, or registers (:mod:`harness.bench.registers`).
    protocol: Literal["text", "modbus"] = "text"
    #: What ends a message, both ways.
    terminator: Literal["LF", "CR", "CRLF", "none"] = Field(default="LF", examples=['"LF"'])
    #: Silence that ends an answer where no terminator does.
    quiet_s: Seconds = 0.05
    #: Whether it sends each message back before it answers.
    echo: Flag = False
    #: Text in the line it sends of its own when it is connected to; left out: it sends none.
    greeting: str = Field(default="", examples=['"Welcome"'])
    #: Longest wait for its first answer, or its greeting, after connecting; left out: the time-out.
    first_answer_s: Seconds = 0.0
    timeout_s: Seconds = 1.0
    #: Wait after a setting before the next message.
    settle_s: Seconds = 0.0
    #: Wait between any two messages.
    rest_s: Seconds = 0.0
    #: What it answers each message that is no question with; left out: nothing.
    acknowledgement: str = Field(default="", examples=['"OK"'])
    #: Window a reading is averaged over; zero for an instantaneous one.
    averaging_window_s: Seconds = 0.0


class _Sample(Table):
    """One message that reads several values in a single round trip."""

    ask: str = Field(examples=['"MEAS:VOLT?;:MEAS:CURR?"'])
    #: What its answer holds, in this order; what nobody needs is ``-``.
    answer: tuple[
        Literal["voltage", "current", "power", "status", "current_limit", "protection", "-"], ...
    ] = Field(min_length=1, examples=['["voltage", "current"]'])
    #: What stands between two values; a blank stands for any number of blanks.
    separator: str = Field(default=";", examples=['","'])


class _Messages(Table):
    """Messages that are sent one after the other, without an answer."""

    send: tuple[str, ...] = Field(default=(), examples=['["INST:NSEL 2"]'])


class _Status(Table):
    """Weights of the bits in the answer to ``status``; zero where there is no such bit."""

    protection: int = Field(default=0, ge=0, lt=65536, examples=["8"])
    current_limit: int = Field(default=0, ge=0, lt=65536, examples=["1"])


def _as_form(given: object) -> object:
    """Read a form that is text alone: what stands around the value."""
    if isinstance(given, str):
        return {"text": given}
    if not isinstance(given, dict | AnswerForm):
        raise mistaken(f"expected text or a table, got {shown(given)}", '"{value} V"')
    return given


def _as_number_form(given: object) -> object:
    """Read a form that is digits after the point alone."""
    if isinstance(given, int) and not isinstance(given, bool):
        return {"decimals": given}
    if not isinstance(given, dict | NumberForm):
        raise mistaken(f"expected a whole number or a table, got {shown(given)}", "3")
    return given


class Dialect(Table):
    """The messages of one instrument family, by the operations they carry out or ask."""

    name: str = Field(examples=['"my-supply"'])
    role: Literal["supply", "meter", "load", "power_meter", "switch"]
    title: str = ""
    link: LinkTable = LinkTable()
    #: What comes first whenever a link is opened, and last, once its output is off.
    begin: _Messages = _Messages()
    end: _Messages = _Messages()
    #: ``{value}`` stands for the number, written in the form of ``decimals`` (left out: 6 digits).
    send: dict[str, str] = Field(default_factory=dict)
    decimals: dict[str, Annotated[NumberForm, BeforeValidator(_as_number_form)]] = Field(
        default_factory=dict
    )
    ask: dict[str, str] = Field(default_factory=dict)
    #: What is sent once, before the first of some questions of a measurement.
    configure: dict[str, str] = Field(default_factory=dict)
    #: What an answer looks like; left out: it is the number or state and nothing else.
    answers: dict[str, Annotated[AnswerForm, BeforeValidator(_as_form)]] = Field(
        default_factory=dict
    )
    sample: _Sample | None = None
    status: _Status = _Status()
    _built_in: Path | None = PrivateAttr(default=None)

    @property
    def operations(self) -> frozenset[str]:
        """Names of all operations it has."""
        return frozenset(self.send) | frozenset(self.ask)

    @property
    def read_singly(self) -> tuple[str, ...]:
        """Names of what a reading of a supply or a load is made of beside the sample."""
        sampled = self.sample.answer if self.sample is not None else ()
        bits = self.status.protection or self.status.current_limit
        return tuple(
            name
            for name, operation in SAMPLED.items()
            if name not in sampled and (bits if name == "status" else operation in self.ask)
        )

    @property
    def protection_line(self) -> str:
        """The line that tells that its protection has tripped; empty where none does."""
        if self.status.protection:
            return f"protection = {self.status.protection}"
        question = self.ask.get("protection_state")
        return "" if question is None else f"protection_state = {quoted(question)}"

    @property
    def answer_lengths(self) -> dict[str, int]:
        """How many characters each answer has, by its question, where that is known."""
        forms = {
            question: self.answers[operation]
            for operation, question in self.ask.items()
            if operation in self.answers
        }
        return {question: form.characters for question, form in forms.items() if form.characters}

    @property
    def built_in(self) -> Path | None:
        """Where it stands if it comes with the harness: no file of the user's to change."""
        return self._built_in

    def reached(self, instrument: Instrument) -> Dialect:
        """Return it with the link set up as a bench file says for one instrument."""
        said = instrument.model_dump(
            include={"terminator", "timeout_s", "settle_s"}, exclude_none=True
        )
        return self.model_copy(update={"link": self.link.model_copy(update=said)})

    def message(
        self,
        operation: str,
        value: float | None = None,
        told: Mapping[str, float] = MappingProxyType({}),
    ) -> str:
        """Return what goes on the wire for an operation that sends; KeyError for any other.

        ``told`` is what was set before, by operation: a message that sets two things at once says
        the other one again, and zero where it was never set.
        """
        template = self.send[operation]
        if value is None:
            return template
        numbers = {"value": self._sent(operation, value)}
        for name in PLACEHOLDER.findall(template) if template.count("{") > 1 else ():
            if name != "value":
                other = f"set_{name}"
                numbers[name] = self._sent(other, told.get(other, 0.0))
        return PLACEHOLDER.sub(lambda match: numbers[match[1]], template)

    def sent_value(self, operation: str, value: float) -> float:
        """Return the number that really goes on the wire: ``value`` cut to the decimals."""
        form = self.decimals.get(operation, _PLAIN)
        return form.read(form.written(value))

    def _sent(self, operation: str, value: float) -> str:
        return self.decimals.get(operation, _PLAIN).written(value)

    def value_in(self, operation: str, answer: str) -> str:
        """Return the part of an answer that is its value; ValueError if it looks otherwise."""
        form = self.answers.get(operation)
        return answer if form is None else form.value_in(answer)


@cache
def load_dialect(name: str, base: Path | None = None) -> Dialect:
    """Load a built-in dialect by name, or a file by a path from the base: the bench file's folder.

    Raises:
        FileError: No such dialect, or a mistake in the file.
    """
    built_in = FOLDER / f"{name}.toml" if name in BUILT_IN else None
    if built_in is None and not name.endswith(".toml"):
        problem = f"no built-in dialect of this name; there are {', '.join(BUILT_IN)}"
        raise FileError([Mistake(name, None, "dialect", problem)])
    path = built_in or (base or Path()) / name
    file = read_toml(path, str(path))
    dialect = validated(file, Dialect, rules=dialect_errors)
    dialect._built_in = built_in  # noqa: SLF001 - its own module
    return dialect


def bench_dialects(file: BenchFile) -> dict[str, Dialect]:
    """Load the dialect of every role, with its link as the bench file says; opens none.

    Raises:
        FileError: A dialect is missing or wrong, or serves another role.
    """
    base = Path(file.source).parent if file.source else None
    dialects: dict[str, Dialect] = {}
    for key, table in file.instruments.items():
        dialect = load_dialect(table.dialect, base)
        if dialect.role != (table.speaks or table.role):
            problem = f"{dialect.name!r} is a dialect for a {dialect.role}, not for a {table.role}"
            raise FileError([Mistake(file.source, None, f"{key}.dialect", problem)])
        dialects[key] = dialect.reached(table)
        if key == file.fed_by != "supply":  # power hangs on what it reads
            link = dialects[key].link
            most_s = min(link.timeout_s, wait_bound_s("switch"))
            quick = link.model_copy(update={"timeout_s": most_s})
            dialects[key] = dialects[key].model_copy(update={"link": quick})
    return dialects
