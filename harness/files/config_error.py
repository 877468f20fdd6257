"""Turns what validation found into mistakes a technician can mend: line, key, problem, example."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from types import UnionType
from typing import Annotated, Any, Literal, NamedTuple, Union, get_args, get_origin

from pydantic import ValidationError
from pydantic.fields import FieldInfo
from pydantic_core import ErrorDetails

from harness.errors import Mistake, did_you_mean
from harness.files.field_types import Table
from harness.files.toml_positions import KeyPath, TomlPositions
from harness.quantity import shown

#: More than these are not listed: nobody mends a file from a list of a thousand.
_MOST_LISTED = 100

#: ``key = …`` or ``[table]``: an example that needs no key in front of it.
_WHOLE_LINE = re.compile(r"\w+ = |\[+[a-z]")

#: What a value should be, by what validation calls its mistake.
_SHAPES = dict.fromkeys(("tuple_type", "list_type"), "a list")
_SHAPES |= dict.fromkeys(("model_type", "dict_type", "model_attributes_type"), "a table")
_SHAPES |= {"string_type": "text"}

#: What the kinds of a list of tables are kinds of.
_KINDS = {"steps": "kind of step", "parts": "kind of part", "supply": "kind of supply"}

#: Tables that may be missing, each with the least that will do.
_TABLES: dict[KeyPath, str] = {
    ("unit",): "[unit] with input and protection_class",
    ("unit", "input"): '{ kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A" }',
    ("envelope",): '{ voltage = "26.4 V", current = "1.5 A", power = "36 W" }',
    ("steps",): '[[steps]] and below it kind = "start"',
    ("supply",): "[supply] with kind, resource and dialect",
    ("meter",): "[meter] with resource and dialect",
    ("load",): "[load] with resource and dialect",
    ("power_meter",): "[power_meter] with resource and dialect",
    ("switch",): "[switch] with resource and dialect",
    ("aux",): "[aux] with resource and dialect",
    ("enable_switch",): "[enable_switch] with resource and dialect",
}


class ConfigError(NamedTuple):
    """One mistake, before its line is looked up."""

    path: KeyPath
    problem: str  # in one sentence without a full stop
    example: str = ""  # a value that would be right, as it stands in TOML


def as_mistakes(found: Iterable[ConfigError], file: str, text: str) -> tuple[Mistake, ...]:
    """Give everything found in a file's text its line, in the order of the file."""
    lines = TomlPositions(text)
    unique = tuple(dict.fromkeys(found))
    listed = []
    for path, problem, example in unique[:_MOST_LISTED]:
        keyless = not path or isinstance(path[-1], int) or _WHOLE_LINE.match(example)
        line = f"{path[-1]} = {example}" if example and not keyless else example
        listed.append(Mistake(file, lines.nearest(path), key_text(path), problem, line))
    listed.sort(key=lambda mistake: mistake.line or 0)
    if len(unique) > _MOST_LISTED:
        listed.append(Mistake(file, None, "", f"and {len(unique) - _MOST_LISTED} more mistakes"))
    return tuple(listed)


def key_text(path: KeyPath) -> str:
    """Write a path as ``steps[2].checks[0].low``; list positions count from 0."""
    text = ""
    for part in path:
        if isinstance(part, int):
            text += f"[{part}]"
        else:
            plain = part.replace("_", "").replace("-", "").isalnum() and len(part) <= 60
            text += f".{part if plain else shown(part)}"
    return text.removeprefix(".")


def found_by_validation(
    error: ValidationError, model: type[Table], data: object
) -> Iterator[ConfigError]:
    """Yield everything that validating what stands in a file found."""
    for detail in error.errors(include_url=False):
        if detail["type"] == "too_short" and detail["input"]:
            continue  # there are elements, each wrong, and each told on its own
        yield _slip(_place(detail["loc"], model, data), detail)


class _Place(NamedTuple):
    """A place in a file, as the schema sees it."""

    path: KeyPath
    annotation: Any  # of the value; None where the schema has no such key
    field: FieldInfo | None  # that the path ends in, if it does
    table: type[Table] | None  # that holds the field


def _place(loc: tuple[str | int, ...], model: type[Table], data: Any) -> _Place:
    """Follow a location through schema and file; the names of union members are no keys of it."""
    place = _Place((), model, None, None)
    member_named = False
    for part in loc:
        if not member_named and len(_tables(place.annotation)) > 1:
            member_named = True
            continue
        member_named = False
        if part == "[key]":
            continue
        table, field = _table_of(place.annotation, data), None
        annotation = _element(place.annotation)
        if table is not None:
            field = _fields(table).get(str(part))
            annotation = field and field.annotation
        place = _Place((*place.path, part), annotation, field, table)
        try:
            data = data[part]
        except (KeyError, IndexError, TypeError):
            data = None
    return place


