"""A run on the terminal while it goes on.

A thread of its own follows the run's folder, draws what is new, and hands it to the screen only
where that has written what it had before. It shares no lock with the engine, which tells it of
power and goes on; a terminal that is slow or stopped holds up nobody.
"""

from __future__ import annotations

import sys
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from queue import Empty, SimpleQueue
from typing import Literal, NamedTuple

from harness.errors import CUT_MAINS
from harness.watch.fold import Output
from harness.watch.keys import OffKeys
from harness.watch.lines import news_line, state_line
from harness.watch.panel import KEYS, NO_SPACES, Question, heading, panel, rendered
from harness.watch.screen import Screen, knows_cursor, terminal_size
from harness.watch.tail import Tail
from harness.watch.view import View, view_of

#: Time between two drawings.
_DRAW_S = 0.2
#: Time between two lines that say where the run stands, where nothing can be drawn.
_STATE_S = 5.0
#: Longest wait for what must stand on the screen before power comes on.
_SHOWN_S = 1.0
_HOME, _CLEAR_LINE, _CLEAR_BELOW = "\x1b[H", "\x1b[K", "\x1b[J"


_What = Literal["power", "ask", "say", "go on", "end"]


class _Told(NamedTuple):
    """What the engine's thread has for the one that shows."""

    what: _What
    text: str
    done: threading.Event


class RunScreen:
    """Shows one run, drawn or in lines, and passes on the keys that switch off."""

    def __init__(self, screen: Screen, switch_off: Callable[[str], None]) -> None:
        self._screen = screen
        self._switch_off = switch_off
        self._keys = OffKeys(self._pressed)
        self._asked = False  # a key was pressed
        self._drawn = knows_cursor()
        self._told: SimpleQueue[_Told] = SimpleQueue()
        self._thread: threading.Thread | None = None
        self._output: Output | None = None  # as the engine says; None: as the journal says
        self._question = ""  # asked with power on
        self._problem = ""  # with the last answer to it

    # --- for the engine's thread: none of this waits for the terminal while power is on

    def follow(self, folder: Path, *, notice: Callable[[], str] = str) -> None:
        """Follow a run by its folder from now on; a notice may be shown beside it."""
        showing = _Showing(self._screen, Tail(folder), notice, drawn=self._drawn)
        arguments = (showing,)
        thread = threading.Thread(target=self._show, args=arguments, name="watching", daemon=True)
        try:
            thread.start()
        except RuntimeError:  # no thread to be had: what must be said is said all the same
            return
        self._thread = thread

    def _pressed(self) -> None:
        """Have power switched off, and then show that this was asked for."""
        self._switch_off("by a key")
        self._asked = True

    def watch_keys(self) -> bool:
        """Have the keys switch off from now on; False where there are none to watch."""
        return self._keys.start()

    def power_on(self, step: str) -> None:
        """Say that power comes on now; it waits a moment for the screen, for power is still off."""
        keys = f", {KEYS}" if self.watch_keys() else ""
        now = time.strftime("%H:%M:%S")
        self._output = Output.ON
        text = f"POWER ON {now}, {step}. Ctrl-C{keys} switches off.\n"
        if not self._tell("power", text, _SHOWN_S):
            self._screen.say(text, afresh=True)
        self._screen.wait(_SHOWN_S)

    def power_off(self, *, confirmed: bool) -> None:
        """Say that power is off, or what to do where that is not known."""
        self._keys.stop()
        if confirmed:
            self._output = Output.OFF
            self._tell("power", f"OUTPUT OFF {time.strftime('%H:%M:%S')}\n")
        else:
            self._output = Output.UNCONFIRMED
            self._screen.say(f"{CUT_MAINS}\n", afresh=True)  # at once, whatever the other does
            self._tell("end", f"{CUT_MAINS}\n")

    def ask_live(self, text: str) -> bool:
        """Show a question beside the run, with power on, and have a line typed.

        False where no keys are watched: then nothing is shown.
        """
        if not self._keys.watched:
            return False
        self._keys.want_line()
        self._question, self._problem = text, ""
        if not self._drawn or self._thread is None:
            self._screen.say(f"POWER ON. {text}\n  {NO_SPACES}\n")
        return True

    def typed_line(self) -> str | None:
        """Return a line that was typed since, once; None where there is none."""
        return self._keys.line()

    def not_understood(self, problem: str) -> None:
        """Say what is wrong with a line; another one may be typed."""
        self._problem = problem
        if not self._drawn or self._thread is None:
            self._screen.say(f"POWER ON. {problem}\n")

    def asked_enough(self) -> None:
        """Show no question with power on any more."""
        self._keys.no_line()
        self._question = self._problem = ""

    def say(self, text: str) -> None:
        """Say something beside a question; power is off."""
        self._tell("say", text, _SHOWN_S)
        self._screen.wait(_SHOWN_S)

    def ask(self, text: str) -> None:
        """Show a question, with the words about power above it, until :meth:`go_on`."""
        self._tell("ask", text, _SHOWN_S)
        self._screen.wait(_SHOWN_S)

    def go_on(self) -> None:
        """Show the run again."""
        self._tell("go on", "")

    def end(self) -> None:
        """Show no more; leave the keys as they were, and a drawn screen to what comes next."""
        self._keys.stop()
        self._tell("end", "", _SHOWN_S)
        self._screen.wait(_SHOWN_S)

    def _tell(self, what: _What, text: str, longest_s: float = 0.0) -> bool:
        """Pass something on; whether it was taken in time. Without the other thread say it here."""
        if self._thread is None or not self._thread.is_alive():
            if text:
                self._screen.say(text, afresh=what == "power")
            return True
        told = _Told(what, text, threading.Event())
        self._told.put(told)
        return told.done.wait(longest_s)

    # --- the thread that shows

    def _show(self, showing: _Showing) -> None:
        while True:
            try:
                told: _Told | None = self._told.get(timeout=_DRAW_S)
            except Empty:
                told = None
            showing.output, showing.asked = self._output, self._asked
            typed = self._keys.typed
            showing.question = None
            if self._question and typed is not None:
                showing.question = Question(self._question, self._problem, typed)
            over = showing.turn(told)
            if told is not None:
                told.done.set()
            if over:
                return


