"""A bench whose supply and load are in the hands of a keeper process; the engine's end of it."""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import threading
from collections.abc import Iterator, Mapping
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any, NoReturn

from harness.bench import frames
from harness.bench.clock import SystemClock
from harness.bench.commands import Command, SwitchOn
from harness.bench.dialect import bench_dialects
from harness.bench.limits import Limits
from harness.bench.open import open_bench, open_meter
from harness.bench.port import OnEvent, OnSample
from harness.bench.roles import Meter
from harness.bench.sample import SupplySample
from harness.bench.trial import try_questions
from harness.bench.trip import Trip, Tripped, TripReason
from harness.errors import CommandRefused, HarnessError, LinkError, PowerOffUnconfirmed
from harness.profile.bench_file import BenchFile

__all__ = ["KeptBench", "KeptPower", "open_kept_bench"]

#: A sign of life goes out at least so often; the keeper's patience is ten times as long.
_ALIVE_S = 0.05
#: Time the process may take to start, beside opening its links.
_START_S = 20.0
#: Time it may take to ask every question once, some of them in vain.
_TRIAL_S = 60.0


class KeptBench:
    """A keeper process and a meter; fulfils :class:`harness.bench.port.Bench`.

    Attributes:
        file: The bench file.
        meter: The meter, or None.
        process: The keeper's process.
    """

    def __init__(
        self, file: BenchFile, clock: SystemClock, meter: Meter | None, longest_s: float
    ) -> None:
        self.file = file
        self.meter = meter
        self.process = _start()
        self._clock = clock
        self._power: KeptPower | None = None
        self._line = _Line(self.process, clock, longest_s)
        self._line.send(frames.Open(_without_meter(file), clock.origin_s))

    def identities(self) -> dict[str, str]:
        """Identify every instrument and empty its error queue.

        Raises:
            HarnessError: An instrument cannot be opened or does not answer.
        """
        roles = dict(self._expect(frames.Identities, _START_S).by_role)
        if self.meter is not None:
            roles["meter"] = self.meter.introduce()
        return roles

    def try_questions(self, questions: Mapping[str, tuple[str, ...]]) -> tuple[str, ...]:
        """Put every question once, before power; return what is wrong with the answers."""
        self._line.send(frames.Try(dict(questions)))
        wrong = self._expect(frames.Tried, _TRIAL_S).wrong
        own = try_questions(self.meter, questions.get("meter", ())) if self.meter else ()
        return (*wrong, *map(str, own))

    def _expect(self, kind: type, longest_s: float) -> Any:
        """Return what the process answers before it has power in its hands."""
        answer = self._line.receive(longest_s)
        if isinstance(answer, kind):
            return answer
        raise HarnessError(getattr(answer, "text", "the keeper process does not answer"))

    def power(self, limits: Limits, on_event: OnEvent, on_sample: OnSample) -> KeptPower:
        """Give supply and load to the keeper process with these bounds."""
        self._power = KeptPower(self.file, self._clock, self._line, limits, on_event, on_sample)
        return self._power

    def close(self) -> None:
        """Close the pipe and wait for the process to end; it powers off on its way.

        Where output off is not confirmed it goes on trying by itself: the operator must be told at
        once, so nobody waits for that.
        """
        self._line.close()
        trying = self._power is not None and self._power.unconfirmed
        try:
            self.process.wait(timeout=0.1 if trying else 10.0)
        except subprocess.TimeoutExpired:  # still trying to switch off: leave it to that
            return
        for stream in (self.process.stdout, self.process.stdin):
            if stream is not None:
                with contextlib.suppress(OSError):
                    stream.close()


