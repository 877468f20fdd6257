"""What the keeper puts on the wire, one message each, and what it asks between its samples."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from harness.errors import CommandRefused
from harness.power.commands import READBACK_FRAC, SetLoad
from harness.power.envelope import OperatingEnvelope
from harness.profile.level import LoadMode
from harness.profile.measures import SETTINGS, role_of

#: What a setting of the load may read back off by, beside its share: its last digit.
_LOAD_DIGIT = 1e-3
#: Longest time after which what was told is asked for again.
_ASKED_S = 0.5
#: Share of it after which a question is due: what is left is for its turn.
_DUE_FRAC = 0.8


@dataclass(frozen=True, slots=True)
class Send:
    """Send an operation to an instrument."""

    role: str
    operation: str
    value: float | None = None


@dataclass(frozen=True, slots=True)
class Confirm:
    """Ask for a setting or state; anything but the expected answer is a failure."""

    role: str
    operation: str
    expected: float | bool  #: the state, or the value that was set
    tolerance: float = 0.0  #: how far a value may be off
    #: Operation that set the value: what really went on the wire is what must come back.
    set_by: str = ""
    #: Whether it was so when it was told: another answer now is a change by somebody else.
    kept: bool = False


@dataclass(frozen=True, slots=True)
class Check:
    """See to an instrument's condition; anything but a good one is a failure.

    Its error queue is empty; it still says who it is, as only another question shows that its
    readings are not those of the question before; no protection of its has tripped.
    """

    role: str
    what: Literal["errors", "identity", "protection"]


@dataclass(frozen=True, slots=True)
class Gone:
    """See that what reads the feed reads no voltage and no current any more, within a moment."""

    role: str
    voltage_v: float  # so much counts as none
    current_a: float
    by_hand: bool = False  # nothing cuts it but a person, who is told and given the time


Move = Send | Confirm | Check | Gone


class LoadMoves:
    """Settings of one load inside their bounds, and off."""

    def __init__(self, key: str, operations: frozenset[str], envelope: OperatingEnvelope) -> None:
        self._key = key
        self._operations = operations
        self._bounds = {
            "current": (0.0, envelope.load_current_a),
            "power": (0.0, envelope.load_power_w),
            "resistance": (envelope.load_least_ohm, math.inf),
            "voltage": (envelope.load_least_v, envelope.load_most_v),
        }
        self._mode = ""

    def clear(self) -> tuple[Move, ...]:
        """Return the moves that begin with a clean and switched-off load."""
        clear = (Send(self._key, "clear"),) if "clear" in self._operations else ()
        return (*clear, *self.off())

    def set(self, command: SetLoad) -> tuple[Move, ...]:
        """Return the moves that set the load and switch its input on.

        Raises ``CommandRefused`` where it cannot be told so, or may not.
        """
        mode, value = command.mode, command.value
        self._require_inside(mode, value)
        moves: list[Move] = []
        if self._mode not in ("", mode):
            # What stands in the register of another function is nobody's setting of this run.
            moves += self.off()
        self._mode = mode
        if f"set_constant_{mode}" in self._operations:
            moves.append(Send(self._key, f"set_constant_{mode}"))
        tolerance = READBACK_FRAC * value + _LOAD_DIGIT
        moves += (
            Send(self._key, f"set_{mode}", value),
            Confirm(self._key, f"{mode}_setting", value, tolerance, f"set_{mode}"),
            Send(self._key, "input_on"),
            Confirm(self._key, "input_state", expected=True),
        )
        if "error" in self._operations:
            moves.append(Check(self._key, "errors"))
        return tuple(moves)

    def off(self) -> tuple[Send, Confirm]:
        """Return the moves that switch its input off."""
        return (Send(self._key, "input_off"), Confirm(self._key, "input_state", expected=False))

    def _require_inside(self, mode: LoadMode, value: float) -> None:
        (least, most), unit = self._bounds[mode], SETTINGS["load"][mode]
        refusal = ""
        if f"set_{mode}" not in self._operations:
            refusal = f"the {self._key}'s dialect has no set_{mode}"
        elif not (math.isfinite(value) and least <= value <= most):
            span = f"{least} to {most} {unit}"
            refusal = f"a load {mode} of {value} {unit} is outside the envelope ({span})"
        if refusal:
            raise CommandRefused(refusal, where="keeper")


class Questions:
    """What the keeper asks between its samples: whether everything still stands as it was told.

    Somebody at the front panel, a second client, or the instrument itself may change a setting, and
    readings look alike when each answer belongs to the question before: only other questions show
    it. They go out one at a time, the oldest first, so that a sample never waits for more than one.
    On a link fast enough each is answered twice a second, on a slow one once in as many samples as
    there are questions.
    """

    def __init__(self) -> None:
        self.clear()

    def clear(self) -> None:
        """Ask nothing: nothing has been told yet."""
        self._asked_s: dict[Move, float] = {}
        self._next_s = math.inf

    def told(self, moves: Iterable[Move], now_s: float) -> None:
        """Note what was told: each setting and state that was confirmed is asked for again.

        What belonged to the same question before is forgotten. None is put for a while: a level
        begins with commands, and its rise wants its samples close together.
        """
        for move in moves:
            if isinstance(move, Check) and move.what == "identity":
                self._asked_s[move] = now_s
            if isinstance(move, Confirm):
                for known in [known for known in self._asked_s if _superseded(known, move)]:
                    del self._asked_s[known]
                self._asked_s[replace(move, kept=True)] = now_s
                self._asked_s.setdefault(Check(move.role, "identity"), now_s)
                self._asked_s.setdefault(Check(move.role, "errors"), now_s)
        if self._asked_s:
            self._next_s = now_s + _ASKED_S

    def due(self, now_s: float) -> Move | None:
        """Return the question to put before the next sample: none as a rule."""
        if now_s < self._next_s:
            return None
        question = min(self._asked_s, key=self._asked_s.__getitem__)
        del self._asked_s[question]  # to the end: of two of one time the first told is first
        self._asked_s[question] = now_s
        self._next_s = min(self._asked_s.values()) + _DUE_FRAC * _ASKED_S
        return question


def _superseded(known: Move, told: Confirm) -> bool:
    """Whether a question is about what has just been told otherwise."""
    if not isinstance(known, Confirm) or known.role != told.role:
        return False
    # what stands in the register of a load's other function is nobody's setting any more
    other_function = role_of(told.role) == "load" and all(
        move.operation.endswith("_setting") for move in (known, told)
    )
    return other_function or known.operation == told.operation
