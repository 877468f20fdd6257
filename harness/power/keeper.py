"""The keeper: owns power, and gives it up at the first doubt.

A pure state machine: commands, samples and failures in; moves for the wire out. It knows no link,
no clock and no thread, so every rule can be tested as a table. Whoever has the links carries the
moves out (:mod:`harness.power.local_keeper`).

States and the commands they take::

    OFF      Arm -> ARMED
    ARMED    SwitchOn -> LIVE, Set, Watch
    LIVE     Set, Watch, SetLoad, LoadOff, EnableOn, EnableOff, SetVoltageProtection
    any      SwitchOff -> OFF (TRIPPED stays TRIPPED)
    TRIPPED  nothing else, ever
"""

from __future__ import annotations

from collections.abc import Mapping
from types import MappingProxyType

from harness.bench.sample import Account, SupplySample
from harness.errors import CommandRefused
from harness.power.commands import (
    ALLOWED,
    CLIENT_SILENCE_S,
    Arm,
    Command,
    EnableOff,
    EnableOn,
    KeeperState,
    LoadOff,
    Set,
    SetLoad,
    SetVoltageProtection,
    SwitchOff,
    SwitchOn,
    Watch,
)
from harness.power.envelope import OperatingEnvelope, beyond
from harness.power.failures import failure_reason
from harness.power.hand_moves import METER, HandMoves
from harness.power.inrush_monitor import LevelWatch, ReverseWatch
from harness.power.moves import Confirm, LoadMoves, Move, Questions
from harness.power.pin_moves import PIN_FAULT, Pins
from harness.power.supply_moves import SupplyMoves
from harness.power.trip import Trip, TripReason
from harness.power.way_off import CONTACT_FAULT, WayOff
from harness.profile.level import Level
from harness.quantity import format_quantity

#: What is told of a contact that is not seen to open, by its role.
_FAULTS = {"switch": CONTACT_FAULT, "enable_switch": PIN_FAULT}


