"""What goes on the wire to a supply that the program sets, and to the contact behind it."""

from __future__ import annotations

import math

from harness.errors import CommandRefused
from harness.power.commands import READBACK_FRAC, WATCHDOG_S, Arm
from harness.power.envelope import OperatingEnvelope
from harness.power.moves import Check, Confirm, Move, Send
from harness.power.way_off import OUTPUT_OFF, contact_moves
from harness.profile.measures import SETTINGS


class SupplyMoves:
    """Settings of the supply inside their bounds, in the order of energising (safety rule 2)."""

    def __init__(
        self, envelope: OperatingEnvelope, operations: frozenset[str], switch: frozenset[str]
    ) -> None:
        self._envelope = envelope
        self._operations = operations
        self._switch = switch
        # The supply's own protections are the last walls: armed where its dialect has them.
        self._bounds = {
            "voltage": envelope.voltage_v,
            "current_limit": envelope.current_a,
            "voltage_protection": envelope.voltage_v,
            "current_protection": envelope.current_a,
            "watchdog": WATCHDOG_S,
        }

    def clear(self, *, look_at_protection: bool) -> tuple[Move, ...]:
        """Return the moves that begin with a clean supply: output off, contact open."""
        moves = [Send("supply", "clear")] if "clear" in self._operations else []
        look = (Check("supply", "protection"),) if look_at_protection else ()
        return (*moves, *OUTPUT_OFF, *contact_cleared(self._switch), *look)

    def prepare(self, arm: Arm) -> tuple[Move, ...]:
        """Return the moves that make it ready for output on."""
        moves: list[Move] = []
        for protection in ("voltage_protection", "current_protection", "watchdog"):
            if f"set_{protection}" in self._operations:
                moves += self.told(protection, self._bounds[protection])
        if arm.frequency_hz is not None:
            moves += self.told("frequency", arm.frequency_hz)
        moves += self.told("current_limit", arm.current_limit_a)
        moves += self.told("voltage", arm.voltage_v)
        moves.append(Check("supply", "errors"))
        if self._switch:  # the last before output on: it makes no current
            moves += contact_moves(closed=True)
        return tuple(moves)

    def on(self) -> tuple[Move, ...]:
        """Return the moves that switch its output on."""
        return (
            Send("supply", "output_on"),
            Confirm("supply", "output_state", expected=True),
        )

    def set(self, quantity: str, value: float) -> tuple[Move, ...]:
        """Return the moves that set a quantity; ``CommandRefused`` outside its bounds."""
        return (*self.told(quantity, value), Check("supply", "errors"))

    def protect(self, voltage_v: float) -> tuple[Move, ...]:
        """Return the moves that lower its own voltage protection.

        What it reports of tripping is no error of ours.
        """
        if "set_voltage_protection" not in self._operations:
            raise CommandRefused(
                "the supply's dialect has no set_voltage_protection", where="keeper"
            )
        return self.told("voltage_protection", voltage_v)

    def told(self, quantity: str, value: float) -> tuple[Move, ...]:
        """Set a quantity of the supply, and read it back where its dialect can (safety rule 3)."""
        self._require_inside(quantity, value)
        moves: list[Move] = [Send("supply", f"set_{quantity}", value)]
        if f"{quantity}_setting" in self._operations:
            tolerance = READBACK_FRAC * abs(value)
            moves.append(
                Confirm("supply", f"{quantity}_setting", value, tolerance, f"set_{quantity}")
            )
        return tuple(moves)

    def _require_inside(self, quantity: str, value: float) -> None:
        if quantity == "frequency":
            require_frequency(value, self._envelope)
        else:
            require_inside(quantity, value, self._bounds[quantity])


def contact_cleared(switch: frozenset[str]) -> tuple[Move, ...]:
    """Return the moves that begin with a clean switch, its contact open; none without one."""
    if not switch:
        return ()
    clear = (Send("switch", "clear"),) if "clear" in switch else ()
    return (*clear, *contact_moves(closed=False))


def require_frequency(value_hz: float, envelope: OperatingEnvelope) -> None:
    """Raise ``CommandRefused`` for a line frequency that the plan does not have."""
    if value_hz not in envelope.frequencies_hz:
        raise CommandRefused(
            f"a frequency of {value_hz} Hz is not on the nameplate", where="keeper"
        )


def require_inside(quantity: str, value: float, bound: float) -> None:
    """Raise ``CommandRefused`` for a setting outside the envelope (safety rule 3)."""
    if not (math.isfinite(value) and 0 <= value <= bound):
        unit = SETTINGS["supply"][quantity]
        raise CommandRefused(
            f"a {quantity.replace('_', ' ')} of {value} {unit} is outside the envelope "
            f"(0 to {bound} {unit})",
            where="keeper",
        )
