"""The keeper between the engine and the wire, in this process: carries its moves out."""

from __future__ import annotations

import contextlib
from collections import deque
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from typing import NoReturn

from harness.bench.clock import Clock
from harness.bench.roles import Instrument
from harness.bench.sample import SupplySample
from harness.errors import (
    CommandRefused,
    InstrumentError,
    LinkError,
    PowerOffUnconfirmed,
)
from harness.power import on_the_wire
from harness.power.commands import Command, KeeperState, Set, SwitchOff
from harness.power.dip import Dip, DipRecord, Meanwhile, carry_out
from harness.power.keeper import Keeper
from harness.power.moves import Check, Move
from harness.power.pin_moves import AUX_LEFT_ON, AUX_OFF
from harness.power.port import OnEvent, OnSample
from harness.power.power_times import PowerTimes, Span
from harness.power.trip import Trip, Tripped, TripReason
from harness.power.way_off import CONTACT_CLOSED, CONTACT_FAULT, CONTACT_OPEN, at_once
from harness.quantity import format_quantity
from harness.record.events import EventKind

#: Pause between two tries of switching off: a relay takes a moment, a link too.
_RETRY_S = 0.02


@dataclass(eq=False)
class LocalKeeper:
    """Puts the keeper between the engine and the wire; fulfils :class:`harness.power.port.Power`.

    It owns supply, load and switch; the engine is told of changes and samples after the keeper has
    acted.
    """

    _keeper: Keeper
    _instruments: Mapping[str, Instrument]  # by role
    _clock: Clock
    _on_event: OnEvent
    _on_sample: OnSample
    _fed_by: str = "supply"  # what reads the feed; where a hand sets it, the power meter
    _noted: KeeperState = KeeperState.OFF  # told in the last event
    _bit_told: bool = False
    _aux_was_read: bool = False  # before the last sample
    _times: PowerTimes = field(default_factory=PowerTimes)
    #: Who wants power off, in words, where that is said past the engine; asked while it cannot be.
    off_wanted: Callable[[], str] = lambda: ""
    #: For how long the engine has given no sign of life; nobody can fall silent in this process.
    silent_s: Callable[[], float] = lambda: 0.0

    @property
    def live(self) -> bool:
        """Whether the output is, or may be, on."""
        return self._keeper.state is KeeperState.LIVE

    @property
    def trip(self) -> Trip | None:
        """What cut power, if anything has."""
        return self._keeper.trip

    def command(self, command: Command) -> None:
        """Carry a command out."""
        self._perform(self._keeper.command(command, self._clock.now_s()))
        self._raise_trouble()

    @property
    def clock(self) -> Clock:
        """The run's clock."""
        return self._clock

    def dip(self, dip: Dip, meanwhile: Meanwhile | None = None) -> DipRecord:
        """Drop the input for a stated time, and bring it back."""
        return carry_out(self, dip, meanwhile)

    def off_time(self) -> tuple[Span, Span] | None:
        """Return when power last went off, and when it came back."""
        return self._times.off

    def set_quickly(self, command: Set) -> tuple[float, float]:
        """Set the supply without a look at what it reports; return from when to when it took."""
        begin_s = self._clock.now_s()
        moves = self._keeper.command(command, begin_s)
        self._perform(tuple(move for move in moves if not isinstance(move, Check)))
        self._raise_trouble()
        return begin_s, self._clock.now_s()

    def obey_off(self) -> None:
        """Cut power where somebody has said so past the engine, or that has fallen silent."""
        who = self.off_wanted()
        if who:
            self.cut(TripReason.STOPPED, who)
        self.tick(self.silent_s())

    def look_between(self) -> None:
        """Put what is due before the next sample: one question, or a look at the auxiliary supply.

        Both take turns, so that on slow links neither keeps the other from being put.
        """
        keeper, now_s = self._keeper, self._clock.now_s()
        question = keeper.due(now_s) if self._aux_was_read else None
        self._aux_was_read = question is None and keeper.aux_is_due(now_s)
        if self._aux_was_read:
            self.read("aux", "voltage", "current")
        elif question is not None or (question := keeper.due(now_s)) is not None:
            self._perform((question,))
            self._raise_trouble()

    def sample(self) -> SupplySample:
        """Read the supply once; the keeper judges it before anybody else."""
        keeper = self._keeper
        self.look_between()
        try:
            sample = self._instruments[self._fed_by].sample()
        except InstrumentError as error:
            self._cut_after(error, self._instruments[self._fed_by])
        moves = keeper.sample(sample)
        if moves:
            self._perform(moves)
        if sample.protection and keeper.bit_is_wrong:
            sample = self._without_bit(sample)
        if keeper.account is not None:
            sample = sample._replace(account=keeper.account)
        self._on_sample(sample)
        if keeper.trip is not None:
            raise self._trouble()
        return sample

    def _without_bit(self, sample: SupplySample) -> SupplySample:
        """Leave out the bit that contradicts the readings, and say so the first time."""
        if not self._bit_told:
            self._bit_told = True
            dialect = self._instruments[self._fed_by].dialect
            self._on_event(
                EventKind.WRONG_DIALECT,
                f"the status says that the supply's protection has switched its output off, which "
                f"is on with {format_quantity(sample.voltage_v, 'V', 3)} and "
                f"{format_quantity(sample.current_a, 'A', 3)}: the bit is not looked at any more "
                f"in this run. In the dialect {dialect.name!r} look the line "
                f"'{dialect.protection_line}' up in the manual, or leave it out",
            )
        return sample._replace(protection=False)

    def read(self, role: str, *quantities: str) -> dict[str, float]:
        """Read what the keeper owns once; with power on or to come, a failure cuts it.

        So does a reading of the auxiliary supply outside its envelope.
        """
        instrument = self._instruments.get(role)
        if instrument is None:
            raise CommandRefused(f"there is no {role} on this bench", where="keeper")
        try:
            values = instrument.read(*quantities)
        except InstrumentError as error:
            if self._keeper.state in {KeeperState.OFF, KeeperState.TRIPPED}:
                raise
            self._cut_after(error, instrument)
        if role == "aux":
            now_s = self._clock.now_s()
            self._perform(self._keeper.aux(values["voltage"], values["current"], now_s))
            self._raise_trouble()
        return values

    def expect_silence(self, longest_s: float) -> None:
        """Nothing to announce: whoever takes the slow reading is in this process."""

    def tick(self, silent_s: float) -> None:
        """Look at the time since the engine's last sign of life; too long a silence cuts power."""
        moves = self._keeper.tick(self._clock.now_s(), silent_s)
        if moves:
            self._perform(moves)
            raise self._trouble()

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power for a reason the engine found."""
        self._perform(self._keeper.cut(reason, detail, self._clock.now_s()))
        raise self._trouble()

    def power_off(self) -> None:
        """Switch off and confirm, whatever has happened before; never raises a trip."""
        self._perform(self._keeper.command(SwitchOff(), self._clock.now_s()))
        if self._keeper.unconfirmed:
            raise self._trouble()

    # --- the wire

    def _cut_after(self, error: InstrumentError, instrument: Instrument) -> NoReturn:
        """Cut power after a failed reading."""
        moves = self._keeper.failed(None, error, self._clock.now_s())
        if isinstance(error, LinkError):
            self._freshen(moves, instrument)
        self._perform(moves)
        raise self._trouble()

    def _freshen(self, moves: Iterable[Move], instrument: Instrument) -> None:
        """Cut power at once, then open the link in doubt again, before power is cut in good order.

        Output off is the next message all the same, and the contact in the feed is told to open:
        they go out on the links as they are, in case these still carry. A confirmation over a link
        that hangs would cost a time-out with power on.
        """
        self._cut_at_once(moves, instrument)
        with contextlib.suppress(InstrumentError):  # the next move says what is wrong
            instrument.reopen()

    def _cut_at_once(self, moves: Iterable[Move], doubted: Instrument) -> None:
        """Send what takes energy from the unit, each whatever becomes of the other."""
        for move in at_once(moves):
            with contextlib.suppress(InstrumentError):
                told = self._instruments[move.role]
                told.send(move.operation, heard=told is not doubted)

    def _perform(self, moves: tuple[Move, ...]) -> None:
        """Put moves on the wire one by one; a failure replaces what was left of them."""
        queue = deque(moves)
        while queue:
            move = queue.popleft()
            try:
                self._times.begin(move, self._clock.now_s(), live=self.live)
                on_the_wire.put(move, self._instruments[move.role], self._clock, self._on_event)
            except InstrumentError as error:
                again = self._keeper.switching_off
                queue = deque(self._keeper.failed(move, error, self._clock.now_s()))
                if again and queue:
                    self._prepare_retry(move, error, queue)
                elif isinstance(error, LinkError) and queue:
                    self._freshen(queue, self._instruments[move.role])
            else:
                self._times.done(move, self._clock.now_s())
                self._keeper.done(move)
        if self._keeper.state is not self._noted:
            self._note()

    def _prepare_retry(self, move: Move, error: InstrumentError, queue: Iterable[Move]) -> None:
        """Open the link again before the next try: a broken or confused one cannot switch off.

        What else cuts power does not wait for that.
        """
        others = (left for left in queue if left.role != move.role)
        self._cut_at_once(others, self._instruments[move.role])
        self._on_event(EventKind.SWITCHING_OFF_AGAIN, str(error))
        self._clock.sleep_s(_RETRY_S)
        with contextlib.suppress(InstrumentError):  # the next move says what is wrong
            self._instruments[move.role].reopen()

    def _note(self) -> None:
        """Report a change of power, once it is on the wire."""
        before, now = self._noted, self._keeper.state
        self._noted = now
        if now is KeeperState.LIVE:
            self._on_event(EventKind.POWER_ON, "")
        if "switch" in self._instruments and now is self._keeper.contact_closed_in:
            self._on_event(EventKind.SWITCH, CONTACT_CLOSED)
        trip = self._keeper.trip
        if trip is not None and now is KeeperState.TRIPPED:
            stopped = trip.reason is TripReason.STOPPED
            kind = EventKind.STOPPED if stopped else EventKind.TRIP
            self._on_event(kind, trip.detail if stopped else str(trip))
        if now is KeeperState.TRIPPED or before is KeeperState.LIVE:
            confirmed = "unconfirmed" if self._keeper.unconfirmed else "confirmed"
            self._on_event(EventKind.POWER_OFF, confirmed)
            if self._keeper.contact_fault:
                self._on_event(EventKind.CONTACT_FAULT, self._keeper.contact_fault)
            if self._contact_is_open:
                self._on_event(EventKind.SWITCH, CONTACT_OPEN)
            if "aux" in self._instruments and "aux" not in self._keeper.left_on:
                self._on_event(EventKind.ENABLE, AUX_OFF)

    @property
    def _contact_is_open(self) -> bool:
        """Whether the contact in the feed says that it is, once switching off has ended."""
        return "switch" in self._instruments and CONTACT_FAULT not in self._keeper.contact_fault

    def _raise_trouble(self) -> None:
        """Raise what has become of power, if anything has."""
        if self._keeper.trip is not None or self._keeper.unconfirmed:
            raise self._trouble()

    def _trouble(self) -> Tripped | PowerOffUnconfirmed:
        trip = self._keeper.trip
        if self._keeper.unconfirmed:
            left_on = self._keeper.left_on
            return PowerOffUnconfirmed(
                (AUX_LEFT_ON if left_on == ("aux",) else "OUTPUT OFF COULD NOT BE CONFIRMED")
                + (f"; {AUX_LEFT_ON}" if "aux" in left_on[1:] else "")
                + (f"; {CONTACT_OPEN}" if self._contact_is_open else "")
                + (f"; {self._keeper.contact_fault}" if self._keeper.contact_fault else "")
                + (f" after {trip}" if trip else ""),
                where=self._instruments[left_on[0]].link.name,
            )
        assert trip is not None
        return Tripped(trip)
