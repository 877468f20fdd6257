"""A person at an outside bench: reads the screen of a run, and does what stands there.

The run's standard input is a FIFO, which a thread types into. What is answered is the test's: it is
handed in, gets all that came onto the screen since the last answer, and moves what is to be moved
by the control socket of the bench.
"""

from __future__ import annotations

import contextlib
import os
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

#: How often the screen is looked at, and what stands where a line is to be typed.
LOOK_S, PROMPT = 0.05, "\n> "


class Person:
    """Whoever types.

    Args:
        fifo: Made here; the run's standard input.
        answer: What is typed to a question; a line of its own, which may be empty. None: nothing.

    Attributes:
        over: Set once the person may go: for an answer that takes its time.
        asked: The questions that came, in order.
    """

    def __init__(self, fifo: Path, answer: Callable[[str], str | None]) -> None:
        os.mkfifo(fifo)
        self._keys = os.open(fifo, os.O_RDWR)
        self._answer = answer
        self.over = threading.Event()
        self.asked: list[str] = []

    @contextlib.contextmanager
    def at_bench(self, screen: Path) -> Iterator[None]:
        """Be there for as long as the block runs."""
        thread = threading.Thread(target=self._follow, args=(screen,))
        thread.start()
        try:
            yield
        finally:
            self.over.set()
            thread.join()
            os.close(self._keys)

    def _follow(self, screen: Path) -> None:
        seen = 0
        while not self.over.wait(LOOK_S):
            text = screen.read_text(encoding="utf-8", errors="replace") if screen.exists() else ""
            at = text.find(PROMPT, seen)  # other lines may have come behind it
            if at < 0:
                continue
            question, seen = text[seen:at], at + len(PROMPT)
            self.asked.append(" ".join(question.split()))
            line = self._answer(self.asked[-1])
            if line is not None:
                os.write(self._keys, f"{line}\n".encode())
