"""The keeper: owns power, and gives it up at the first doubt.

A pure state machine: commands, samples and failures in; moves for the wire out. It knows no link,
no clock and no thread. :mod:`harness.power.local_keeper` carries the moves out.

States and the commands they take::

    OFF      Arm -> ARMED
    ARMED    SwitchOn -> LIVE, SetVoltage, SetCurrentLimit, SetFrequency, Watch
    LIVE     SetVoltage, SetCurrentLimit, SetFrequency, SetVoltageProtection, Watch,
             SetLoad, LoadOff
    any      SwitchOff -> OFF; TRIPPED takes nothing else and stays
"""

from __future__ import annotations

import math

from harness.bench.sample import SupplySample
from harness.errors import (
    CommandRefused,
    LinkError,
    LinkTimeout,
    NoReading,
    ReportedError,
    Unwatched,
)
from harness.power.commands import (
    ALLOWED,
    Arm,
    Command,
    KeeperState,
    LoadOff,
    SetCurrentLimit,
    SetFrequency,
    SetLoad,
    SetVoltage,
    SetVoltageProtection,
    SwitchOff,
    SwitchOn,
    Watch,
)
from harness.power.inrush_monitor import LevelWatch, ReverseWatch
from harness.power.load_moves import LoadMoves
from harness.power.moves import CheckErrors, CheckInSync, CheckProtection, Confirm, Move, Send
from harness.power.operating_envelope import OperatingEnvelope
from harness.power.questions import Questions
from harness.power.trip import Trip, TripReason
from harness.quantity import format_quantity

__all__ = ["Keeper", "failure_reason"]