class KeptPower:
    """Power in the hands of the keeper process; fulfils :class:`harness.bench.port.Power`.

    Its samples come from the process as they are taken, and none is asked for twice.
    """

    def __init__(
        self,
        file: BenchFile,
        clock: SystemClock,
        line: _Line,
        limits: Limits,
        on_event: OnEvent,
        on_sample: OnSample,
    ) -> None:
        self._file = file
        self._clock = clock
        self._line = line
        self._limits = limits
        self._on_event = on_event
        self._on_sample = on_sample
        self._live = False
        self._energised = False
        self._trouble: Exception | None = None
        self._request(frames.Hold(limits))

    @property
    def live(self) -> bool:
        """Whether the output is, or may be, on."""
        return self._live

    @property
    def unconfirmed(self) -> bool:
        """Whether output off could not be confirmed."""
        return isinstance(self._trouble, PowerOffUnconfirmed)

    @property
    def pending(self) -> bool:
        """Whether the process has sent something that was not looked at yet."""
        return self._line.waiting

    def command(self, command: Command) -> None:
        """Have a command carried out; samples taken before it are recorded, not returned."""
        if isinstance(command, SwitchOn):
            # whatever becomes of the answer: from here on it may be on
            self._live = self._energised = True
        self._request(frames.Do(command))

    def sample(self) -> SupplySample:
        """Return the next sample, in the order in which they were taken."""
        while True:
            message = self._next()
            if isinstance(message, frames.Sampled):
                return message.sample

    def read_load(self) -> dict[str, float]:
        """Read the load."""
        self._line.send(frames.ReadLoad())
        while True:
            message = self._next()
            if isinstance(message, frames.LoadReading):
                return message.values

    def expect_silence(self, longest_s: float) -> None:
        """Announce a slow reading of the engine's own: signs of life go on for at most so long.

        An engine that is stopped or killed meanwhile is missed all the same as soon as at any
        other time, since its signs of life end with it.
        """
        self._line.beat(longest_s)

    def cut(self, reason: TripReason, detail: str) -> NoReturn:
        """Cut power for a reason the engine found."""
        if self._trouble is not None:
            raise self._trouble
        self._line.send(frames.Cut(reason, detail))
        while True:  # an answer to an earlier request may come first; what ends this is an error
            self._next()

    def power_off(self) -> None:
        """Switch off and confirm; if the process is gone, from here."""
        if isinstance(self._trouble, PowerOffUnconfirmed):
            raise self._trouble
        if self._trouble is None:
            with contextlib.suppress(Tripped):
                self._request(frames.PowerOff())
        self._live = False

    # --- the line

    def _request(self, request: Any) -> None:
        """Send a request and wait until it is carried out.

        Raises:
            CommandRefused: The keeper kept it from the wire.
        """
        self._line.send(request)
        while True:
            message = self._next()
            if isinstance(message, frames.Done):
                self._live = message.live
                return

    def _next(self) -> Any:
        """Return the next message; what concerns everybody is seen to on the way."""
        message = self._line.receive()
        match message:
            case frames.Sampled(sample):
                self._on_sample(sample)
            case frames.Event(kind, detail):
                self._live = kind == "power on" or (self._live and kind != "power off")
                self._on_event(kind, detail)
            case frames.Tripped(trip):
                self._end(Tripped(trip))
            case frames.Unconfirmed(what, where, do):
                self._end(PowerOffUnconfirmed(what, where=where, do=do))
            case frames.Failed(refused=True, text=text):
                raise CommandRefused(text, where="keeper")
            case frames.Failed(text=text):
                self._lost(text)
            case frames.Closed():
                self._lost("its process ended")
            case None:
                self._lost("its process does not answer")
        return message

    def _end(self, trouble: Exception) -> NoReturn:
        self._trouble, self._live = trouble, False
        raise trouble

    def _lost(self, what: str) -> NoReturn:
        """The keeper is gone: open the supply from here and switch it off."""
        trip = Trip(
            reason=TripReason.KEEPER_LOST,
            detail=what,
            time_s=self._clock.now_s(),
            live=self._energised,  # its process may have switched off on its way out
        )
        self._line.kill()
        try:
            self._take_over()
        except HarnessError as error:
            self._trouble = PowerOffUnconfirmed(
                f"OUTPUT OFF COULD NOT BE CONFIRMED after {trip}: {error.what}",
                where=f"supply ({self._file.supply.resource})",
                do="cut the mains of the supply by hand now, and treat the unit as live",
            )
        else:
            self._trouble = Tripped(trip)
        self._live = False
        self._on_event("trip", str(trip))
        self._on_event("power off", "unconfirmed" if self.unconfirmed else "confirmed")
        raise self._trouble

    def _take_over(self) -> None:
        """Switch off over links of our own; a few tries, since the old ones may linger."""
        file = _without_meter(self._file)
        for tries_left in reversed(range(5)):
            try:
                with open_bench(file, self._clock) as bench:
                    bench.power(self._limits, lambda *_: None, lambda _: None).power_off()
            except LinkError as error:
                if not tries_left:
                    raise
                if error.instrument.startswith("load"):
                    file = file.model_copy(update={"load": None})  # the supply comes first
                self._clock.sleep_s(0.1)
            else:
                return


