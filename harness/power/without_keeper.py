"""Power off where the keeper's process is gone: over links of the engine's own."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field

from harness.bench.clock import SystemClock
from harness.bench.roles import open_instruments
from harness.errors import HarnessError, LinkError
from harness.power.commands import OperatingEnvelope
from harness.power.local_bench import open_bench
from harness.power.pin_moves import PIN_FAULT, PIN_ROLES
from harness.power.way_off import cuts
from harness.profile.bench_file import BenchFile

#: How often the supply is opened where the keeper is gone, and the pause: its links may linger.
_OPENINGS, _LINGER_S = 5, 0.1


@dataclass(eq=False)
class WithoutKeeper:
    """Switches a bench off whose keeper is gone."""

    _file: BenchFile
    _clock: SystemClock
    _envelope: OperatingEnvelope
    contact: str = field(default="", init=False)  #: in the feed, as it was found; empty: not yet
    _pins_left: str = field(default="", init=False)

    def switch_off(self) -> None:
        """Switch off over links of our own: the supply first and alone, then all else.

        A supply that is not reached at once leaves neither the contact in the feed closed nor an
        enable input driven. Where a hand sets it the contact is what cuts, and the power meter
        shows that it did.

        Raises:
            HarnessError: A supply, the auxiliary one too, could not be switched off.
        """
        if self._file.by_hand is not None:
            self._open_contact()
        for tries_left in reversed(range(_OPENINGS)):
            try:
                self._switch_off_at(*self._cutting)
            except HarnessError as error:
                if tries_left == _OPENINGS - 1:  # once: the supply must not wait for it each time
                    self._open_contact()
                    self._let_go_of_pins()
                if not (tries_left and isinstance(error, LinkError)):
                    raise
                self._clock.sleep_s(_LINGER_S)
            else:
                break
        self._open_contact()
        self._let_go_of_pins()
        loads = self._file.all_loads
        if loads:
            with contextlib.suppress(HarnessError):  # without the supply they draw nothing
                self._switch_off_at(*self._cutting, *loads)
        if self._pins_left:
            raise HarnessError(self._pins_left)

    @property
    def _cutting(self) -> tuple[str, ...]:
        """What must be told and asked for power to be off."""
        if self._file.by_hand is None:
            return ("supply",)
        return ("power_meter",) if self._file.switch is None else ("switch", "power_meter")

    def _open_contact(self) -> None:
        """Open the contact in the feed, unless it is open, and note what became of it."""
        if self._file.switch is None or self.contact == "open":
            return
        try:
            with open_instruments(self._file, ("switch",), self._clock) as opened:
                opened["switch"].send("contact_open")
                self.contact = "closed" if opened["switch"].state("contact_state") else "open"
        except HarnessError as error:
            self.contact = str(error)

    def _let_go_of_pins(self) -> None:
        """Switch off what may drive an enable input, and note what is not known to be off."""
        self._pins_left = ""
        for role in PIN_ROLES:
            if role not in self._file.instruments:
                continue
            tell, ask = cuts(role)
            try:
                with open_instruments(self._file, (role,), self._clock) as opened:
                    opened[role].send(tell.operation)
                    if opened[role].state(ask.operation):
                        self._pins_left += f"{PIN_FAULT}: it says that it is on. "
            except HarnessError as error:
                self._pins_left += f"{PIN_FAULT}: {error}. "

    def _switch_off_at(self, *roles: str) -> None:
        with open_bench(self._file.only(*roles), self._clock) as bench:
            bench.power(self._envelope, lambda *_: None, lambda _: None).power_off()
