"""Power in the hands of a keeper process: the engine's end of it."""

from __future__ import annotations

import contextlib
import itertools
import threading
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any, NoReturn

from harness.bench.clock import SystemClock
from harness.bench.sample import SupplySample
from harness.errors import HarnessError, LinkError, PowerOffUnconfirmed
from harness.power.attention import Lookout
from harness.power.channel import WINDOW, Answer, Call, Channel, Sign
from harness.power.commands import Command, SwitchOn
from harness.power.dip import Dip, DipRecord, Meanwhile
from harness.power.envelope import OperatingEnvelope
from harness.power.pin_moves import PIN_FAULT
from harness.power.port import OnEvent, OnSample
from harness.power.power_times import Span
from harness.power.trip import Trip, Tripped, TripReason
from harness.power.way_off import CONTACT_FAULT, CONTACT_OPEN
from harness.power.without_keeper import WithoutKeeper
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind

#: Time the process may take to start, and before power to answer.
START_S = 20.0
#: Longest silence of the keeper while power is on: the rest of a second is enough to switch off.
_SILENCE_S = 0.6
#: No sample the engine acts on is older (safety rule 4).
_OLDEST_S = 0.05
#: Longest time without one that is younger.
_BEHIND_S = 1.0
#: What an event says of power.
_SAYS_LIVE = {EventKind.POWER_ON: True, EventKind.POWER_OFF: False}


