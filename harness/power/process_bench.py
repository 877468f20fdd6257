"""A bench whose supply and load are in the hands of a keeper process."""

from __future__ import annotations

import contextlib
import subprocess
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from harness.bench.clock import SystemClock
from harness.bench.roles import Instrument, open_instruments
from harness.bench.trial import try_questions
from harness.errors import HarnessError
from harness.power.attention import StayAwake
from harness.power.channel import Answer, Call, Channel, see_out, start_keeper
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper_client import START_S, ProcessPower
from harness.power.off_line import OffLine
from harness.power.port import OnEvent, OnSample
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind

#: Time the process may take to ask every question once, some of them in vain.
_TRIAL_S = 60.0
#: Time it may take to end, with power off on its way; and where it goes on trying to switch off.
_END_S, _END_TRYING_S = 10.0, 0.1


class ProcessBench:
    """A keeper process and what only reads; fulfils :class:`harness.power.port.Bench`."""

    def __init__(
        self,
        file: BenchFile,
        clock: SystemClock,
        readers: Mapping[str, Instrument],
        *,
        off: OffLine | None = None,
        folder: Path | None = None,
    ) -> None:
        self.file = file
        self.readers = readers
        self.process = start_keeper(None if off is None else off.reader)
        self._awake = StayAwake()
        self._clock = clock
        self._power: ProcessPower | None = None
        self._channel = Channel(self.process, clock)
        self._channel.send(Call("open", (file.kept, clock.origin_s, folder)))

    @property
    def meter(self) -> Instrument | None:
        """The meter, or None."""
        return self.readers.get("meter")

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue."""
        roles = dict(self._answer(START_S))
        own = {role: reader.identify_and_clear() for role, reader in self.readers.items()}
        return {**roles, **own}

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question once, before power; return what is wrong with the answers."""
        self._channel.send(Call("try_questions", (questions,)))
        wrong = self._answer(_TRIAL_S)
        own = (
            str(error)
            for role, reader in self.readers.items()
            for error in try_questions(reader, questions.get(role, ()))
        )
        return (*wrong, *own)

    def _answer(self, longest_s: float) -> Any:
        """Return what the process answers before it has power in its hands."""
        match self._channel.receive(longest_s):
            case Answer(value=value):
                return value
            case HarnessError() as error:
                raise HarnessError(str(error))
        raise HarnessError("the keeper process does not answer")

    def power(
        self, envelope: OperatingEnvelope, on_event: OnEvent, on_sample: OnSample
    ) -> ProcessPower:
        """Give supply and load to the keeper process with these bounds."""
        if not self._awake.granted:
            on_event(
                EventKind.SLEEP,
                "the system took no request to keep the computer awake: if it sleeps while power "
                "is on, power stays on, and is cut only as it wakes; disable sleep",
            )
        self._power = ProcessPower(
            self.file, self._clock, self._channel, envelope, on_event, on_sample
        )
        return self._power

    def close(self) -> None:
        """Close the pipe and wait for the process to end; it powers off on its way.

        Where output off is not confirmed it goes on trying by itself; nobody waits for that.
        """
        self._channel.close()
        trying = self._power is not None and self._power.unconfirmed
        try:
            self.process.wait(timeout=_END_TRYING_S if trying else _END_S)
        except subprocess.TimeoutExpired:  # still trying to switch off: leave it to that
            see_out(self.process)
            return
        self._awake.release()
        with contextlib.suppress(OSError):
            assert self.process.stdout is not None
            self.process.stdout.close()


@contextlib.contextmanager
def open_process_bench(
    file: BenchFile,
    clock: SystemClock,
    *,
    off: OffLine | None = None,
    folder: Path | None = None,
) -> Iterator[ProcessBench]:
    """Start a keeper process for a bench and open what only reads here.

    The process obeys the line on which off is said. Into the journal in the folder it writes what
    becomes of power after this process is gone; the clock's origin is the journal's.

    Raises:
        LinkError: A meter cannot be opened.
    """
    # without a meter too: to take over from a keeper must not begin with loading libraries
    with (
        open_instruments(file, file.readers, clock) as readers,
        contextlib.closing(ProcessBench(file, clock, readers, off=off, folder=folder)) as bench,
    ):
        yield bench
