"""The keeper in a process of its own, with the links of supply and load in its hands.

While power is on it reads the supply by itself, as fast as the link allows.

Started by :mod:`harness.power.keeper_client`, outside the terminal's process group, so that Ctrl-C
cannot end it first. It powers off when it is told to, when its pipe closes, when the engine falls
silent, when a sample leaves the envelope or the budget, and when its own link errs.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from queue import Empty, SimpleQueue
from typing import Any

from harness.bench.clock import SystemClock, awake_s
from harness.errors import CommandRefused, HarnessError, InstrumentError, PowerOffUnconfirmed
from harness.power import messages
from harness.power.attention import AttendedLink, Attention
from harness.power.local_bench import LocalBench, open_bench
from harness.power.local_keeper import LocalKeeper
from harness.power.lock import hold_as_keeper, hold_identity
from harness.power.outlet import Outlet
from harness.power.trip import Tripped
from harness.power.vigil import LOOK_S, Silence

__all__ = ["main"]

#: How long an output that will not go off is told again, after the engine has been told.
_PERSIST_S = 60.0
#: While power is off nothing is to be done but to wait; each wait is no longer.
_IDLE_S = 0.1


class _Service:
    """Serves one engine.

    Args:
        requests: What the engine says.
        answers: What it is told.
    """

    def __init__(self, requests: SimpleQueue[Any], answers: SimpleQueue[Any]) -> None:
        self._requests = requests
        self._answers = answers
        self._attention = Attention()
        self._clock = SystemClock()
        self._outlet = Outlet(lambda sample: answers.put(messages.Sampled(sample)))
        self._silence = Silence(awake_s())
        self._terminated = False
        self._in_vain = False  # whether switching off was not confirmed

    def arrived(self, message: Any) -> None:
        """Take in a message of the engine: any is a sign of life, and some are nothing else.

        What waits here is bounded: a request waits for its answer, and room is made for half a
        window of samples at a time.
        """
        self._silence.heard(awake_s())
        if not isinstance(message, messages.Alive):
            self._requests.put(message)

    def terminate(self, *_: object) -> None:
        """Note that somebody wants this process to end; power goes off first."""
        self._terminated = True

    def run(self) -> None:
        """Open the bench, then serve until the engine is gone."""
        opening = self._requests.get()
        if not isinstance(opening, messages.Open):
            return
        self._clock = SystemClock(opening.origin_s)
        resource = opening.file.supply.resource
        try:
            with (
                hold_as_keeper(resource),
                open_bench(opening.file, self._clock) as bench,
                hold_identity(bench.supply.identify(), resource),  # whatever its other names
            ):
                self._attend(bench)
                self._answers.put(messages.Identities(bench.identities()))
                holding = self._await_hold(bench)
                if holding is not None:
                    self._serve(bench.power(holding.limits, self._on_event, self._outlet.add))
        except HarnessError as error:
            self._answers.put(messages.Failed(refused=False, text=str(error)))
        except Exception as error:  # noqa: BLE001 - such as no memory left: the engine takes over
            text = f"the keeper process: {type(error).__name__}: {error}"
            self._answers.put(messages.Failed(refused=False, text=text))

    def _attend(self, bench: LocalBench) -> None:
        """Have each exchange say how long it may take, and show life meanwhile."""
        for instrument in filter(None, (bench.supply, bench.load)):
            instrument.link = AttendedLink(
                instrument.link, self._attention, instrument.dialect.link.settle_s
            )
        threading.Thread(target=self._show_life, name="life", daemon=True).start()

    def _show_life(self) -> None:
        """Tell the engine that the keeper is at work, for as long as it is."""
        while True:
            time.sleep(LOOK_S)
            self._attention.look()
            self._silence.look(awake_s())
            if self._attention.there and self._answers.empty():
                self._answers.put(messages.Alive())

    def _await_hold(self, bench: LocalBench) -> messages.Hold | None:
        """Wait until power is to be taken in hand; None if the engine goes without."""
        while not self._terminated:
            request = self._next(live=False)
            if isinstance(request, messages.Hold):
                return request
            if isinstance(request, messages.Try):
                self._answers.put(messages.Tried(bench.try_questions(request.questions)))
            if isinstance(request, messages.Closed):
                break
        return None

    def _serve(self, host: LocalKeeper) -> None:
        """Answer requests; between them, while power is on, read the supply."""
        self._attention.watched = lambda: host.live
        self._answer(messages.Done(host.live))
        try:
            while not self._terminated:
                request = self._next(live=host.live)
                if isinstance(request, messages.Closed):
                    return
                if request is not None:
                    self._carry_out(host, request)
                # between any two requests, so that no flood of them keeps the supply from its turn
                if host.live:
                    self._guarded(lambda: host.tick(self._silence.look(awake_s())))
                if host.live:
                    self._guarded(host.sample)
        finally:
            self._switch_off(host)

    def _next(self, *, live: bool) -> Any:
        """Return the next request; None where there is none: at once while power is on."""
        self._attention.allow(_IDLE_S)
        try:
            return self._requests.get_nowait() if live else self._requests.get(timeout=_IDLE_S)
        except Empty:
            return None

    def _carry_out(self, host: LocalKeeper, request: Any) -> None:
        match request:
            case messages.Do(command):
                self._answered(host, lambda: host.command(command))
            case messages.PowerOff():
                self._answered(host, host.power_off)
            case messages.Cut(reason, detail):
                self._answered(host, lambda: host.cut(reason, detail))
            case messages.ReadOff(role):
                self._read_off(host, role)
            case messages.ReadLoad():
                self._guarded(lambda: self._answer(messages.LoadReading(host.read_load())))
            case messages.ReadStatus():
                self._guarded(lambda: self._answer(messages.StatusReading(host.read_status())))
            case messages.Room(samples):
                self._outlet.make_room(samples)

    def _answer(self, message: Any) -> None:
        """Say something else than samples; those from before it go first."""
        self._outlet.flush()
        self._answers.put(message)

    def _read_off(self, host: LocalKeeper, role: str) -> None:
        try:
            self._answer(messages.OffReading(host.read_off(role)))
        except InstrumentError as error:
            self._answer(messages.OffReading({}, str(error)))

    def _answered(self, host: LocalKeeper, act: Any) -> None:
        if self._guarded(act):
            self._answer(messages.Done(host.live))

    def _guarded(self, act: Any) -> bool:
        """Carry out; tell the engine what came in between. True if nothing did."""
        try:
            act()
        except Tripped as error:
            self._answer(messages.Tripped(error.trip))
        except PowerOffUnconfirmed as error:
            self._answer(messages.Unconfirmed(error.what, error.where, error.remedy))
            self._in_vain = self._terminated = True  # nothing is left to do but to go on trying
        except CommandRefused as error:
            self._answer(messages.Failed(refused=True, text=error.what))
        else:
            return True
        return False

    def _switch_off(self, host: LocalKeeper) -> None:
        """Switch off on the way out, and go on trying where that is not confirmed.

        The engine may be gone by then, so what comes of it in the end goes straight to the screen.
        """
        end_s = time.monotonic() + _PERSIST_S
        while True:
            try:
                host.power_off()
            except PowerOffUnconfirmed as error:
                if time.monotonic() > end_s:
                    _say(f"{error}; switching off was tried for {_PERSIST_S:g} s, and is given up")
                    return
                if not self._in_vain:
                    self._in_vain = True
                    self._answer(messages.Unconfirmed(error.what, error.where, error.remedy))
                time.sleep(0.2)
            else:
                if self._in_vain:
                    _say("output off is confirmed now; wait for stored charge, and measure")
                return

    def _on_event(self, kind: str, detail: str) -> None:
        self._answer(messages.Event(kind, detail))


def _say(text: str) -> None:
    """Put a line on the screen, if there is one."""
    with contextlib.suppress(OSError):
        sys.stderr.write(f"softwake: {text}\n")
        sys.stderr.flush()


def main() -> None:
    """Serve the engine at the other end of standard input and output."""
    outgoing = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a driver prints must not get between the messages
    requests: SimpleQueue[Any] = SimpleQueue()
    answers: SimpleQueue[Any] = SimpleQueue()
    service = _Service(requests, answers)
    try:
        messages.pump_in(sys.stdin.buffer, service.arrived)
        sender = messages.pump_out(outgoing, answers)
    except RuntimeError as error:  # no thread to be had: nothing is open yet
        _say(f"the keeper process cannot work: {error}")
        os._exit(1)
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, service.terminate)
    service.run()
    answers.put(messages.Closed())
    sender.join(timeout=2.0)
    os._exit(0)  # the other thread may wait for the pipe: no tidying up must wait for it


if __name__ == "__main__":
    main()
