"""Rules of a bench file that join its tables: names, where things stand, and addresses (pure)."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.quantity import shown

#: Tables of one instrument each, and those of several, each with the word before their names.
ONE = ("supply", "meter", "load", "power_meter", "switch", "aux", "enable_switch")
SEVERAL = {"meters": "meter", "loads": "load"}


def bench_errors(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """Yield every mistake in what stands in the file that is none of shape or type."""
    for tables in SEVERAL:
        for name, table in _tables(data.get(tables)):
            path = (tables, name)
            if "." in name or name != name.strip():
                problem = f"a name has no dot in it, and no blanks around it, got {shown(name)}"
                yield ConfigError(path, problem, f"[{tables}.rail]")
            if "at" not in table:
                problem = "one of several says where it is wired: an output of the unit by its name"
                yield ConfigError((*path, "at"), problem, '"main"')
    supply = data.get("supply")
    if isinstance(supply, dict) and supply.get("kind") == "by hand" and "power_meter" not in data:
        problem = (
            "no link leads to a source set by hand: what it gives is read by a power meter at the "
            "input of the unit, and this bench has none"
        )
        yield ConfigError(("power_meter",), problem, "[power_meter] with resource and dialect")
    yield from _addresses(data)


def _tables(there: object) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield what are tables; what is none is told already."""
    for name, table in there.items() if isinstance(there, dict) else ():
        if isinstance(table, dict):
            yield str(name), table


def _addresses(data: Mapping[str, Any]) -> Iterator[ConfigError]:
    """One address has one role: answers of one would be taken for those of the other."""
    taken: dict[str, str] = {}
    for path, table in _instruments(data):
        resource = table.get("resource")
        if not isinstance(resource, str):
            continue
        role = " ".join(map(str, path)).replace("_", " ")
        plain = resource.strip().casefold().replace("tcpip0::", "tcpip::")
        if plain in taken:
            problem = (
                f"{shown(resource)} is the address of the {taken[plain]}, too: one instrument has "
                "one role"
            )
            yield ConfigError((*path, "resource"), problem)
        taken.setdefault(plain, role)


def _instruments(data: Mapping[str, Any]) -> Iterator[tuple[KeyPath, Mapping[str, Any]]]:
    for name in ONE:
        if isinstance(data.get(name), dict):
            yield (name,), data[name]
    for tables in SEVERAL:
        yield from (((tables, name), table) for name, table in _tables(data.get(tables)))
