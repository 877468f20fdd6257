"""The nameplate of a unit file, as its author wrote it, for a first profile of that unit."""

from __future__ import annotations

from collections.abc import Mapping

import tomlkit

from harness.unit.unit_file import UnitFile

#: What a nameplate may leave out and a start goes by, with its unit; a busy power only where no
#: output takes what the unit draws.
OPEN_FIGURES: Mapping[str, str] = {
    "bulk_capacitance": "F",
    "idle_power": "W",
    "busy_power": "W",
    "boot_time": "s",
    "start_threshold": "V",
}
#: Those of a unit that draws by itself alone, the second only where the first is known.
BUSY = ("busy_power", "boot_time")


def missing_figures(file: UnitFile) -> tuple[str, ...]:
    """Return which of those the nameplate leaves out, in order."""
    line = file.said(("unit", "input"))
    known = {*line} if isinstance(line, Mapping) else set[str]()
    if file.unit.output:
        known |= {*BUSY}
    return tuple(name for name in OPEN_FIGURES if name not in known)


def nameplate_text(file: UnitFile, found: Mapping[str, str]) -> str:
    """Return the table ``[unit]`` of a unit file with its comments, and what was ``found`` since.

    ``found`` has figures as text with a unit, by their keys under ``[unit.input]``.
    """
    document = tomlkit.document()
    document["unit"] = tomlkit.parse(file.text)["unit"]
    for name, figure in found.items():
        document["unit"]["input"][name] = figure
    lines = tomlkit.dumps(document).splitlines()
    while lines and (not lines[-1].strip() or lines[-1].startswith("#")):
        lines.pop()  # what belongs to the next table
    return "\n".join(lines)
