"""What drives an enable input: a second supply or a relay, inside its bounds (safety rules 2 to 4).

The unit gets it only while its own supply is on: a pin that is driven into a unit without power
feeds it backwards, through the input's protecting diode (common practice). So it comes on after the
supply's output and goes off with it. A supply that wakes a charger is one of these in all but where
its leads go.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

from harness.errors import CommandRefused
from harness.power.commands import READBACK_FRAC, EnableOff, EnableOn, PinRole
from harness.power.envelope import OperatingEnvelope, beyond
from harness.power.moves import Check, Confirm, Move, Send
from harness.power.trip import Finding
from harness.power.way_off import cuts
from harness.profile.measures import SETTINGS

#: Roles that may drive an enable input.
PIN_ROLES: tuple[PinRole, ...] = ("aux", "enable_switch")
#: Time between two readings of the auxiliary supply while it drives a pin.
AUX_EVERY_S = 0.1
#: What is told of the auxiliary supply's output.
AUX_OFF = "the auxiliary supply's output is off, and says so"
AUX_LEFT_ON = "OUTPUT OFF OF THE AUXILIARY SUPPLY COULD NOT BE CONFIRMED"
#: What is told of a pin whose driver is not seen to go off.
PIN_FAULT = "WHAT DRIVES THE ENABLE INPUT IS NOT KNOWN TO BE OFF"


class AuxMoves:
    """Settings of the auxiliary supply inside its own envelope, in the order of energising."""

    def __init__(self, operations: frozenset[str], envelope: OperatingEnvelope) -> None:
        self._operations = operations
        self._envelope = envelope

    def clear(self) -> tuple[Move, ...]:
        """Return the moves that begin with a clean auxiliary supply, its output off."""
        clear = (Send("aux", "clear"),) if "clear" in self._operations else ()
        return (*clear, *cuts("aux"))

    def on(self, command: EnableOn) -> tuple[Move, ...]:
        """Return the moves that set it and switch it on; ``CommandRefused`` outside its bounds."""
        bounds = {"voltage": self._envelope.aux_voltage_v, "current": self._envelope.aux_current_a}
        settings = {
            "voltage_protection": bounds["voltage"],
            "current_protection": bounds["current"],
            "current_limit": command.current_limit_a,
            "voltage": command.voltage_v,
        }
        moves: list[Move] = [*self.clear()]
        for quantity, value in settings.items():
            if quantity.endswith("_protection") and f"set_{quantity}" not in self._operations:
                continue
            bound, unit = bounds[quantity.partition("_")[0]], SETTINGS["aux"][quantity]
            if not (math.isfinite(value) and 0 < value <= bound):
                raise CommandRefused(
                    f"an auxiliary {quantity.replace('_', ' ')} of {value} {unit} is outside its "
                    f"envelope (above 0 to {bound} {unit})",
                    where="keeper",
                )
            moves.append(Send("aux", f"set_{quantity}", value))
            if f"{quantity}_setting" in self._operations:
                tolerance = READBACK_FRAC * value
                moves.append(
                    Confirm("aux", f"{quantity}_setting", value, tolerance, f"set_{quantity}")
                )
        return (
            *moves,
            Check("aux", "errors"),
            Send("aux", "output_on"),
            Confirm("aux", "output_state", expected=True),
        )

    def off(self) -> tuple[Move, ...]:
        """Return the moves that switch its output off."""
        return cuts("aux")

    def judge(self, voltage_v: float, current_a: float) -> Finding | None:
        """Hold a reading against its envelope; what is outside, and how far, or None."""
        return beyond(
            (voltage_v, current_a),
            (self._envelope.aux_voltage_v, self._envelope.aux_current_a),
            by=" at the auxiliary supply",
            whose="its envelope",
        )


class RelayMoves:
    """The relay that pulls an enable input; it has no settings."""

    def __init__(self, operations: frozenset[str]) -> None:
        self._operations = operations

    def clear(self) -> tuple[Move, ...]:
        """Return the moves that begin with a clean relay, its contact open."""
        clear = (Send("enable_switch", "clear"),) if "clear" in self._operations else ()
        return (*clear, *cuts("enable_switch"))

    def on(self, _: EnableOn) -> tuple[Move, ...]:
        """Return the moves that close its contact."""
        return (
            Send("enable_switch", "contact_close"),
            Confirm("enable_switch", "contact_state", expected=True),
        )

    def off(self) -> tuple[Move, ...]:
        """Return the moves that open its contact."""
        return cuts("enable_switch")


class Pins:
    """What of a bench may drive an enable input, and when the auxiliary supply is read next."""

    def __init__(
        self, operations: Mapping[str, frozenset[str]], envelope: OperatingEnvelope
    ) -> None:
        """``operations`` are those of the dialect of each role there is."""
        self._moves: dict[str, AuxMoves | RelayMoves] = {}
        if "aux" in operations:
            self._moves["aux"] = AuxMoves(operations["aux"], envelope)
        if "enable_switch" in operations:
            self._moves["enable_switch"] = RelayMoves(operations["enable_switch"])
        self._due_s = math.inf

    @property
    def roles(self) -> frozenset[str]:
        """The roles there are."""
        return frozenset(self._moves)

    def clear(self) -> tuple[Move, ...]:
        """Return the moves that begin with nothing driven."""
        return tuple(move for each in self._moves.values() for move in each.clear())

    def take(self, command: EnableOn | EnableOff) -> tuple[Move, ...]:
        """Return the moves of a command; ``CommandRefused`` where it may not be."""
        if isinstance(command, EnableOff):
            self.rest()
            return tuple(move for each in self._moves.values() for move in each.off())
        if command.by not in self._moves:
            name = command.by.replace("_", " ")
            raise CommandRefused(f"there is no {name} on this bench", where="keeper")
        moves = self._moves[command.by].on(command)
        if command.by == "aux":
            self._due_s = -math.inf
        return moves

    def rest(self) -> None:
        """Read the auxiliary supply no more until it is told to come on."""
        self._due_s = math.inf

    def is_due(self, now_s: float) -> bool:
        """Whether the auxiliary supply is to be read now."""
        return now_s >= self._due_s

    def judge(self, voltage_v: float, current_a: float, now_s: float) -> Finding | None:
        """Hold a reading of the auxiliary supply against its envelope; what is outside, or None."""
        if self._due_s < math.inf:
            self._due_s = now_s + AUX_EVERY_S
        aux = self._moves.get("aux")
        return aux.judge(voltage_v, current_a) if isinstance(aux, AuxMoves) else None
