"""Simulated instruments: what a message says moves the circuit or asks it.

A pyvisa-sim file describes each. pyvisa-sim itself answers from stored values and cuts a message at
``;`` into several replies; here values are live, one message gives one line of answers, joined by
``;`` (IEEE 488.2, 8.4.2), and costs its time on the clock. pyvisa-sim's sessions carry the bytes.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Any

import yaml
from pyvisa import rname
from pyvisa.constants import StatusCode
from pyvisa.errors import VisaIOError
from pyvisa_sim.devices import Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from harness.shipped import shipped

#: Texts of the errors a simulated instrument reports (fixed by SCPI-1999 volume 2).
_ERROR_TEXTS = {
    0: "No error",
    -104: "Data type error",
    -113: "Undefined header",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
    -410: "Query INTERRUPTED",
}
#: Weight of an error's class in the event register: command, execution, device, query error.
_EVENT_WEIGHTS = {1: 32, 2: 16, 3: 8, 4: 4}
_QUEUE_LENGTH = 16
# weights of the status byte
_QUEUE_NOT_EMPTY, _EVENT_SUMMARY, _MASTER_SUMMARY = 4, 32, 64


@dataclass(frozen=True, slots=True)
class Live:
    """A live quantity behind a property."""

    #: Returns what the getter's format shows.
    get: Callable[[], object]
    #: Takes the text that was sent; KeyError or ValueError: a value it does not take.
    set: Callable[[str], None] | None = None
    #: Largest value it takes; None: the largest the instrument's file states.
    most: float | None = None


@cache  # thousands of rehearsals use the same few
def described(name: str) -> dict[str, Any]:
    """Read the one instrument of a shipped pyvisa-sim file."""
    path = shipped("sim_configs", name)
    assert path is not None, f"{name} is missing from the installation"
    device: dict[str, Any]
    file = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)
    (device,) = file["devices"].values()
    return device


class StatusModel:
    """Registers and error queue of one instrument.

    Sources: IEEE 488.2-1992, clause 11 (registers, weights); SCPI-1999 volume 2, SYSTem:ERRor
    (queue, codes, classes).
    """

    def __init__(self) -> None:
        self._event = 0
        self._masks = {"event": 0, "service": 0}
        self._queue: deque[int] = deque()

    def error(self, code: int) -> None:
        """Report an error: into the queue, and its class into the event register."""
        if len(self._queue) >= _QUEUE_LENGTH:
            self._queue[-1] = -350  # the last entry says that some are missing
        else:
            self._queue.append(code)
        self._event |= _EVENT_WEIGHTS[-code // 100]

    def clear(self) -> None:
        """``*CLS``: event register and queue; the masks stay."""
        self._event = 0
        self._queue.clear()

    def registers(self) -> dict[str, Live]:
        """Return what messages ask and set, by property."""
        return {
            "event_status": Live(self._read_event),
            "event_enable": self._mask("event", 255),
            # bit 6 has no meaning there and is ignored (11.3)
            "service_enable": self._mask("service", 255 & ~_MASTER_SUMMARY),
            "status_byte": Live(self._status_byte),
            "error_queue": Live(self._next_error),
        }

    def _next_error(self) -> str:
        code = self._queue.popleft() if self._queue else 0
        return f'{code},"{_ERROR_TEXTS[code]}"'

    def _read_event(self) -> int:
        event, self._event = self._event, 0  # reading clears the register
        return event

    def _mask(self, name: str, bits: int) -> Live:
        def enable(text: str) -> None:
            self._masks[name] = int(float(text)) & bits

        return Live(lambda: self._masks[name], enable)

    def _status_byte(self) -> int:
        """Return the byte with the master summary in bit 6; reading clears nothing."""
        status = _QUEUE_NOT_EMPTY if self._queue else 0
        if self._event & self._masks["event"]:
            status |= _EVENT_SUMMARY
        if status & self._masks["service"]:
            status |= _MASTER_SUMMARY
        return status


class SimulatedInstrument:
    """One simulated instrument as a session of pyvisa-sim sees it.

    Of the properties of its file ``live`` has all but registers and queue. The lock is held while
    ``advance`` takes the circuit to the present and it is asked or moved, so that several links can
    share it; never while time passes, for instruments do not wait for each other.
    """

    def __init__(
        self,
        file: str,
        live: Mapping[str, Live],
        *,
        wait: Callable[[float], None],
        advance: Callable[[], None],
        lock: AbstractContextManager[Any],
    ) -> None:
        self.resource_name: str | None = None  # set by pyvisa-sim
        self._status = StatusModel()
        self._live = {**self._status.registers(), **live}
        device = described(file)
        # what every message costs (bus, parsing, answering), and on top of it one that measures
        self._message_s = float(device["timing"]["message"])
        self._acquisition_s = float(device["timing"]["acquisition"])
        # fixed answers by query; None for a command without a value
        self._dialogues: dict[str, str | None] = {
            each["q"]: each.get("r") for each in device["dialogues"]
        }
        self._getters: dict[str, tuple[Callable[[], object], Callable[[object], str]]] = {}
        self._setters: dict[str, tuple[Live, Mapping[str, str]]] = {}  # by the words before a value
        for name, each in device["properties"].items():
            quantity = self._live[name]
            self._getters[each["getter"]["q"]] = quantity.get, each["getter"]["r"].format
            if "setter" in each:
                head = each["setter"]["q"].removesuffix(" {}")
                self._setters[head] = quantity, each.get("specs", {})
        self._actions = {"*CLS": self._status.clear, "*RST": self._reset}
        self._wait = wait
        self._advance = advance
        self._lock = lock
        self._incoming = b""
        self._answer = b""

    def write(self, data: bytes) -> None:
        """Take bytes from the wire; a whole message is carried out at once."""
        self._incoming += data
        while b"\n" in self._incoming:
            line, _, self._incoming = self._incoming.partition(b"\n")
            answer = self.ask(line.decode("latin-1"))
            self._answer = answer.encode() + b"\n" if answer else b""

    def take(self) -> bytes:
        """Give a whole answer with its terminator; nothing where none waits."""
        answer, self._answer = self._answer, b""
        return answer

    def ask(self, message: str) -> str:
        """Carry a message out; return its answer, or nothing where it has none."""
        message = message.strip()
        if not message:
            return ""
        if self._answer:  # the last answer was not fetched (IEEE 488.2, 6.3.2.3)
            self._answer = b""
            self._status.error(-410)
        units, measures = _program_message_units(message)
        self._wait(self._message_s + (self._acquisition_s if measures else 0.0))
        with self._lock:
            self._advance()
            answers = [answer for unit in units if (answer := self._part(unit)) is not None]
        return ";".join(answers)

    def _part(self, unit: str) -> str | None:
        """Carry out one program message unit; return its answer, or None where it has none."""
        if unit in self._getters:
            get, show = self._getters[unit]
            return show(get())
        if unit in self._dialogues:
            if unit in self._actions:
                self._actions[unit]()
            return self._dialogues[unit]
        head, _, value = unit.partition(" ")
        if head in self._setters and value:
            self._set(*self._setters[head], value.strip())
        else:
            self._status.error(-113)
        return None

    def _set(self, quantity: Live, specs: Mapping[str, str], text: str) -> None:
        """Move the circuit, or report why not as an instrument does."""
        assert quantity.set is not None
        if "max" in specs:
            try:
                value = float(text)
            except ValueError:
                self._status.error(-104)
                return
            most = float(specs["max"]) if quantity.most is None else quantity.most
            if value < float(specs["min"]) or value > most:
                self._status.error(-222)
                return
        try:
            quantity.set(text)
        except (KeyError, ValueError):
            self._status.error(-224)

    def _reset(self) -> None:
        """Off, and nothing set; registers and queue stay (IEEE 488.2, 10.32)."""
        for name, text in (("output", "OFF"), ("input", "OFF"), ("voltage", "0"), ("current", "0")):
            quantity = self._live.get(name)
            if quantity is not None and quantity.set is not None:
                quantity.set(text)


class SimulatedLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim ships no types
    """A VISA library of simulated instruments, to be handed to PyVISA's resource manager."""

    _numbers = itertools.count()

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """Hand a message to the device, without asking for attributes that change nothing here."""
        self.sessions[session].device.write(data)
        return len(data), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:  # noqa: ARG002
        """Return a waiting answer in one piece; where none waits, none will come."""
        answer = self.sessions[session].device.take()
        if not answer:
            raise VisaIOError(StatusCode.error_timeout)
        return answer, StatusCode.success_termination_character_read

    @classmethod
    def of(cls, devices: Mapping[str, SimulatedInstrument]) -> SimulatedLibrary:
        """Return a library with these devices under their resource names."""
        # PyVISA keeps one library a path: two rehearsals in one process must not meet on one bench
        library = cls(f"rehearsal {next(cls._numbers)}")
        for resource, device in devices.items():
            device.resource_name = None  # a device may be handed out again
            library.devices.add_device(rname.to_canonical_name(resource), device)
        return library


@lru_cache(maxsize=256)
def _program_message_units(message: str) -> tuple[tuple[str, ...], bool]:
    """Return a message's units as the files spell them, and whether any of them measures."""
    units = tuple(unit.strip().removeprefix(":").upper() for unit in message.split(";"))
    return units, any(unit.startswith("MEAS:") for unit in units)
