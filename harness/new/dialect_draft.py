"""A first dialect, from messages as a manual shows them, and from answers to them (pure)."""

from __future__ import annotations

import contextlib
import json
import re
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from decimal import Decimal
from typing import Any

from harness.bench.dialect_rules import examples
from harness.files.text_file import quoted
from harness.profile.measures import OPERATIONS, READINGS, REQUIRED, SETTINGS

#: What each unit is set to in the examples that are asked for: no round numbers, so that they stand
#: out among channels and addresses.
EXAMPLE_VALUES = {"V": "12.3", "A": "0.456", "Hz": "61.2", "ohm": "45.6", "W": "34.5", "s": "7"}

#: Settings that one message may make at once, each with its unit.
_AT_ONCE = {"voltage": "V", "current_limit": "A"}
_NUMBER = re.compile(r"\d+(?:\.\d+)?")
#: Asked by the bench check, or never: not worth a question here.
_LEFT_OUT = {"reset", "self_test", "complete", "measure_frequency", "status"}
#: Powers of ten that a count may be worth.
_POWERS = range(-6, 4)


@dataclass(frozen=True, kw_only=True, slots=True)
class Draft:
    """What is known of a dialect; messages and answers by operation."""

    name: str
    role: str
    link: Mapping[str, str]
    messages: Mapping[str, str]
    decimals: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    answers: Mapping[str, Mapping[str, Any]] = field(default_factory=dict)
    examples: Mapping[str, str] = field(default_factory=dict)  # what was answered


def operations_of(role: str) -> tuple[str, ...]:
    """Name the operations worth asking for, who and how it is first, what switches last."""
    known = {*REQUIRED[role], *examples(role)} - _LEFT_OUT
    if role == "supply":
        known |= {"measure_power", "set_frequency", "frequency_setting"}
        known |= {"current_limit_state", "protection_state"}
    order = list(OPERATIONS)

    def rank(operation: str) -> tuple[int, str, int]:
        form = OPERATIONS[operation]
        thing = operation.removeprefix("set_").removesuffix("_setting")
        of = {"text": 0, "state": 1, "number": 2, "bare": 4}.get(form, 3)
        if operation.endswith("_setting"):
            of = 2
        needed = operation not in REQUIRED[role]
        return (2 * of + needed if of > 1 else of, thing if of == 2 else "", order.index(operation))

    return tuple(sorted(known, key=rank))


def usual_message(role: str, operation: str, *, modbus: bool) -> str:
    """Return the SCPI-1999 message of what a role cannot do without; empty for all else."""
    if modbus or operation not in REQUIRED[role]:
        return ""
    return json.loads(examples(role)[operation]) if operation in examples(role) else ""


def unit_of(operation: str, role: str) -> str:
    """Return the unit of a setting, set or read back, or of a reading; empty for all else."""
    if operation.startswith("measure_"):
        return READINGS[role].get(operation.removeprefix("measure_"), "")
    name = operation.removeprefix("set_").removesuffix("_setting")
    return SETTINGS.get(role, {}).get(name, "") if name != operation else ""


def setting_of(operation: str, role: str, message: str) -> tuple[str, dict[str, Any]]:
    """Return a message with ``{value}`` in it, and how its number is written.

    ``message`` sets the example value of its unit, or holds ``{value}`` already. Where it sets
    voltage and current limit at once, the other one stands in it with its own example.

    Raises:
        ValueError: The example does not stand in it once, or another number does that is none.
    """
    if "{value}" in message:
        return message, {}
    unit = unit_of(operation, role)
    start, end, power = _found(message, EXAMPLE_VALUES[unit])
    text = message[start:end]
    form: dict[str, Any] = {"decimals": len(text.partition(".")[2])}
    if power:
        form["scale"] = float(Decimal(1).scaleb(power))
    if text.startswith("0") and not text.startswith("0."):
        form["width"] = len(text)
    template = f"{message[:start]}{{value}}{message[end:]}"
    for other, its in _AT_ONCE.items():
        if role == "supply" and f"set_{other}" != operation and operation[4:] in _AT_ONCE:
            with contextlib.suppress(ValueError):
                start, end, _ = _found(template, EXAMPLE_VALUES[its])
                template = f"{template[:start]}{{{other}}}{template[end:]}"
    left = [match[0] for match in _NUMBER.finditer(template) if "." in match[0]]
    if left:
        raise ValueError(
            f"{left[0]} stands in it as well, and would be set each time: where it is the other "
            "setting, write 12.3 V or 0.456 A for it"
        )
    return template, form


def _found(message: str, example: str) -> tuple[int, int, int]:
    """Return where an example stands in a message, and the power of ten of one count."""
    wanted = Decimal(example)
    found = [
        (*match.span(), power)
        for match in _NUMBER.finditer(message)
        for power in _POWERS
        if Decimal(match[0]).scaleb(power) == wanted
    ]
    if len(found) != 1:
        often = "more than once" if found else "nowhere"
        raise ValueError(f"{example} stands in it {often}: write {{value}} in its place")
    return found[0]


def draft_dialect(draft: Draft) -> str:
    """Return the file."""
    lines = [
        "# Drafted from the manual with `softwake new dialect`. Try it with `softwake bench`, then",
        "# prove it with a resistor, never on a unit.",
        f"name = {quoted(draft.name)}",
        f"role = {quoted(draft.role)}",
    ]
    lines += _table("link", {name: quoted(text) for name, text in draft.link.items()})
    sent = {name: message for name, message in draft.messages.items() if not _asks(name)}
    asked = {name: message for name, message in draft.messages.items() if _asks(name)}
    lines += _table("send", {name: quoted(message) for name, message in sent.items()})
    lines += _table("decimals", {name: _form(form) for name, form in draft.decimals.items()})
    notes = {name: f"# answered {draft.examples[name]}" for name in asked if name in draft.examples}
    lines += _table("ask", {name: quoted(message) for name, message in asked.items()}, notes)
    lines += _table("answers", {name: _form(form) for name, form in draft.answers.items()})
    return "\n".join((*lines, ""))


def _asks(operation: str) -> bool:
    return OPERATIONS[operation] in ("value", "state", "text")


def _table(
    name: str, values: Mapping[str, str], notes: Mapping[str, str] | None = None
) -> Iterable[str]:
    if not values:
        return []
    width = max(map(len, values))
    lines = [f"{key:{width}} = {value}" for key, value in values.items()]
    column = max(map(len, lines))
    told = [
        f"{line:{column}}  {(notes or {}).get(key, '')}"
        for key, line in zip(values, lines, strict=True)
    ]
    return ["", f"[{name}]", *(line.rstrip() for line in told)]


def _form(form: Mapping[str, Any]) -> str:
    """Write a form as an inline table, or in its short way where one thing alone is said."""
    if list(form) == ["decimals"]:
        return str(form["decimals"])
    if list(form) == ["text"]:
        return quoted(form["text"])
    return "{ " + ", ".join(f"{key} = {_value(value)}" for key, value in form.items()) + " }"


def _value(value: Any) -> str:
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{quoted(key)} = {each}" for key, each in value.items()) + " }"
    return quoted(value) if isinstance(value, str) else f"{value:g}"