class Keeper:
    """The state machine.

    ``supply`` and ``switch`` name the operations that the dialect of each has, none where the bench
    has no such instrument; ``loads`` those of each load, by its key on the bench; ``pins`` those of
    what may drive an enable input, by its role. Where the supply is set ``by_hand``, samples are
    the power meter's.
    """

    def __init__(
        self,
        envelope: OperatingEnvelope,
        *,
        supply: frozenset[str],
        loads: Mapping[str, frozenset[str]] = MappingProxyType({}),
        switch: frozenset[str] = frozenset(),
        pins: Mapping[str, frozenset[str]] = MappingProxyType({}),
        by_hand: bool = False,
    ) -> None:
        self._bounds = (envelope.voltage_v, envelope.current_a, envelope.power_w)
        self._hand = HandMoves(envelope, switch) if by_hand else None
        self._source = self._hand or SupplyMoves(envelope, supply, switch)
        self._loads = {key: LoadMoves(key, known, envelope) for key, known in loads.items()}
        self._pins = Pins(pins, envelope)
        then: dict[str, tuple[Move, ...]] = {key: load.off() for key, load in self._loads.items()}
        if self._hand is not None:  # measured before all else that is not told to cut
            then = {METER: (self._hand.off(),), **then}
        cutting = ([] if by_hand else ["supply"]) + (["switch"] if switch else [])
        # a load must not draw on while a person is waited for who turns down
        told = self._loads.values() if by_hand and not switch else ()
        early = tuple(load.off()[0] for load in told)
        self._way_off = WayOff(*cutting, *self._pins.roles, then=then, early=early)
        self._watch: LevelWatch | None = None
        self._lifted = False  # a boost stage has lifted the bulk capacitor since power came on ...
        self._spent_j = 0.0  # ... and what it took, lifted or not
        self._reverse = ReverseWatch(envelope)
        self._questions = Questions()
        self._bit_doubted = False
        self._was_live = False  # whether power was on when switching off began
        self.state = KeeperState.OFF
        self.trip: Trip | None = None  # the first; it never changes afterwards
        self.contact_fault = ""  # what of the contacts, in the feed and at a pin, is not known open
        self.account: Account | None = None  # of the level's allowance, at the last sample
        self.bit_is_wrong = False  # the status told of a protection that tripped while all was on

    @property
    def contact_closed_in(self) -> KeeperState:
        """The state from which on the contact in the feed is closed."""
        return KeeperState.ARMED if self._hand is None else KeeperState.LIVE

    @property
    def switching_off(self) -> bool:
        """Whether switching off has begun, and is neither confirmed yet nor given up."""
        return self._way_off.under_way

    @property
    def unconfirmed(self) -> bool:
        """Whether what cuts power was told in vain: a supply's output, or of a hand the contact."""
        return bool(self.left_on)

    @property
    def left_on(self) -> tuple[str, ...]:
        """What was told in vain to cut power, or shows that it is not cut, by role.

        What a hand sets is off where the contact says so and the power meter reads nothing.
        """
        cuts = ("supply", "aux") if self._hand is None else ("switch", METER, "aux")
        return tuple(role for role in cuts if role in self._way_off.given_up)

    # --- in: commands

    def command(self, command: Command, now_s: float) -> tuple[Move, ...]:
        """Take a command; returns what to put on the wire, in order.

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
        match command:
            case Arm():
                self._questions.clear()
                return self._arm(command)
            case SwitchOn():
                self.state = KeeperState.LIVE  # before the message: from here on it may be on
                self._reverse.switch_on()
                return self._source.on()
            case Set(quantity, value):
                moves = self._source.set(quantity, value)
                self._note_setting(quantity, value)
                return moves
            case SetVoltageProtection(voltage_v):
                return self._source.protect(voltage_v)
            case Watch(level):
                self._watch_level(level)
                return ()
            case SetLoad():
                return self._load(command.load).set(command)
            case LoadOff():
                return self._loads_off()
            case EnableOn() | EnableOff():
                return self._pins.take(command)
            case SwitchOff():
                return self._switch_off()

    def _loads_off(self) -> tuple[Move, ...]:
        return tuple(move for load in self._loads.values() for move in load.off())

    def _watch_level(self, level: Level | None) -> None:
        if self._watch is not None:
            self._lifted, self._spent_j = self._watch.lifted, self._watch.spent_j
        self._watch = None
        if level is not None:
            self._watch = LevelWatch(level, lifted=self._lifted, spent_j=self._spent_j)
        if level is not None and self._hand is not None:
            self._hand.watch(level)
        self.account = None

    def _load(self, key: str) -> LoadMoves:
        if key not in self._loads:
            raise CommandRefused(f"there is no {key} on this bench", where="keeper")
        return self._loads[key]

    # --- in: what came of it

    def sample(self, sample: SupplySample) -> tuple[Move, ...]:
        """Judge a sample of the supply: envelope, protection, direction, then the level's watch.

        Returns nothing while all is well, a question where the status contradicts the readings,
        else the moves that cut power, output off first.
        """
        if self.state is not KeeperState.LIVE:
            return ()
        over = beyond((sample.voltage_v, sample.current_a, sample.power_w), self._bounds)
        if over is not None:
            return self.cut(*over, sample.time_s)
        doubt: tuple[Move, ...] = ()
        if sample.protection and not self.bit_is_wrong:
            doubt = self._weigh_protection(sample)
            if self.trip is not None:
                return doubt
        else:
            self._bit_doubted = False
        finding = self._reverse.add(sample)
        if finding is None and self._hand is not None:
            finding = self._hand.look(sample)
        if finding is None and self._watch is not None:
            finding = self._watch.add(sample)
            self.account = self._watch.account
        return doubt if finding is None else self.cut(*finding, sample.time_s)

    def _weigh_protection(self, sample: SupplySample) -> tuple[Move, ...]:
        """Weigh a status that tells of a protection that tripped against what is read.

        With nothing left at the output it is believed. Else the output's state is asked at once:
        where that is on, and current still flows at the next sample, the bit is another's, and it
        is not looked at any more in this run.
        """
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

    def aux_is_due(self, now_s: float) -> bool:
        """Whether the auxiliary supply is to be read before the next sample."""
        return self.state is KeeperState.LIVE and self._pins.is_due(now_s)

    def aux(self, voltage_v: float, current_a: float, now_s: float) -> tuple[Move, ...]:
        """Judge a reading of the auxiliary supply; returns the moves that cut power, if any."""
        if self.state is not KeeperState.LIVE:
            return ()
        finding = self._pins.judge(voltage_v, current_a, now_s)
        return () if finding is None else self.cut(*finding, now_s)

    def due(self, now_s: float) -> Move | None:
        """Return the question to put before the next sample: none as a rule, never two.

        Out of the rise of a level, which wants its samples close together: a level begins with
        commands, and the time counts from them.
        """
        return self._questions.due(now_s) if self.state is KeeperState.LIVE else None

    def failed(self, move: Move | None, error: Exception, now_s: float) -> tuple[Move, ...]:
        """Judge a move or a sample (None) that could not be carried out.

        Returns the moves to go on with: those that cut power, or the next try of them.
        """
        if self.switching_off:
            return self._off_failed(move, error, now_s)
        reason = failure_reason(error, move)
        if reason is TripReason.OUTPUT_DROPPED and self._bit_doubted:
            reason = TripReason.PROTECTION
        return self.cut(reason, str(error), now_s)

    def tick(self, now_s: float, silent_s: float) -> tuple[Move, ...]:
        """Cut power when the client has been silent for too long; any message ends a silence."""
        if self.state is not KeeperState.LIVE or silent_s <= CLIENT_SILENCE_S:
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
        """Note that a move was carried out."""
        self._way_off.done(move)

    # --- out

    def _arm(self, arm: Arm) -> tuple[Move, ...]:
        """Order of energising, safety rule 2, all but the last step."""
        clear = self._source.clear(look_at_protection=not self.bit_is_wrong)
        loads = (move for load in self._loads.values() for move in load.clear())
        moves = (*clear, *loads, *self._pins.clear(), *self._source.prepare(arm))
        self._note_setting("current_limit", arm.current_limit_a)
        self._note_setting("voltage", arm.voltage_v)
        self.state = KeeperState.ARMED
        return moves

    def _note_setting(self, quantity: str, value: float) -> None:
        """Note what is set from now on."""
        if quantity == "voltage":
            self._reverse.set_voltage(value)
        elif quantity == "current_limit":
            self._reverse.set_limit(value)

    def _switch_off(self) -> tuple[Move, ...]:
        self._was_live = self.state is KeeperState.LIVE
        if self.state is not KeeperState.TRIPPED:
            self.state = KeeperState.OFF
        self._watch, self._lifted, self._spent_j = None, False, 0.0
        self._pins.rest()
        self.contact_fault = ""  # it is tried again
        return self._way_off.begin()

    def _off_failed(self, move: Move | None, error: Exception, now_s: float) -> tuple[Move, ...]:
        """Go on switching off; a contact that is not seen to open is a trip of its own."""
        moves = self._way_off.failed(move)
        faults = [
            told
            for role, told in _FAULTS.items()
            if role in self._way_off.given_up and told not in self.contact_fault
        ]
        if faults:
            before = f"{self.contact_fault}; " if self.contact_fault else ""
            self.contact_fault = f"{before}{'; '.join(faults)}: {error}"
            if self.trip is None:
                self.trip = Trip(
                    reason=failure_reason(error, move),
                    detail=self.contact_fault,
                    time_s=now_s,
                    live=self._was_live,
                )
            self.state = KeeperState.TRIPPED
        return moves