@dataclass(eq=False)
class ProcessPower:
    """Power in the hands of the keeper process; fulfils :class:`harness.power.port.Power`.

    Its samples come from the process as they are taken, and none is asked for twice. Whoever looks
    first, a thread of the channel or the one that waits, sees whether it is there: :meth:`_look`.
    """

    _file: BenchFile
    _clock: SystemClock
    _channel: Channel
    _envelope: OperatingEnvelope
    _on_event: OnEvent
    _on_sample: OnSample
    _live: bool = False
    _energised: bool = False
    _numbers: Iterator[int] = field(default_factory=lambda: itertools.count(1))
    _taken: int = 0  # samples for which no room was made again yet
    _trouble: Exception | None = None
    _looking: threading.Lock = field(default_factory=threading.Lock)
    _lookout: Lookout = field(default_factory=Lookout)
    _unwatched: bool = False
    _loss: tuple[Trip, Tripped | PowerOffUnconfirmed] | None = None
    _own: WithoutKeeper = field(init=False)

    def __post_init__(self) -> None:
        self._own = WithoutKeeper(self._file, self._clock, self._envelope)
        self._channel.attend = self._look
        self._call("power", self._envelope)

    @property
    def live(self) -> bool:
        """Whether the output is, or may be, on."""
        return self._live and self._loss is None

    @property
    def unconfirmed(self) -> bool:
        """Whether output off could not be confirmed."""
        return isinstance(self._trouble, PowerOffUnconfirmed)

    @property
    def trip(self) -> Trip | None:
        """What cut power, if anything has."""
        return self._trouble.trip if isinstance(self._trouble, Tripped) else None

    def command(self, command: Command) -> None:
        """Have a command carried out; samples taken before it are recorded, not returned."""
        if isinstance(command, SwitchOn):  # whatever is answered: from here on it may be on
            self._live = self._energised = True
        self._call("command", command)

    def sample(self) -> SupplySample:
        """Return the next sample that is young enough; older ones are recorded, not returned."""
        begin_s = self._clock.now_s()
        while True:
            message = self._next()
            if not isinstance(message, SupplySample):
                continue
            now_s = self._clock.now_s()
            if now_s - message.time_s <= _OLDEST_S:
                return message
            if now_s - begin_s > _BEHIND_S:
                self.cut(
                    TripReason.UNWATCHED,
                    f"for {_BEHIND_S:g} s the engine got no sample younger than "
                    f"{_OLDEST_S * 1e3:g} ms: the computer is too busy",
                )

    def read(self, role: str, *quantities: str) -> Mapping[str, float]:
        """Read quantities of supply or load once."""
        if self.unconfirmed or (self.trip and self.trip.reason is TripReason.KEEPER_LOST):
            raise LinkError("the keeper's process is gone", instrument=role)
        return dict(self._call("read", role, *quantities))

    def dip(self, dip: Dip, meanwhile: Meanwhile | None = None) -> DipRecord:
        """Have the keeper drop the input and bring it back; samples meanwhile are recorded.

        Its time is its own: what is done here meanwhile holds up nobody but this process.
        """
        record: DipRecord = self._call("dip", dip, meanwhile=meanwhile)
        return record

    def off_time(self) -> tuple[Span, Span] | None:
        """Return when power last went off, and when it came back, by the keeper's own notes."""
        spans: tuple[Span, Span] | None = self._call("off_time")
        return spans

    def expect_silence(self, longest_s: float) -> None:
        """Announce a slow reading of the engine's own: signs of life go on for at most so long.

        An engine that is stopped or killed meanwhile is missed all the same: they end with it.
        """
        self._channel.beat(longest_s)

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power for a reason the engine found."""
        if self._trouble is not None:
            raise self._trouble
        self._channel.send(Call("cut", (reason, detail)))
        self._await_trip()

    def power_off(self) -> None:
        """Switch off and confirm; if the process is gone, from here."""
        if isinstance(self._trouble, PowerOffUnconfirmed):
            raise self._trouble
        if self._trouble is None:
            with contextlib.suppress(Tripped):
                found = self._call("power_off")
                if self._unwatched:
                    self._await_trip()
                if isinstance(found, Trip):  # it came to light as power went off
                    self._trouble = Tripped(found)
        self._live = False

    # --- the channel

    def _call(
        self, method: str, *arguments: object, meanwhile: Callable[[], object] | None = None
    ) -> Any:
        """Have the keeper called, wait for it, and return or raise what came of it.

        While no message of it waits, what is to be done ``meanwhile`` is done again and again.
        """
        number = next(self._numbers)
        self._channel.send(Call(method, arguments, number))
        while True:
            if meanwhile is not None and not self._channel.has_come:
                meanwhile()
                continue
            message = self._next()
            if isinstance(message, Answer) and message.number == number:
                self._live = message.live
                if isinstance(message.value, Exception):
                    raise message.value
                return message.value

    def _await_trip(self) -> NoReturn:
        while True:  # an answer to an earlier call may come first; what ends this is an error
            self._next()

    def _next(self) -> Any:
        """Return the next message; what concerns everybody is seen to on the way."""
        message = self._channel.receive(_SILENCE_S if self._live else START_S)
        match message:
            case SupplySample():
                self._taken += 1
                if self._taken >= WINDOW // 2:
                    self._channel.send(Call("make_room", (self._taken,)))
                    self._taken = 0
                self._on_sample(message)
            case Call("on_event", (kind, detail)):
                self._live = _SAYS_LIVE.get(kind, self._live)
                self._on_event(kind, detail)
            case Tripped() if self.trip is not None and self._loss is None:
                pass  # the first one is kept
            case Tripped() | PowerOffUnconfirmed():
                if self._loss is not None:  # it was on its way when the process was ended
                    self._lost("")
                self._trouble, self._live = message, False
                raise message
            case HarnessError():
                self._lost(str(message))
            case Sign.CLOSED:
                self._lost("its process ended")
            case None:
                self._lost("its process does not answer")
        return message

    # --- the keeper itself

    def _look(self) -> None:
        """See that somebody watches over power: the keeper, and this process as well.

        Called by any thread. What it finds the main thread meets at its next call.
        """
        with self._looking:
            found = self._lookout.look(live=self._live)
            silent_s = self._channel.silent_s()
            if not self.live:
                return
            if found is not None and not self._unwatched:
                self._unwatched = True
                self._channel.send(Call("cut", (TripReason.UNWATCHED, found)))
            if silent_s > _SILENCE_S:
                self._take_over("its process does not answer")

    def _lost(self, what: str) -> NoReturn:
        """The keeper is gone: tell it, once power is off from here."""
        with self._looking:
            if self._loss is None:
                self._take_over(what)
        assert self._loss is not None
        trip, self._trouble = self._loss
        self._on_event(EventKind.TRIP, str(trip))
        self._on_event(EventKind.POWER_OFF, "unconfirmed" if self.unconfirmed else "confirmed")
        if self._own.contact == "open":
            self._on_event(EventKind.SWITCH, CONTACT_OPEN)
        elif self._own.contact:
            self._on_event(EventKind.CONTACT_FAULT, f"{CONTACT_FAULT}: {self._own.contact}")
        if self._own.relay_fault:
            self._on_event(EventKind.CONTACT_FAULT, f"{PIN_FAULT}: {self._own.relay_fault}")
        raise self._trouble

    def _take_over(self, what: str) -> None:
        """End the keeper's process, open the supply from here, and switch it off."""
        trip = Trip(
            reason=TripReason.KEEPER_LOST,
            detail=what,
            time_s=self._clock.now_s(),
            live=self._energised,  # its process may have switched off on its way out
        )
        trouble: Tripped | PowerOffUnconfirmed = Tripped(trip)
        self._channel.kill()
        try:
            self._own.switch_off()
        except Exception as error:  # noqa: BLE001 - whatever it is, the operator must hear of it
            trouble = PowerOffUnconfirmed(
                f"OUTPUT OFF COULD NOT BE CONFIRMED after {trip}: "
                f"{error.what if isinstance(error, HarnessError) else error}",
                where=f"{self._file.fed_by.replace('_', ' ')} ({self._file.feed.resource})",
            )
        self._loss = trip, trouble
