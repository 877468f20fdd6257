"""Power off where the keeper's process is gone: over links of the engine's own."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass, field

from harness.bench.clock import SystemClock
from harness.bench.roles import open_instruments
from harness.errors import HarnessError, LinkError
from harness.power.commands import OperatingEnvelope
from harness.power.local_bench import open_bench
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

    def switch_off(self) -> None:
        """Switch off over links of our own: the supply first and alone, then switch and load.

        A supply that is not reached at once does not leave the contact in the feed closed.
        """
        for tries_left in reversed(range(_OPENINGS)):
            try:
                self._switch_off_at("supply")
            except HarnessError as error:
                if not self.contact:  # once: the supply must not wait for it again and again
                    self._open_contact()
                if not (tries_left and isinstance(error, LinkError)):
                    raise
                self._clock.sleep_s(_LINGER_S)
            else:
                break
        self._open_contact()
        loads = self._file.all_loads
        if loads:
            with contextlib.suppress(HarnessError):  # without the supply they draw nothing
                self._switch_off_at("supply", *loads)

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

    def _switch_off_at(self, *roles: str) -> None:
        with open_bench(self._file.only(*roles), self._clock) as bench:
            bench.power(self._envelope, lambda *_: None, lambda _: None).power_off()
