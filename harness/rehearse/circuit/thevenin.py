"""What a rectifier looks into, and who carries what at one instant."""

from __future__ import annotations

from typing import NamedTuple

__all__ = ["Drive", "Flows", "Thevenin", "shunt_heat_j", "shunted_square"]


class Drive(NamedTuple):
    """What the source does during the half-cycle.

    Attributes:
        peak_v: Amplitude of the sine behind its resistance.
        frequency_hz: Line frequency.
        clamp_a: Instantaneous current it does not pass.
        source_ohm: Part of the line's resistance that lies inside the terminals.
        conducts: False if the rectifier's path for this polarity is open.
    """

    peak_v: float
    frequency_hz: float
    clamp_a: float
    source_ohm: float
    conducts: bool


class Flows(NamedTuple):
    """Currents and voltages at one instant.

    Attributes:
        line_a: Current of the source.
        terminal_v: Voltage at its terminals.
        input_v: Voltage behind the fuse.
        inner_v: Voltage behind the bulk capacitor's series resistance.
        forward_v: What drives the rectifier; negative while it blocks.
        rectifier_a: Current through it.
    """

    line_a: float
    terminal_v: float
    input_v: float
    inner_v: float
    forward_v: float
    rectifier_a: float


class Thevenin(NamedTuple):
    """What the rectifier looks into: a voltage behind a resistance.

    Attributes:
        sine_v: Amplitude of the part that follows the line.
        constant_v: The part that stands still.
        ohm: The resistance.
        is_held: True while the source clamps its current.
    """

    sine_v: float
    constant_v: float
    ohm: float
    is_held: bool

    @classmethod
    def free(cls, line_ohm: float, shunt: float, peak_v: float) -> Thevenin:
        """Return the source's sine behind line and shunt.

        Source:
            Thevenin's theorem, textbook.
        """
        loaded = 1.0 + line_ohm * shunt
        return cls(sine_v=peak_v / loaded, constant_v=0.0, ohm=line_ohm / loaded, is_held=False)

    @classmethod
    def held(cls, shunt: float, current_a: float) -> Thevenin:
        """Return a constant current across the shunt; a tiny shunt stands for none."""
        siemens = max(shunt, 1e-9)
        return cls(sine_v=0.0, constant_v=current_a / siemens, ohm=1.0 / siemens, is_held=True)


def shunt_heat_j(step_s: float, before: Flows, after: Flows, siemens: float) -> float:
    """Return the heat in a conductance across the input over a step, voltages as straight lines."""
    from_v, to_v = before.input_v, after.input_v
    return siemens * step_s / 3.0 * (from_v * from_v + from_v * to_v + to_v * to_v)


def shunted_square(step_s: float, before: Flows, after: Flows) -> float:
    """Return by how much the line's integral of squared current exceeds the rectifier's."""
    square = before.line_a**2 - before.rectifier_a**2 + after.line_a**2 - after.rectifier_a**2
    return 0.5 * step_s * square
