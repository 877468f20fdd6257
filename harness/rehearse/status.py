"""Status model of a simulated instrument: event register, masks, status byte, error queue.

Sources: IEEE 488.2-1992, clause 11 (registers, weights); SCPI-1999 volume 2, SYSTem:ERRor
(queue, codes, classes).
"""

from __future__ import annotations

from collections import deque

__all__ = ["ERROR_TEXTS", "StatusModel"]

#: Texts of the errors a simulated instrument reports (fixed by SCPI-1999 volume 2).
ERROR_TEXTS = {
    -104: "Data type error",
    -113: "Undefined header",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
}

_QUEUE_LENGTH = 16
_NO_ERROR = '0,"No error"'

# weights of the status byte
_QUEUE_NOT_EMPTY, _EVENT_SUMMARY, _MASTER_SUMMARY = 4, 32, 64


class StatusModel:
    """Registers and queue of one instrument."""

    def __init__(self) -> None:
        self._event = 0
        self._event_enable = 0
        self._service_enable = 0
        self._queue: deque[int] = deque()

    def error(self, code: int) -> None:
        """Report an error: into the queue, and its class into the event register."""
        if len(self._queue) >= _QUEUE_LENGTH:
            self._queue[-1] = -350  # the last entry says that some are missing
        else:
            self._queue.append(code)
        self._event |= _event_bit(code)

    def clear(self) -> None:
        """``*CLS``: event register and queue; the masks stay."""
        self._event = 0
        self._queue.clear()

    def next_error(self) -> str:
        """``SYST:ERR?``: take the oldest entry out of the queue."""
        if not self._queue:
            return _NO_ERROR
        code = self._queue.popleft()
        return f'{code},"{ERROR_TEXTS[code]}"'

    def read_event(self) -> int:
        """``*ESR?``: reading clears the register."""
        event, self._event = self._event, 0
        return event

    def event_enable(self) -> int:
        """``*ESE?``."""
        return self._event_enable

    def set_event_enable(self, text: str) -> None:
        """``*ESE n``."""
        self._event_enable = int(float(text)) & 255

    def service_enable(self) -> int:
        """``*SRE?``."""
        return self._service_enable

    def set_service_enable(self, text: str) -> None:
        """``*SRE n``; bit 6 has no meaning there and is ignored (11.3)."""
        self._service_enable = int(float(text)) & 255 & ~_MASTER_SUMMARY

    def status_byte(self) -> int:
        """``*STB?``: with the master summary in bit 6; reading clears nothing."""
        status = _QUEUE_NOT_EMPTY if self._queue else 0
        if self._event & self._event_enable:
            status |= _EVENT_SUMMARY
        if status & self._service_enable:
            status |= _MASTER_SUMMARY
        return status


def _event_bit(code: int) -> int:
    """Weight in the event register of an error's class."""
    if -199 <= code <= -100:
        return 32  # command error
    if -299 <= code <= -200:
        return 16  # execution error
    if -499 <= code <= -400:
        return 4  # query error
    return 8  # device-dependent error