class Keeper:
    """The state machine.

    Args:
        limits: The hard bounds.
        supply: Operations the supply's dialect has.
        load: Operations the load's dialect has; empty where there is none.

    Attributes:
        state: Where power stands.
        trip: The first trip, or None; it never changes afterwards.
        unconfirmed: Whether switching off was tried in vain.
        bit_is_wrong: Whether the status told of a protection that tripped while all was on.
        switching_off: Whether it has begun and is not confirmed yet.
    """

    def __init__(
        self,
        limits: OperatingEnvelope,
        *,
        supply: frozenset[str],
        load: frozenset[str] = frozenset(),
    ) -> None:
        self._limits = limits
        self._supply = supply
        self._load = LoadMoves(
            load,
            most_a=limits.load_current_a,
            most_w=limits.load_power_w,
            least_ohm=limits.load_least_ohm,
            readback_frac=limits.readback_frac,
        )
        self._watch: LevelWatch | None = None
        self._reverse = ReverseWatch(
            voltage_v=limits.voltage_v,
            voltage_error_v=limits.voltage_error_v,
            current_error_a=limits.current_error_a,
            power_error_w=limits.power_error_w,
        )
        self._questions = Questions(limits.asked_s)
        self.switching_off = False
        self._offs_left = 0
        self.state = KeeperState.OFF
        self.trip: Trip | None = None
        self.unconfirmed = False
        self.bit_is_wrong = False
        self._bit_doubted = False

    # --- in: commands

    def command(self, command: Command, now_s: float) -> tuple[Move, ...]:
        """Take a command.

        Returns:
            What to put on the wire, in order.

        Raises:
            CommandRefused: It does not belong in this state, or would leave the envelope; then
                nothing goes on the wire.
        """
        kind = type(command)
        if self.state not in ALLOWED[kind]:
            raise CommandRefused(
                f"{kind.__name__} is not taken while power is {self.state.value}", where="keeper"
            )
        moves = self._moves(command)
        self._questions.told(moves, now_s)
        return moves

    def _moves(self, command: Command) -> tuple[Move, ...]:
        """Return what a command puts on the wire, and change state."""
        match command:
            case Arm():
                self._questions.clear()
                return self._arm(command)
            case SwitchOn():
                self.state = KeeperState.LIVE  # before the message: from here on it may be on
                self._reverse.switch_on()
                return (
                    Send("supply", "output_on"),
                    Confirm("supply", "output_state", expected=True),
                )
            case SetVoltage() | SetCurrentLimit() | SetFrequency():
                return (*self._setting(command), CheckErrors("supply"))
            case SetVoltageProtection(voltage_v):  # what it reports of tripping is no error of ours
                self._inside("voltage protection", voltage_v, self._limits.voltage_v, "V")
                self._needs("set_voltage_protection")
                return tuple(
                    self._set("set_voltage_protection", "voltage_protection_setting", voltage_v)
                )
            case Watch(level):
                self._watch = None if level is None else LevelWatch(level)
                return ()
            case SetLoad():
                return self._load.set(command)
            case LoadOff():
                return self._load.off()
            case SwitchOff():
                return self._switch_off()

    # --- in: what came of it

    def sample(self, sample: SupplySample) -> tuple[Move, ...]:
        """Judge a sample of the supply: envelope, protection, direction, then the level's watch.

        Returns:
            Nothing while all is well; a question where the status contradicts the readings; else
            the moves that cut power, output off first.
        """
        if self.state is not KeeperState.LIVE:
            return ()
        limits = self._limits
        # Written so that a value that is no number fails the comparison and trips.
        if not abs(sample.voltage_v) <= limits.voltage_v:
            return self._over(TripReason.OVER_VOLTAGE, sample, sample.voltage_v, "V")
        if not abs(sample.current_a) <= limits.current_a:
            return self._over(TripReason.OVER_CURRENT, sample, sample.current_a, "A")
        if not abs(sample.power_w) <= limits.power_w:
            return self._over(TripReason.OVER_POWER, sample, sample.power_w, "W")
        doubt = self._protected(sample)
        if self.trip is not None:
            return doubt
        finding = self._reverse.add(sample)
        if finding is None and self._watch is not None:
            finding = self._watch.add(sample)
        return doubt if finding is None else self.cut(*finding, sample.time_s)

    def _protected(self, sample: SupplySample) -> tuple[Move, ...]:
        """Weigh a status that tells of a protection that tripped against what is read.

        With nothing left at the output it is believed. Else the output's state is asked at once:
        where that is on, and current still flows at the next sample, the bit is another's, and it
        is not looked at any more in this run.
        """
        if not sample.protection or self.bit_is_wrong:
            self._bit_doubted = False
            return ()
        if not (self._reverse.flows(sample) or self._reverse.stands(sample)):
            return self.cut(
                TripReason.PROTECTION,
                f"at {format_quantity(sample.voltage_v, 'V')}, "
                f"{format_quantity(sample.current_a, 'A')}",
                sample.time_s,
            )
        if self._bit_doubted:
            self.bit_is_wrong = self._reverse.flows(sample)
            return ()
        self._bit_doubted = True
        return (Confirm("supply", "output_state", expected=True),)

    def due(self, now_s: float) -> Move | None:
        """Return the question to put before the next sample: none as a rule, never two.

        Out of the rise of a level, which wants its samples close together: a level begins with
        commands, and the time counts from them.
        """
        return self._questions.due(now_s) if self.state is KeeperState.LIVE else None

    def failed(self, move: Move | None, error: Exception, now_s: float) -> tuple[Move, ...]:
        """Judge a move or a sample (None) that could not be carried out.

        Returns:
            The moves to go on with: those that cut power, or the next try of them.
        """
        if self.switching_off:
            return self._off_failed(move)
        reason = failure_reason(error, move)
        if reason is TripReason.OUTPUT_DROPPED and self._bit_doubted:
            reason = TripReason.PROTECTION
        return self.cut(reason, str(error), now_s)

    def tick(self, now_s: float, silent_s: float) -> tuple[Move, ...]:
        """Look at the time: cut power when the client has been silent for too long.

        Args:
            now_s: The time.
            silent_s: Time since its last sign of life; any message is one.
        """
        if self.state is not KeeperState.LIVE or silent_s <= self._limits.silence_s:
            return ()
        return self.cut(TripReason.CLIENT_SILENT, f"for {format_quantity(silent_s, 's', 3)}", now_s)

    def cut(self, reason: TripReason, detail: str, now_s: float) -> tuple[Move, ...]:
        """Cut power; the first reason is kept."""
        if self.trip is None:
            live = self.state is KeeperState.LIVE
            self.trip = Trip(reason=reason, detail=detail, time_s=now_s, live=live)
        self.state = KeeperState.TRIPPED
        return self._switch_off()

    def done(self, move: Move) -> None:
        """Note that a move was carried out; the last one of switching off ends that."""
        if move == self._last_off_move:
            self.switching_off = False

    # --- out

    def _arm(self, arm: Arm) -> tuple[Move, ...]:
        """Order of energising, safety rule 2, all but the last step."""
        moves: list[Move] = [
            Send("supply", "clear"),
            Send("supply", "output_off"),
            Confirm("supply", "output_state", expected=False),
            *(() if self.bit_is_wrong else (CheckProtection("supply"),)),
        ]
        moves += self._load.clear()
        for kind, value in self._protections():
            if f"set_{kind}" in self._supply:
                moves += self._set(f"set_{kind}", f"{kind}_setting", value)
        if arm.frequency_hz is not None:
            moves += self._frequency(arm.frequency_hz)
        moves += self._current_limit(arm.current_limit_a)
        moves += self._voltage(arm.voltage_v)
        moves.append(CheckErrors("supply"))
        self.state = KeeperState.ARMED
        return tuple(moves)

    def _protections(self) -> tuple[tuple[str, float], ...]:
        """The instrument's own last walls: armed and read back where its dialect has them."""
        limits = self._limits
        return (
            ("voltage_protection", limits.voltage_v),
            ("current_protection", limits.current_a),
            ("watchdog", limits.watchdog_s),
        )

    def _set(self, operation: str, readback: str, value: float) -> list[Move]:
        moves: list[Move] = [Send("supply", operation, value)]
        if readback in self._supply:
            tolerance = self._limits.readback_frac * abs(value)
            moves.append(Confirm("supply", readback, value, tolerance, operation))
        return moves

    def _setting(self, command: SetVoltage | SetCurrentLimit | SetFrequency) -> list[Move]:
        match command:
            case SetVoltage(voltage_v):
                return self._voltage(voltage_v)
            case SetCurrentLimit(current_limit_a):
                return self._current_limit(current_limit_a)
            case SetFrequency(frequency_hz):
                return self._frequency(frequency_hz)

    def _voltage(self, voltage_v: float) -> list[Move]:
        self._inside("voltage", voltage_v, self._limits.voltage_v, "V")
        self._reverse.set_voltage(voltage_v)
        return self._set("set_voltage", "voltage_setting", voltage_v)

    def _current_limit(self, current_a: float) -> list[Move]:
        self._inside("current limit", current_a, self._limits.current_a, "A")
        self._reverse.set_limit(current_a)
        return self._set("set_current_limit", "current_limit_setting", current_a)

    def _frequency(self, frequency_hz: float) -> list[Move]:
        if frequency_hz not in self._limits.frequencies_hz:
            raise CommandRefused(
                f"a frequency of {frequency_hz} Hz is not on the nameplate", where="keeper"
            )
        return self._set("set_frequency", "frequency_setting", frequency_hz)

    def _switch_off(self) -> tuple[Move, ...]:
        """Supply off is the very next message; only then the load (safety rules 4 and 8)."""
        if self.state is not KeeperState.TRIPPED:
            self.state = KeeperState.OFF
        self._watch = None
        self.switching_off = True
        self.unconfirmed = False  # tried anew
        self._offs_left = self._limits.off_attempts
        return (
            Send("supply", "output_off"),
            Confirm("supply", "output_state", expected=False),
            *self._load.off(),
        )

    @property
    def _last_off_move(self) -> Move:
        if self._load:
            return Confirm("load", "input_state", expected=False)
        return Confirm("supply", "output_state", expected=False)

    def _off_failed(self, move: Move | None) -> tuple[Move, ...]:
        """Try again: the supply until it is confirmed or given up, and always the load."""
        self._offs_left -= 1
        on_load = move is not None and move.role == "load"
        if on_load:
            return self._load.off() if self._offs_left > 0 else ()
        if self._offs_left > 0:
            return (
                Send("supply", "output_off"),
                Confirm("supply", "output_state", expected=False),
                *self._load.off(),
            )
        if self.unconfirmed:
            return ()
        self.unconfirmed = True
        self._offs_left = self._limits.off_attempts
        return self._load.off()

    def _over(
        self, reason: TripReason, sample: SupplySample, value: float, unit: str
    ) -> tuple[Move, ...]:
        bound = {
            "V": self._limits.voltage_v,
            "A": self._limits.current_a,
            "W": self._limits.power_w,
        }[unit]
        return self.cut(
            reason,
            f"{format_quantity(value, unit)} read, {format_quantity(bound, unit)} is the envelope",
            sample.time_s,
        )

    def _needs(self, operation: str) -> None:
        if operation not in self._supply:
            raise CommandRefused(f"the supply's dialect has no {operation}", where="keeper")

    def _inside(self, name: str, value: float, bound: float, unit: str) -> None:
        if not math.isfinite(value) or not 0 <= value <= bound:
            raise CommandRefused(
                f"a {name} of {value} {unit} is outside the envelope (0 to {bound} {unit})",
                where="keeper",
            )


#: Reason to cut power by the kind of failure, most specific first.
_REASONS: tuple[tuple[type[Exception], TripReason], ...] = (
    (LinkTimeout, TripReason.INSTRUMENT_SILENT),
    (LinkError, TripReason.LINK_LOST),
    (NoReading, TripReason.NO_READING),
    (ReportedError, TripReason.INSTRUMENT_ERROR),
    (Unwatched, TripReason.UNWATCHED),
)


def failure_reason(error: Exception, move: Move | None = None) -> TripReason:
    """Return the reason to cut power for a move, or a reading (None), that failed."""
    for kind, reason in _REASONS:
        if isinstance(error, kind):
            return reason
    if isinstance(move, CheckInSync):
        return TripReason.OUT_OF_STEP
    if isinstance(move, CheckProtection):
        return TripReason.PROTECTION
    if not isinstance(move, Confirm):
        return TripReason.NO_READING
    if move.operation == "output_state" and move.expected:
        return TripReason.OUTPUT_DROPPED
    return TripReason.SETTING_CHANGED if move.kept else TripReason.READBACK