def _slip(place: _Place, detail: ErrorDetails) -> ConfigError:
    """Say in our words what validation found."""
    path, field, given = place.path, place.field, detail["input"]
    context = detail.get("ctx", {})
    example = str(field.examples[0]) if field and field.examples else _TABLES.get(path, "")
    if "problem" in context:  # our own words already
        return ConfigError(path, context["problem"], example or context.get("example", ""))
    match detail["type"]:
        case "missing":
            return ConfigError(path, "this key is missing", example)
        case "extra_forbidden":
            known = [] if place.table is None else list(_fields(place.table))
            hint = did_you_mean(path[-1], known) or f"; there are {', '.join(known)}"
            return ConfigError(path, f"there is no key {shown(path[-1])} here{hint}")
        case "union_tag_not_found":
            kind = _kinds(*_tables(place.annotation))[0]
            return ConfigError((*path, "kind"), "this key is missing", f'"{kind}"')
        case "union_tag_invalid":
            return _unknown_kind((*path, "kind"), given, _kinds(*_tables(place.annotation)))
        case "literal_error":
            choices = _choices(place.annotation)
            expected, hint = " or ".join(map(repr, choices)), did_you_mean(given, choices)
            problem = f"expected {expected}, got {shown(given)}{hint}"
            return ConfigError(path, problem, f'"{choices[0]}"')
    return ConfigError(path, _wrong_shape(place, detail), example)


def _wrong_shape(place: _Place, detail: ErrorDetails) -> str:
    wrong, got = detail["type"], shown(detail["input"])
    if wrong == "too_short":
        return "at least one is needed"
    if wrong == "tuple_type" and _tables(_element(place.annotation)):
        name = ".".join(part for part in place.path if isinstance(part, str))
        return f"expected a list of tables, each begun by [[{name}]]"
    if wrong in _SHAPES:
        return f"expected {_SHAPES[wrong]}, got {got}"
    return f"{got}: {detail['msg'].replace('Input should', 'it should')}"


def _unknown_kind(path: KeyPath, value: object, kinds: list[str]) -> ConfigError:
    kind = value.get("kind") if isinstance(value, dict) else None
    what = "kind of output" if "output" in path else _KINDS.get(str(path[0]), "kind of input")
    hint = did_you_mean(kind, kinds) or f"; there are {', '.join(kinds)}"
    return ConfigError(path, f"there is no {what} {shown(kind)}{hint}", f'"{kinds[0]}"')


# --- the schema ------------------------------------------------------------------------------


def _members(annotation: Any) -> list[Any]:
    """Return the types an annotation stands for: unions opened, annotations taken off."""
    origin = get_origin(annotation)
    if origin is Annotated:
        return _members(get_args(annotation)[0])
    if origin in (Union, UnionType):
        return [member for part in get_args(annotation) for member in _members(part)]
    return [annotation]


def _tables(annotation: Any) -> list[type[Table]]:
    members = _members(annotation)
    return [one for one in members if isinstance(one, type) and issubclass(one, Table)]


def _table_of(annotation: Any, value: object) -> type[Table] | None:
    """Return the table an annotation stands for; of several, the one of the value's kind."""
    tables = _tables(annotation)
    if len(tables) > 1:
        kind = value.get("kind") if isinstance(value, dict) else None
        tables = [table for table in tables if kind in _kinds(table)]
    return next(iter(tables), None)


def _kinds(*tables: type[Table]) -> list[str]:
    """Return the kinds that tables are told apart by."""
    fields = [table.model_fields["kind"] for table in tables if "kind" in table.model_fields]
    return [kind for field in fields for kind in _choices(field.annotation)]


def _fields(table: type[Table]) -> dict[str, FieldInfo]:
    """Return the fields of a table by their keys in the file."""
    return {field.alias or name: field for name, field in table.model_fields.items()}


def _element(annotation: Any) -> Any:
    """Return what a list or a table of any keys is made of, or None for anything else."""
    for member in _members(annotation):
        if get_origin(member) in (tuple, dict):
            return get_args(member)[1 if get_origin(member) is dict else 0]
    return None


def _choices(annotation: Any) -> list[str]:
    literals = [member for member in _members(annotation) if get_origin(member) is Literal]
    return [str(choice) for literal in literals for choice in get_args(literal)]
