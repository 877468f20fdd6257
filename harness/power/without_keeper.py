"""Power off where the keeper's process is gone: over links of the engine's own."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

from harness.bench.clock import Clock
from harness.bench.roles import open_instruments
from harness.errors import HarnessError, LinkError
from harness.power.envelope import OperatingEnvelope
from harness.power.local_bench import open_bench
from harness.power.moves import Confirm, LoadMoves, Send
from harness.power.pin_moves import AUX_LEFT_ON, PIN_ROLES
from harness.power.screen_line import say_power_is_on
from harness.power.way_off import cuts
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind

#: How often the supply is opened where the keeper is gone, and the pause: its links may linger.
_OPENINGS, _LINGER_S = 5, 0.1


@dataclass(eq=False)
class WithoutKeeper:
    """Switches a bench off whose keeper is gone."""

    _file: BenchFile
    _clock: Clock
    _envelope: OperatingEnvelope
    contact: str = field(default="", init=False)  #: in the feed, as it was found; empty: not yet
    _pins_left: dict[str, str] = field(default_factory=dict, init=False)  # why, by role

    def switch_off(self) -> None:
        """Switch off over links of our own: the supply first and alone, then all else.

        A supply that is not reached leaves neither the contact in the feed closed, nor an enable
        input driven, nor a load on. Where a hand sets it the contact is what cuts, and the power
        meter shows that it did.

        Raises:
            HarnessError: A supply, the auxiliary one too, could not be switched off.
        """
        if self._file.by_hand is not None:
            self._open_contact(self._until_off)
        trouble = self._cut()
        self._open_contact(self._until_off)
        self._let_go_of_pins(self._until_off)
        for key in self._file.all_loads:  # without the supply they draw nothing, so none is told of
            self._until_off(key, *LoadMoves(key, frozenset(), self._envelope).off())
        if trouble is not None:
            raise trouble
        if aux := self._pins_left.get("aux"):
            raise HarnessError(f"{AUX_LEFT_ON}: {aux}")

    @property
    def relay_fault(self) -> str:
        """Why the relay at an enable input is not known to be open: it gives no power by itself."""
        return self._pins_left.get("enable_switch", "")

    def _cut(self) -> HarnessError | None:
        """Cut power and have it confirmed; return why it is not."""
        for tries_left in reversed(range(_OPENINGS)):
            try:
                self._switch_off_at(*self._cutting)
            except HarnessError as error:
                if tries_left == _OPENINGS - 1:  # once: the supply must not wait for it each time
                    self._open_contact(self._told_off)
                    self._let_go_of_pins(self._told_off)
                if not (tries_left and isinstance(error, LinkError)):
                    return error
                self._clock.sleep_s(_LINGER_S)
            else:
                break
        return None

    @property
    def _cutting(self) -> tuple[str, ...]:
        """What must be told and asked for power to be off."""
        if self._file.by_hand is None:
            return ("supply",)
        return ("power_meter",) if self._file.switch is None else ("switch", "power_meter")

    def _open_contact(self, off: Callable[[str, Send, Confirm], str]) -> None:
        """Open the contact in the feed, unless it is open, and note what became of it."""
        if self._file.switch is not None and self.contact != "open":
            self.contact = off("switch", *cuts("switch")) or "open"

    def _let_go_of_pins(self, off: Callable[[str, Send, Confirm], str]) -> None:
        """Switch off what may drive an enable input, and note what is not known to be off."""
        for role in PIN_ROLES:
            if role in self._file.instruments and self._pins_left.get(role, "not told yet"):
                self._pins_left[role] = off(role, *cuts(role))

    def _until_off(self, role: str, tell: Send, ask: Confirm) -> str:
        """Tell it off until it says so, but not for long; return what speaks against it."""
        end_s = self._clock.now_s() + _OPENINGS * _LINGER_S
        while (fault := self._told_off(role, tell, ask)) and self._clock.now_s() < end_s:
            self._clock.sleep_s(_LINGER_S)
        return fault

    def _told_off(self, role: str, tell: Send, ask: Confirm) -> str:
        """Tell an instrument off and ask it; return what speaks against that it is, or nothing."""
        try:
            with open_instruments(self._file, (role,), self._clock) as opened:
                opened[role].send(tell.operation)
                if not opened[role].state(ask.operation):
                    return ""
                return "it says that it is " + ("closed" if role.endswith("switch") else "on")
        except HarnessError as error:
            return str(error)

    def _switch_off_at(self, *roles: str) -> None:
        with open_bench(self._file.only(*roles), self._clock) as bench:
            bench.power(self._envelope, _tell, lambda _: None).power_off()


def _tell(kind: EventKind, detail: str) -> None:
    """Say what only a person can do: whoever leads the run waits for that."""
    if kind is EventKind.TURN:
        say_power_is_on(detail)
