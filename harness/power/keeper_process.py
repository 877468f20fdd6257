"""The keeper in a process of its own, with the links of supply and load in its hands.

While power is on it reads the supply by itself, as fast as the link allows. It is outside the
terminal's process group, so that Ctrl-C cannot end it first. It powers off when it is told to, by
the engine or past it (:mod:`harness.power.off_line`), when its pipe closes, when the engine falls
silent, when a sample leaves the envelope or the budget, and when its own link errs. What it did
after the engine was gone it adds to the journal (:mod:`harness.record.last_words`).
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Any

from harness.bench.clock import SystemClock, awake_s
from harness.errors import CommandRefused, HarnessError, InstrumentError, PowerOffUnconfirmed
from harness.power.attention import LOOK_S, AttendedLink, Attention, Silence
from harness.power.channel import Answer, Call, Sign, pump_in, pump_out
from harness.power.local_bench import open_bench
from harness.power.local_keeper import LocalKeeper
from harness.power.lock import hold_as_keeper, hold_identity
from harness.power.off_line import hear_off, taken_over
from harness.power.outlet import Outlet
from harness.power.screen_line import say, say_power_is_on
from harness.power.trip import Tripped, TripReason
from harness.profile.bench_file import BenchFile
from harness.record.events import EventKind
from harness.record.last_words import GONE, Words, add_last_words, battery_in

#: How long an output that will not go off is told again, after the engine has been told.
_PERSIST_S = 60.0
#: Time between two such tries.
_PERSIST_EACH_S = 0.2
#: While power is off nothing is to be done but to wait; each wait is no longer.
_IDLE_S = 0.1
#: Longest wait for a disk to take the last words: the supply is held until then.
_WRITING_S = 2.0


class KeeperService:
    """Serves one engine, whose messages and answers wait in a queue each.

    What waits is bounded: a call waits for its answer, and room is made for half a window of
    samples at a time.
    """

    def __init__(self) -> None:
        self.calls: SimpleQueue[Any] = SimpleQueue()
        self.answers: SimpleQueue[Any] = SimpleQueue()
        self._attention = Attention()
        self._outlet = Outlet(self.answers.put)
        self._silence = Silence(awake_s())
        self._terminated = False
        self._in_vain = False  # whether switching off was not confirmed
        self._off = ""  # who wants power off, in words, where that was said past the engine
        self._left = self._alone = False  # whether the engine said that it leaves, or just went
        self._folder: Path | None = None  # of the record
        self._clock = SystemClock()
        self._told: Words = []  # all that became of power, as the engine was told
        self._written = 0  # of that, added to the journal

    def arrived(self, message: Any) -> None:
        """Take in a message of the engine: any is a sign of life, and some are nothing else."""
        self._silence.heard(awake_s())
        if message is Sign.LEAVING:
            self._left = True
        elif message is not Sign.ALIVE:
            self._alone = message is Sign.CLOSED and not self._left
            self.calls.put(message)

    def switch_off(self, who: str) -> None:
        """Take in that somebody wants power off: obeyed before the next call and sample."""
        self._off = self._off or who
        self.calls.put(None)  # for whoever waits for a call

    def terminate(self, *_: object) -> None:
        """Note that somebody wants this process to end; power goes off first."""
        self._terminated = True

    def run(self) -> None:
        """Open the bench, then serve until the engine is gone."""
        try:
            match self.calls.get():
                case Call("open", (file, origin_s, folder)):
                    self._folder, self._clock = folder, SystemClock(origin_s)
                    self._open(file, self._clock)
        except HarnessError as error:
            self.answers.put(HarnessError(str(error)))
        except Exception as error:  # noqa: BLE001 - such as no memory left: the engine takes over
            text = f"the keeper process: {type(error).__name__}: {error}"
            self.answers.put(HarnessError(text))

    def _open(self, file: BenchFile, clock: SystemClock) -> None:
        resource = file.feed.resource
        with (
            hold_as_keeper(resource),
            open_bench(file, clock) as bench,
            hold_identity(
                bench.instruments[file.fed_by].identify(), resource
            ),  # whatever its other names
        ):
            for instrument in bench.instruments.values():  # the meter is the engine's
                first_s = instrument.dialect.link.first_answer_s
                instrument.link = AttendedLink(
                    instrument.link, self._attention, instrument.pause_s, first_s
                )
            threading.Thread(target=self._show_life, name="life", daemon=True).start()
            self.answers.put(Answer(0, bench.identities()))
            while not self._terminated:
                match self._next(live=False):
                    case Call("power", (envelope,), number):
                        keeper = bench.power(envelope, self._tell, self._outlet.add)
                        self._serve(keeper, number)
                        return
                    case Call("try_questions", (questions,)):
                        self.answers.put(Answer(0, bench.try_questions(questions)))
                    case Sign.CLOSED:
                        return

    def _show_life(self) -> None:
        """Tell the engine that the keeper is at work, for as long as it is."""
        while True:
            time.sleep(LOOK_S)
            self._attention.look()
            self._silence.look(awake_s())
            if self._attention.there and self.answers.empty():
                self.answers.put(Sign.ALIVE)

    def _serve(self, keeper: LocalKeeper, number: int) -> None:
        """Answer calls; between them, while power is on, read the supply."""
        self._attention.watched = lambda: keeper.live
        keeper.off_wanted = lambda: self._off
        keeper.silent_s = lambda: self._silence.look(awake_s())
        self._answer(Answer(number))
        try:
            while not self._terminated:
                message = self._next(live=keeper.live)
                if self._off and keeper.trip is None:
                    self._guarded(lambda: keeper.cut(TripReason.STOPPED, self._off))
                match message:
                    case Sign.CLOSED:
                        self._be_alone(keeper)
                        return
                    case Call("make_room", (count,)):
                        self._outlet.make_room(count)
                    case Call() as call:
                        self._guarded(lambda: self._answer(_answer(keeper, call)))
                # between any two calls, so that no flood of them keeps the supply from its turn
                if keeper.live:
                    self._guarded(lambda: keeper.tick(keeper.silent_s()))
                if keeper.live:
                    self._guarded(keeper.sample)
        finally:
            self._switch_off(keeper)
            self._leave_word()

    def _be_alone(self, keeper: LocalKeeper) -> None:
        """See to power where the engine is gone without a word."""
        if keeper.live and self._alone:
            self._guarded(lambda: keeper.cut(TripReason.CLIENT_SILENT, GONE))

    def _next(self, *, live: bool) -> Any:
        """Return the next message; None where there is none: at once while power is on."""
        self._attention.allow(_IDLE_S)
        try:
            return self.calls.get_nowait() if live else self.calls.get(timeout=_IDLE_S)
        except Empty:
            return None

    def _tell(self, kind: EventKind, detail: str) -> None:
        """Tell the engine what became of power."""
        self._told.append((self._clock.now_s(), kind, detail))
        if kind is EventKind.TURN and self._alone:
            say_power_is_on(detail)
        self._answer(Call("on_event", (kind, detail)))

    def _leave_word(self) -> None:
        """Add to the journal what an engine that is gone without a word cannot write any more.

        A thread of its own does: a disk that takes nothing must not hold the supply.
        """
        if not self._alone or self._folder is None or self._written == len(self._told):
            return
        words, folder = list(self._told), self._folder
        self._written = len(words)

        def write() -> None:
            add_last_words(folder, words)
            if left := battery_in(folder):
                say(left)

        writing = threading.Thread(target=write, daemon=True)
        with contextlib.suppress(RuntimeError):  # no thread to be had
            writing.start()
            writing.join(_WRITING_S)

    def _answer(self, message: Any) -> None:
        """Say something else than samples; those from before it go first."""
        self._outlet.flush()
        self.answers.put(message)

    def _guarded(self, act: Callable[[], object]) -> None:
        """Carry out; tell the engine what became of power in between."""
        try:
            act()
        except PowerOffUnconfirmed as error:
            self._answer(error)
            self._in_vain = self._terminated = True  # nothing is left to do but to go on trying
        except Tripped as error:
            self._answer(error)

    def _switch_off(self, keeper: LocalKeeper) -> None:
        """Switch off on the way out, and go on trying where that is not confirmed.

        The engine may be gone by then, so what comes of it in the end goes straight to the screen.
        """
        end_s = time.monotonic() + _PERSIST_S
        while True:
            try:
                keeper.power_off()
            except PowerOffUnconfirmed as error:
                if time.monotonic() > end_s:
                    say(f"{error}; switching off was tried for {_PERSIST_S:g} s, and is given up")
                    return
                if not self._in_vain:
                    self._in_vain = True
                    self._answer(error)
                self._leave_word()
                time.sleep(_PERSIST_EACH_S)
            else:
                if self._in_vain:
                    self._told.append((self._clock.now_s(), EventKind.POWER_OFF, "confirmed"))
                    say("output off is confirmed now; wait for stored charge, and measure")
                elif self._told and self._alone:
                    say("the program that led the run is gone: output off, confirmed")
                return


def _answer(keeper: LocalKeeper, call: Call) -> Answer:
    """Carry a call out; an error that changes nothing is its answer."""
    try:
        value = getattr(keeper, call.method)(*call.arguments)
        if call.method == "power_off":
            value = keeper.trip
    except CommandRefused as error:
        value = error
    except InstrumentError as error:
        if call.method != "read":
            raise  # it came from where none may come: the engine takes over
        value = error
    return Answer(call.number, value, keeper.live)


def main() -> None:
    """Serve the engine at the other end of standard input and output."""
    off_end = taken_over(sys.argv[1]) if len(sys.argv) > 1 else None
    outgoing = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # whatever a driver prints must not get between the messages
    service = KeeperService()
    try:
        pump_in(sys.stdin.buffer, service.arrived)
        sender = pump_out(outgoing, service.answers)
        if off_end is not None:
            threading.Thread(
                target=lambda: service.switch_off(hear_off(off_end)), name="off", daemon=True
            ).start()
    except RuntimeError as error:  # no thread to be had: nothing is open yet
        say(f"the keeper process cannot work: {error}")
        os._exit(1)
    for name in ("SIGINT", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), signal.SIG_IGN)
    signal.signal(signal.SIGTERM, service.terminate)
    service.run()
    service.answers.put(Sign.CLOSED)
    sender.join(timeout=2.0)
    os._exit(0)  # the other thread may wait for the pipe: no tidying up must wait for it


if __name__ == "__main__":
    main()
