"""Dialects: data files that map a role's operations to one instrument family's messages."""

from __future__ import annotations

from functools import cache
from pathlib import Path
from typing import Literal

from pydantic import Field, model_validator
from pydantic_core import PydanticCustomError

from harness.bench.scpi import decimal_text
from harness.errors import BenchFileError, DialectError, Mistake
from harness.profile.bench_file import BenchFile, Instrument
from harness.profile.load import read_table
from harness.unit.fields import Seconds, Table

__all__ = ["BUILT_IN", "Dialect", "bench_dialects", "load_dialect"]

_FOLDER = Path(__file__).parent / "dialects"

#: Names of the dialects that come with the harness.
BUILT_IN = tuple(sorted(path.stem for path in _FOLDER.glob("*.toml")))

#: What each role cannot do without, and why its safety rests on it.
REQUIRED: dict[str, tuple[str, ...]] = {
    "supply": (
        "identify",
        "clear",
        "error",
        "set_voltage",
        "voltage_setting",
        "set_current_limit",
        "current_limit_setting",
        "output_on",
        "output_off",
        "output_state",
        "measure_voltage",
        "measure_current",
    ),
    "meter": ("identify",),
    "load": (
        "identify",
        "set_current",
        "current_setting",
        "input_on",
        "input_off",
        "input_state",
        "measure_voltage",
        "measure_current",
    ),
}

#: Every operation a dialect may define, for the nearest-name hint and against slips.
OPERATIONS = frozenset(
    {
        *(operation for operations in REQUIRED.values() for operation in operations),
        "reset",
        "self_test",
        "complete",
        "set_voltage_protection",
        "set_current_protection",
        "current_protection_setting",
        "set_watchdog",
        "watchdog_setting",
        "voltage_protection_setting",
        "set_frequency",
        "frequency_setting",
        "measure_power",
        "measure_frequency",
        "status",
        "set_constant_current",
        "set_constant_resistance",
        "set_resistance",
        "resistance_setting",
        "set_constant_power",
        "set_power",
        "power_setting",
        "measure_voltage_dc",
        "measure_voltage_ac",
        "measure_current_dc",
        "measure_resistance",
        "measure_temperature",
    }
)


class _LinkTable(Table):
    """How a link to such an instrument is set up.

    Attributes:
        terminator: What ends a message, both ways.
        timeout_s: Longest wait for an answer.
        settle_s: Wait after a setting before the next message.
        averaging_window_s: Window a reading is averaged over; zero for an instantaneous one.
    """

    terminator: Literal["LF", "CR", "CRLF"] = "LF"
    timeout_s: Seconds = Field(default=1.0, alias="timeout", validate_default=False)
    settle_s: Seconds = Field(default=0.0, alias="settle", validate_default=False)
    averaging_window_s: Seconds = Field(
        default=0.0, alias="averaging_window", validate_default=False
    )


class _Sample(Table):
    """One message that reads several values in a single round trip."""

    ask: str
    answer: tuple[Literal["voltage", "current", "power", "status"], ...] = Field(min_length=2)


class _Status(Table):
    """Weights of the bits in the answer to ``status``; zero where there is no such bit."""

    protection: int = Field(default=0, ge=0, lt=65536)
    current_limit: int = Field(default=0, ge=0, lt=65536)


