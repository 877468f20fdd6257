"""What the keeper puts on the wire for the load: settings inside their bounds, and off."""

from __future__ import annotations

import math

from harness.errors import CommandRefused
from harness.power.commands import SetLoad
from harness.power.moves import CheckErrors, Confirm, Move, Send
from harness.profile.measures import SETTINGS

__all__ = ["LoadMoves"]


class LoadMoves:
    """Moves for one load; without one there are none.

    Args:
        operations: Operations the load's dialect has; empty where there is no load.
        most_a: Largest current that may be set.
        most_w: Largest power that may be set.
        least_ohm: Smallest resistance that may be set.
        readback_frac: Share a setting read back may differ by.

    Attributes:
        on: Whether its input is, or may be, on.
    """

    def __init__(
        self,
        operations: frozenset[str],
        *,
        most_a: float,
        most_w: float,
        least_ohm: float,
        readback_frac: float,
    ) -> None:
        self._operations = operations
        self._bounds = {"current": (0.0, most_a), "power": (0.0, most_w)}
        self._bounds["resistance"] = (least_ohm, math.inf)
        self._readback_frac = readback_frac
        self._mode = ""
        self.on = False

    def __bool__(self) -> bool:
        """Whether there is a load."""
        return bool(self._operations)

    def clear(self) -> tuple[Move, ...]:
        """Return the moves that begin with a clean and switched-off load."""
        clear = (Send("load", "clear"),) if "clear" in self._operations else ()
        return (*clear, *self.off()) if self else ()

    def set(self, command: SetLoad) -> tuple[Move, ...]:
        """Return the moves that set the load and switch its input on.

        Raises:
            CommandRefused: The load cannot be told so, or may not.
        """
        mode, value = command.mode, command.value
        self._inside(command)
        moves: list[Move] = []
        if self._mode not in ("", mode):
            # What stands in the register of another function is nobody's setting of this run.
            moves += self.off()
        if f"set_constant_{mode}" in self._operations:
            moves.append(Send("load", f"set_constant_{mode}"))
        self._mode = mode
        self.on = True
        tolerance = self._readback_frac * value + 1e-3
        return (
            *moves,
            Send("load", f"set_{mode}", value),
            Confirm("load", f"{mode}_setting", value, tolerance, f"set_{mode}"),
            Send("load", "input_on"),
            Confirm("load", "input_state", expected=True),
            *([CheckErrors("load")] if "error" in self._operations else []),
        )

    def off(self) -> tuple[Move, ...]:
        """Return the moves that switch its input off."""
        if not self:
            return ()
        self.on = False
        return (Send("load", "input_off"), Confirm("load", "input_state", expected=False))

    def _inside(self, command: SetLoad) -> None:
        """Refuse what the load cannot be told, or may not be."""
        mode, value = command.mode, command.value
        if not self:
            raise CommandRefused("there is no load on this bench", where="keeper")
        if f"set_{mode}" not in self._operations:
            raise CommandRefused(f"the load's dialect has no set_{mode}", where="keeper")
        least, most = self._bounds[mode]
        if not (math.isfinite(value) and least <= value <= most):
            unit = SETTINGS["load"][mode]
            raise CommandRefused(
                f"a load {mode} of {value} {unit} is outside the envelope "
                f"({least} to {most} {unit})",
                where="keeper",
            )
