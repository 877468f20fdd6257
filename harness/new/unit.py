"""The draft of a unit file: nameplate, story, and the first parts of the path."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal

from harness.new.nameplate import Nameplate, nameplate_text
from harness.new.text import Line, header, quantity, quoted, table

__all__ = ["UnitAnswers", "draft_unit"]


@dataclass(frozen=True, kw_only=True, slots=True)
class UnitAnswers:
    """What a unit file's draft is made from; None where nobody knows.

    Attributes:
        nameplate: What stands on the unit.
        serial: Its serial number.
        event_kind: What was applied.
        event_v: Voltage applied (rms for AC).
        opened: What cut it off.
        note: The story in a sentence.
        fuse_a: Rated current of the fuse in the line.
        fuse_v: Its rated voltage.
        varistor_v: Maximum continuous AC voltage of the varistor, or None for a unit without.
        bulk_v: Rated voltage of the bulk capacitor, or None where there is none to name.
    """

    nameplate: Nameplate
    serial: str
    event_kind: Literal["ac", "dc"]
    event_v: float
    opened: Literal["fuse", "breaker", "nothing", "unknown"]
    note: str | None
    fuse_a: float
    fuse_v: float
    varistor_v: float | None = None
    bulk_v: float | None = None


_TOP = (
    "A first unit file, drafted from a few answers: what happened to this unit, the parts in its "
    "current path, and what was fitted in their place. Read the ratings off the parts "
    "themselves; CHECK marks a figure that was only assumed.\n"
    "\n"
    "MAINS AND STORED CHARGE CAN KILL. Unplug, discharge and measure before you touch anything. "
    "Local codes and licensed practice come first.\n"
    "\n"
    "Next: `softwake assess` with the name of this file: which parts were over-stressed, which "
    "cold checks settle it, and whether each replacement is good enough. It energises nothing."
)


def draft_unit(answers: UnitAnswers) -> str:
    """Return a unit file that can be assessed as it stands."""
    names = table(
        "",
        (
            Line("title", quoted(answers.nameplate.title)),
            Line("serial", quoted(answers.serial)),
            Line("maker", '"Tarnbeck"', "as on the nameplate", left_out=True),
        ),
    )
    parts = [
        header(_TOP),
        names,
        nameplate_text(answers.nameplate),
        _event(answers),
        _service(),
        _fuse(answers),
    ]
    if answers.varistor_v is not None:
        parts.append(_varistor(answers.varistor_v))
    if answers.bulk_v is not None and answers.nameplate.bulk_capacitance_f is not None:
        parts.append(_bulk(answers.bulk_v, answers.nameplate.bulk_capacitance_f))
    parts.append(header(_MORE))
    return "\n".join(parts)


def _event(answers: UnitAnswers) -> str:
    lines = (
        Line("kind", quoted(answers.event_kind), "what was applied: ac or dc"),
        Line("voltage", quantity(answers.event_v, "V")),
        Line("duration", '"5 s"', "how long, until something opened", left_out=True),
        Line("opened", quoted(answers.opened), "fuse, breaker, nothing or unknown"),
        Line(
            "prospective_current", '"400 A"', "what that supply gives into a short", left_out=True
        ),
        Line("note", '"what the customer told"', left_out=True)
        if answers.note is None
        else Line("note", quoted(answers.note)),
    )
    return table("[event]", lines, "What happened. Leave out what nobody knows.")


def _service() -> str:
    lines = (
        Line("prospective_current", '"400 A"', "what the supply there gives into a short"),
        Line("temperature", '"60 degC"', "the highest around the parts"),
    )
    text = table("[service]", [replace(line, left_out=True) for line in lines])
    return header("Where the unit works. Uncomment what you know.") + text


def _fuse(answers: UnitAnswers) -> str:
    fitted = '{ current = "2 A", characteristic = "T", breaking = "H", voltage = "250 V" }'
    lines = (
        Line("name", '"F1"', "its reference on the board"),
        Line("kind", '"fuse"'),
        Line("current", quantity(answers.fuse_a, "A")),
        Line("voltage", quantity(answers.fuse_v, "V")),
        Line("characteristic", '"T"', "IEC 60127 letter: FF, F, M, T or TT. CHECK"),
        Line("breaking", '"L"', "L, E or H. CHECK"),
        Line("fitted", fitted, left_out=True),
    )
    return table(
        "[[parts]]",
        lines,
        "The parts from the terminals on. `fitted` is what was put in a part's place, with the "
        "same keys; `replaced = true` alone says that a like part was fitted.",
    )


def _varistor(maximum_ac_v: float) -> str:
    lines = (
        Line("name", '"VR1"'),
        Line("kind", '"varistor"'),
        Line("maximum_ac", quantity(maximum_ac_v, "V"), "continuous; not below the highest line"),
        Line("voltage_at_1ma", '"240 V"', "left out: that of its class", left_out=True),
        Line("replaced", "true", left_out=True),
    )
    return table("[[parts]]", lines)


def _bulk(rated_v: float, capacitance_f: float) -> str:
    lines = (
        Line("name", '"C1"'),
        Line("kind", '"bulk-capacitor"'),
        Line("capacitance", quantity(capacitance_f, "F")),
        Line("voltage", quantity(rated_v, "V")),
        Line("temperature", '"105 degC"', left_out=True),
        Line("replaced", "true", left_out=True),
    )
    return table("[[parts]]", lines)


_MORE = (
    "Further kinds of part: inrush-limiter, x-capacitor, common-mode-choke, y-capacitor, diode, "
    "bridge, switch, output-diode, output-capacitor. A switch, for example:\n"
    "\n"
    "[[parts]]\n"
    'name              = "Q1"\n'
    'kind              = "switch"\n'
    'voltage           = "600 V"\n'
    'reflected_voltage = "100 V"'
)