class Dialect(Table):
    """The messages of one instrument family.

    Attributes:
        name: Name of the dialect.
        role: The role it serves.
        title: One line for people.
        link: How a link is set up.
        send: Operation to message; ``{value}`` stands for the number.
        decimals: Operation to the decimals its number is cut to (left out: 6).
        ask: Operation to question.
        sample: The compound question, or None.
        status: Meaning of the status bits.
    """

    name: str
    role: Literal["supply", "meter", "load"]
    title: str = ""
    link: _LinkTable = _LinkTable()
    send: dict[str, str] = Field(default_factory=dict)
    decimals: dict[str, int] = Field(default_factory=dict)
    ask: dict[str, str] = Field(default_factory=dict)
    sample: _Sample | None = None
    status: _Status = _Status()

    @property
    def operations(self) -> frozenset[str]:
        """Names of all operations it has."""
        return frozenset(self.send) | frozenset(self.ask)

    def reached(self, instrument: Instrument) -> Dialect:
        """Return it with the link set up as a bench file says for one instrument."""
        said = {
            "terminator": instrument.terminator,
            "timeout_s": instrument.timeout_s,
            "settle_s": instrument.settle_s,
        }
        given = {name: value for name, value in said.items() if value is not None}
        return self.model_copy(update={"link": self.link.model_copy(update=given)})

    def message(self, operation: str, value: float | None = None) -> str:
        """Return what goes on the wire for an operation that sends.

        Raises:
            KeyError: The dialect has no such operation.
        """
        template = self.send[operation]
        if value is None:
            return template
        return template.replace("{value}", decimal_text(value, self.decimals.get(operation, 6)))

    def sent_value(self, operation: str, value: float) -> float:
        """Return the number that really goes on the wire: ``value`` cut to the decimals."""
        return float(decimal_text(value, self.decimals.get(operation, 6)))

    @model_validator(mode="after")
    def _whole(self) -> Dialect:
        import difflib

        for operation in (*self.send, *self.decimals, *self.ask):
            if operation not in OPERATIONS:
                near = difflib.get_close_matches(operation, OPERATIONS, n=1)
                hint = f", did you mean {near[0]!r}?" if near else ""
                _mistake(f"there is no operation {operation!r}{hint}")
        for operation, message in (*self.send.items(), *self.ask.items()):
            if not message.isascii() or not message.isprintable() or not message:
                _mistake(f"the message of {operation!r} must be printable ASCII text")
            takes_value = operation.startswith("set_") and not operation.startswith("set_const")
            if takes_value and message.count("{value}") != 1:
                _mistake(f"the message of {operation!r} must hold {{value}} once")
        missing = [name for name in REQUIRED[self.role] if name not in self.operations]
        if missing:
            _mistake(f"a {self.role} cannot do without {', '.join(missing)}")
        if any(not 0 <= places <= 12 for places in self.decimals.values()):
            _mistake("decimals go from 0 to 12")
        return self


def _mistake(problem: str) -> None:
    raise PydanticCustomError("quantity", "{problem}", {"problem": problem})


@cache
def load_dialect(name: str, base: Path | None = None) -> Dialect:
    """Load a built-in dialect by name, or a dialect file by path.

    Args:
        name: A built-in name such as ``scpi-meter``, or the path of a TOML file.
        base: Folder a relative path starts from: the bench file's.

    Raises:
        DialectError: No such dialect, or a mistake in the file.
    """
    if name in BUILT_IN:
        return read_table(_FOLDER / f"{name}.toml", Dialect, DialectError)
    path = Path(name) if base is None else base / name
    if not name.endswith(".toml"):
        names = ", ".join(BUILT_IN)
        raise DialectError(
            [Mistake(name, None, "dialect", f"no built-in dialect of this name; there are {names}")]
        )
    return read_table(path, Dialect, DialectError)


def bench_dialects(file: BenchFile) -> dict[str, Dialect]:
    """Load the dialect of every role, with its link as the bench file says; opens none.

    Raises:
        DialectError: A dialect is missing or wrong.
        BenchFileError: A dialect serves another role.
    """
    base = Path(file.source).parent if file.source else None
    dialects: dict[str, Dialect] = {}
    for role, table in file.instruments.items():
        dialect = load_dialect(table.dialect, base)
        if dialect.role != role:
            raise BenchFileError(
                [
                    Mistake(
                        file.source,
                        None,
                        f"{role}.dialect",
                        f"{dialect.name!r} is a dialect for a {dialect.role}, not for a {role}",
                    )
                ]
            )
        dialects[role] = dialect.reached(table)
    return dialects
