"""The nameplate of a draft, which profile and unit file share."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from typing import Literal

from harness.new.text import Line, quantity, quoted, table
from harness.quantity import format_quantity
from harness.unit.nameplate import Unit

__all__ = ["Nameplate", "nameplate_text", "unit_of"]

_CLASSES = {
    "I": "I: has protective earth. Prove it before first power",
    "II": "II: double insulation. With the cover off it is not complete",
    "III": "III: fed by separated extra-low voltage",
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Nameplate:
    """What stands on the unit, and what the circuit diagram adds; None where nobody knows.

    Attributes:
        title: One line that names the kind of unit.
        kind: Input, ``dc`` or ``ac``; voltages and currents of ``ac`` are rms.
        nominal_v: Nominal input voltage.
        tolerance_frac: Its tolerance, a share of one.
        current_a: Nominal input current.
        frequency_hz: Line frequencies, the usual one first; empty for DC.
        bulk_capacitance_f: Capacitance behind the input.
        idle_power_w: Draw with nothing on the output.
        start_threshold_v: Input voltage at which the unit begins to work.
        output_v: Nominal output voltage (DC), or None for a unit without an output.
        output_a: Nominal output current.
        protection_class: IEC 61140 class.
    """

    title: str
    kind: Literal["dc", "ac"]
    nominal_v: float
    tolerance_frac: float
    current_a: float
    frequency_hz: tuple[float, ...] = ()
    bulk_capacitance_f: float | None = None
    idle_power_w: float | None = None
    start_threshold_v: float | None = None
    output_v: float | None = None
    output_a: float | None = None
    protection_class: Literal["I", "II", "III"] = "II"


def unit_of(nameplate: Nameplate) -> Unit:
    """Return the nameplate as the draft's reader will see it, rounding and defaults included.

    Raises:
        pydantic.ValidationError: The answers contradict each other.
    """
    return Unit.model_validate(tomllib.loads(nameplate_text(nameplate))["unit"])


def nameplate_text(nameplate: Nameplate) -> str:
    """Return the tables ``[unit]``, ``[unit.input]`` and ``[unit.output.main]``."""
    ac = nameplate.kind == "ac"
    unit = table(
        "[unit]",
        [
            Line(
                "protection_class",
                quoted(nameplate.protection_class),
                _CLASSES[nameplate.protection_class],
            )
        ],
        "The nameplate, and what the circuit diagram adds to it.",
    )
    lines = [
        Line("kind", quoted(nameplate.kind), "all voltages and currents are rms" if ac else ""),
        Line("nominal", quantity(nameplate.nominal_v, "V")),
        Line("tolerance", quantity(nameplate.tolerance_frac, "%"), "of the nominal voltage"),
    ]
    if ac:
        listed = ", ".join(quantity(each, "Hz") for each in nameplate.frequency_hz)
        lines.append(Line("frequency", f"[{listed}]", "the first where a step names none"))
    lines += [
        Line("current", quantity(nameplate.current_a, "A"), "nominal, at full load"),
        *_diagram_lines(nameplate),
    ]
    return "\n".join((unit, table("[unit.input]", lines), _output_text(nameplate)))


def _diagram_lines(nameplate: Nameplate) -> list[Line]:
    """Return what no nameplate says; what is not known is there as a comment."""
    idle_w, share = 0.1 * nameplate.nominal_v * nameplate.current_a, 0.3
    if nameplate.kind == "ac":
        share = 0.5
    budget = "charge" if nameplate.kind == "dc" else "energy"
    assumed_v = format_quantity(share * nameplate.nominal_v, "V", 3)
    known = (
        (
            "bulk_capacitance",
            nameplate.bulk_capacitance_f,
            "F",
            '"470 uF"',
            f"printed on it; gives the start its {budget} budget",
            "not known: LOOK IT UP, without it a short is found later",
        ),
        (
            "idle_power",
            nameplate.idle_power_w,
            "W",
            quantity(idle_w, "W"),
            "with nothing on the output; measure it on a good unit",
            "not known: this is assumed",
        ),
        (
            "start_threshold",
            nameplate.start_threshold_v,
            "V",
            quoted(assumed_v),
            "below it the unit stands still and takes only leakage",
            "not known: this is assumed",
        ),
    )
    return [
        Line(key, example, unknown, left_out=True)
        if value is None
        else Line(key, quantity(value, unit), comment)
        for key, value, unit, example, comment, unknown in known
    ]


def _output_text(nameplate: Nameplate) -> str:
    if nameplate.output_v is None or nameplate.output_a is None:
        volts, amps, left_out = '"5 V"', '"2 A"', True
    else:
        volts, amps = quantity(nameplate.output_v, "V"), quantity(nameplate.output_a, "A")
        left_out = False
    lines = [
        Line("kind", '"dc"', left_out=left_out),
        Line("nominal", volts, left_out=left_out),
        Line("current", amps, left_out=left_out),
    ]
    above = "A further output is one more such table, with a name of your own: [unit.output.aux]"
    text = table("[unit.output.main]", lines, above)
    return text.replace("\n[unit.", "\n# [unit.") if left_out else text
