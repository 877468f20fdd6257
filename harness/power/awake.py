"""Keeps the computer from falling asleep by itself, where the system lets us.

A closed lid, an empty battery or a hand on the switch put it to sleep all the same: that is for
:mod:`harness.power.attention` to notice.
"""

from __future__ import annotations

import threading
import time

#: What the record says where the request is not taken.
MAY_SLEEP = (
    "the system took no request to keep the computer awake: if it sleeps while power is on, power "
    "stays on, and is cut only as it wakes; disable sleep"
)

#: Longest wait for the system's answer: nothing of the run hangs on it.
_ANSWER_S = 2.0
#: Longest wait for the request to be withdrawn; the system withdraws it with the process.
_RELEASE_S = 1.0


class StayAwake:
    """A request to the system, from when it is made until it is released.

    A thread of its own holds it: a desktop that does not answer holds up nobody.
    """

    def __init__(self) -> None:
        self._end_s = time.monotonic() + _ANSWER_S
        self._answered = threading.Event()
        self._released = threading.Event()
        self._granted = False
        self._thread = threading.Thread(target=self._hold, name="stay awake", daemon=True)
        self._thread.start()

    @property
    def granted(self) -> bool:
        """Whether the system took the request; waits for its answer, but not for long."""
        self._answered.wait(max(0.0, self._end_s - time.monotonic()))
        return self._granted

    def release(self) -> None:
        """Let the computer sleep again."""
        self._released.set()
        self._thread.join(_RELEASE_S)

    def _hold(self) -> None:
        try:
            from wakepy import keep  # dear, and needed only where power comes

            with keep.running(on_fail="pass") as mode:
                self._granted = bool(mode.active)
                self._answered.set()
                self._released.wait()
        except Exception:  # noqa: BLE001 - whatever it is, the run goes on, and says so
            self._granted = False
        finally:
            self._answered.set()
