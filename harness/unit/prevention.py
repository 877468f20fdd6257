"""What would have kept the event from the unit: for whoever gets it back.

All of it is common practice, and none of it replaces local codes.
"""

from __future__ import annotations

from collections.abc import Iterator

from harness.unit.unit_file import UnitFile


def prevention(unit_file: UnitFile) -> Iterator[str]:
    """Yield what would have prevented the event, in sentences; nothing where none is known."""
    event, line = unit_file.event, unit_file.unit.input
    if event is None:
        return
    if event.kind == "surge":
        yield (
            "Surge-protective devices at the distribution board and close to the equipment take "
            "what a varistor on the board cannot."
        )
        return
    if event.polarity_reversed:
        yield (
            "A connector that goes in one way only, with plus and minus marked at both ends; each "
            "lead that was made up by hand is measured before it is used."
        )
        yield "In the unit, a diode in series, or one across the input behind a fuse, takes it."
    rated = f"{line.nominal} {line.kind.upper()}"
    if event.kind != line.kind:
        yield (
            f"{event.kind.upper()} and {line.kind.upper()} never on the same kind of connector: "
            f"this unit takes {rated} and nothing else."
        )
    elif not line.lowest_v <= event.voltage_v <= line.highest_v:
        yield (
            "An outlet or a lead does not tell its voltage: a kind of connector of its own for "
            f"each voltage, and {rated} printed at the plug and at the outlet."
        )
        yield "An outlet that nobody knows is measured before anything is plugged in."
    if event.voltage_v > line.highest_v:
        yield (
            "Where several voltages are at hand, an over-voltage cut-out in the feed, or a power "
            "unit made for all of them."
        )
    if event.kind == line.kind and event.voltage_v < line.lowest_v:
        yield "An under-voltage cut-out in the feed keeps a converter from working itself hot."