class _Line:
    """The pipe to the keeper process, with signs of life while we wait."""

    def __init__(
        self, process: subprocess.Popen[bytes], clock: SystemClock, longest_s: float
    ) -> None:
        assert process.stdin is not None
        assert process.stdout is not None
        self._process = process
        self._clock = clock
        self._longest_s = longest_s
        self._incoming: SimpleQueue[Any] = SimpleQueue()
        self._outgoing: SimpleQueue[Any] = SimpleQueue()
        self._sent_s = 0.0
        self._beat_until_s = 0.0
        self._closed = threading.Event()
        frames.pump_in(process.stdout, self._incoming)
        self._sender = frames.pump_out(process.stdin, self._outgoing)
        # A thread that stops lets the keeper cut power; nothing that keeps power off hangs on it.
        threading.Thread(target=self._go_on_beating, name="beats", daemon=True).start()

    @property
    def waiting(self) -> bool:
        """Whether a message has come in that was not received yet."""
        return not self._incoming.empty()

    def send(self, message: Any) -> None:
        """Send a message; nothing here ever waits for the other end."""
        self._outgoing.put(message)
        self._sent_s = self._clock.now_s()

    def beat(self, longest_s: float) -> None:
        """Give signs of life for at most so long, or until the next message is waited for."""
        now_s = self._clock.now_s()
        if now_s - self._sent_s >= _ALIVE_S:
            self.send(frames.Alive())
        self._beat_until_s = now_s + longest_s

    def _go_on_beating(self) -> None:
        while not self._closed.wait(_ALIVE_S):
            if self._clock.now_s() < self._beat_until_s:
                self._outgoing.put(frames.Alive())

    def receive(self, longest_s: float | None = None) -> Any:
        """Return the next message; None if none comes in time.

        Time in which this process itself was held up (stopped, or the machine asleep) does not
        count: what came in meanwhile must be read first.
        """
        self._beat_until_s = 0.0
        wait_s = self._longest_s if longest_s is None else longest_s
        now_s = self._clock.now_s()
        end_s = now_s + wait_s
        while True:
            before_s, now_s = now_s, self._clock.now_s()
            if now_s - before_s > 10 * _ALIVE_S:
                end_s = now_s + wait_s
            if now_s - self._sent_s >= _ALIVE_S:
                self.send(frames.Alive())
            if now_s >= end_s:
                return None
            with contextlib.suppress(Empty):
                return self._incoming.get(timeout=_ALIVE_S)

    def close(self) -> None:
        """Let the other end know that we are gone."""
        self._closed.set()
        self._outgoing.put(frames.Closed())
        self._sender.join(timeout=1.0)
        with contextlib.suppress(OSError):
            assert self._process.stdin is not None
            self._process.stdin.close()

    def kill(self) -> None:
        """End the process at once, so that its links are free."""
        self._process.kill()
        self._process.wait(timeout=5.0)


@contextlib.contextmanager
def open_kept_bench(file: BenchFile, clock: SystemClock) -> Iterator[KeptBench]:
    """Start a keeper process for a bench and open the meter here.

    Args:
        file: The bench file.
        clock: The run's clock.

    Raises:
        LinkError: The meter cannot be opened.
    """
    dialects = bench_dialects(file)
    longest_s = 1.0 + 3 * max(
        file.instruments[role].timeout_s or dialects[role].link.timeout_s
        for role in file.instruments
    )
    with contextlib.ExitStack() as stack:
        meter = None
        if file.meter is not None:
            meter = stack.enter_context(open_meter(file, clock))
        bench = KeptBench(file, clock, meter, longest_s)
        stack.callback(bench.close)
        yield bench


def _start() -> subprocess.Popen[bytes]:
    """Start the process outside the terminal's process group: Ctrl-C is not for it."""
    apart: dict[str, Any] = {"start_new_session": True}
    if sys.platform == "win32":
        apart = {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    # Our own path, made absolute, and not the current folder: a workshop's queue.py must not get
    # between the keeper and its library.
    path = os.pathsep.join(str(Path(entry).resolve()) for entry in sys.path if entry)
    return subprocess.Popen(
        [sys.executable, "-P", "-m", "harness.bench.keeper_process"],
        env={**os.environ, "PYTHONPATH": path},
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **apart,
    )


def _without_meter(file: BenchFile) -> BenchFile:
    return file.model_copy(update={"meter": None})