class _Showing:
    """What the showing thread has in its hands."""

    def __init__(
        self, screen: Screen, tail: Tail, notice: Callable[[], str], *, drawn: bool
    ) -> None:
        self.output: Output | None = None
        self.asked = False  # for power off, by a key
        self.question: Question | None = None  # asked with power on
        self._screen = screen
        self._tail = tail
        self._notice = notice
        self._drawn = drawn
        self._asking = False
        self._notes = ""  # said since the last question
        self._size = (0, 0)
        self._seen = 0  # of what happened
        self._state_s = time.monotonic()
        self._noticed = notice()  # it was said when this began

    def turn(self, told: _Told | None) -> bool:
        """Take in what is new, and show it; whether that was the last."""
        self._tail.catch_up()
        if told is not None and told.what == "end":
            self._finish(told.text)
            return True
        (self._draw if self._drawn else self._print)(told)
        return False

    def _finish(self, text: str) -> None:
        if not self._drawn:
            self._print(None)
        if text:  # once more: a drawing may have come in between
            self._screen.say(text, afresh=self._drawn)
        elif self._drawn and self._size != (0, 0):
            self._screen.say(f"{_HOME}{_CLEAR_BELOW}")

    def _view(self) -> View:
        view = view_of(self._tail.fold, self._tail.now_s())
        output = self._tail.fold.output if self.output is None else self.output
        if output.value != view.power:  # the engine knows it first
            simulated = "SIMULATED " if view.simulated else ""
            words = "POWER ON" if output is Output.ON else "OUTPUT OFF"
            view = replace(view, power=output.value, power_words=f"{simulated}{words}")
        if self.asked and output is Output.ON:  # the engine may still wait for a meter
            view = replace(view, doing="power off was asked for", why="not confirmed yet")
        notice = self._notice()
        return replace(view, problem=notice) if notice else view

    # --- drawn

    def _draw(self, told: _Told | None) -> None:
        match told:
            case _Told("say", text, _):
                self._notes += text
                self._screen.say(text)
                return
            case _Told("ask", text, _):
                self._asking = True
                width = self._begin()
                head = rendered(heading(self._view(), width), width)
                self._screen.say(f"{_HOME}{_CLEAR_BELOW}{head}\n{self._notes}{text}")
                self._notes = ""
                return
            case _Told("go on", _, _):
                self._asking = False
            case None if self._asking or self._screen.busy:
                return
        width = self._begin()
        lines = panel(
            self._view(), width, self._size[1] - 1, self.question, ascii_only=_ascii_only()
        )
        shown = rendered(lines, width).replace("\n", f"{_CLEAR_LINE}\n")
        self._screen.say(f"{_HOME}{shown}{_CLEAR_LINE}\n{_CLEAR_BELOW}")

    def _begin(self) -> int:
        """Begin on an empty screen where one is needed; return how wide it is."""
        size = terminal_size()
        if self._size == (0, 0):
            self._screen.say("", afresh=True)  # what stood there is scrolled up
        elif size != self._size:
            self._screen.say(f"{_HOME}{_CLEAR_BELOW}")
        self._size = (size.columns, size.lines)
        return size.columns

    # --- in lines

    def _print(self, told: _Told | None) -> None:
        fold = self._tail.fold
        fresh = fold.happened - self._seen
        self._seen = fold.happened
        news = list(fold.news)[-fresh:] if fresh else []
        text = "".join(map(news_line, news))
        if told is not None:
            text += told.text
        notice = self._notice()
        if notice != self._noticed:
            self._noticed = notice
            text += f"{notice}\n"
        if text:
            self._screen.say(text, afresh=told is not None and told.what == "power")
        now_s = time.monotonic()
        if self.output is not Output.OFF and now_s - self._state_s >= _STATE_S:
            self._state_s = now_s
            if not self._screen.busy:
                self._screen.say(state_line(self._view()))


def _ascii_only() -> bool:
    """Whether the terminal's encoding has no blocks to draw with."""
    try:
        "█·┃…±".encode(getattr(sys.stdout, "encoding", None) or "ascii")
    except (UnicodeError, LookupError):
        return True
    return False
