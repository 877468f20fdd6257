"""pyvisa-sim devices whose properties are live: a setter moves the circuit, a getter asks it.

A device of pyvisa-sim answers each query from a property of its own, and cuts a message at ``;``
into several replies. Here its property objects are replaced by live ones, and one message gives one
line of answers, joined by ``;`` as IEEE 488.2 (8.4.2) has it. Every message costs its time on the
clock.
"""

from __future__ import annotations

import itertools
from collections import deque
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache, lru_cache
from pathlib import Path
from typing import Any

import yaml
from pyvisa import rname
from pyvisa.constants import StatusCode
from pyvisa_sim import parser
from pyvisa_sim.component import NoResponse, Property
from pyvisa_sim.devices import Device, Devices
from pyvisa_sim.highlevel import SimVisaLibrary

from harness.rehearse.status import StatusModel

__all__ = ["CoupledDevice", "CoupledLibrary", "Live", "Timing", "device_timing", "load_device"]


@dataclass(frozen=True, slots=True)
class Live:
    """A live quantity behind a property.

    Attributes:
        get: Returns what the getter's format shows.
        set: Takes the text that was sent; raises ValueError for a value it does not take.
    """

    get: Callable[[], object]
    set: Callable[[str], None] | None = None


@dataclass(frozen=True, slots=True)
class Timing:
    """What a message costs, in seconds.

    Attributes:
        message_s: Every message: bus, parsing, answering.
        acquisition_s: On top of it, once, for a message that measures.
    """

    message_s: float
    acquisition_s: float


class _LiveProperty(Property):  # type: ignore[misc]  # pyvisa-sim ships no types
    """Stands in for a property of pyvisa-sim."""

    def __init__(self, name: str, live: Live, fixed: Property[Any], status: StatusModel) -> None:
        # not super().__init__: that would set the default and so move the circuit
        self.name = name
        self.specs = fixed.specs
        self._live = live
        self._status = status

    def get_value(self) -> Any:
        return self._live.get()

    def set_value(self, string_value: str) -> None:
        """Move the circuit, or report why not as an instrument does."""
        try:
            if self.specs is not None:
                self.validate_value(string_value)
        except ValueError:
            self._status.error(-222 if _is_number(string_value) else -104)
            return
        if self._live.set is None:
            self._status.error(-113)
            return
        try:
            self._live.set(string_value)
        except ValueError:
            self._status.error(-224)


class CoupledDevice:
    """One simulated instrument as a session of pyvisa-sim sees it.

    Args:
        device: The device as its YAML file describes it.
        live: Live quantity for each property of the file.
        actions: What a dialogue without an answer does, such as ``*CLS``.
        status: Its status model.
        timing: What its messages cost.
        wait: Lets time pass.
        advance: Takes the circuit to the present.
        lock: Held while the circuit is asked or moved, so that several links can share it; never
            while time passes, for instruments do not wait for each other.
    """

    def __init__(
        self,
        device: Device,
        *,
        live: Mapping[str, Live],
        actions: Mapping[str, Callable[[], None]],
        status: StatusModel,
        timing: Timing,
        wait: Callable[[float], None],
        advance: Callable[[], None],
        lock: AbstractContextManager[Any],
    ) -> None:
        properties = device._properties  # noqa: SLF001 - pinned version; there is no public door
        missing = properties.keys() - live.keys()
        if missing:
            raise ValueError(f"{device.name}: nothing live behind {', '.join(sorted(missing))}")
        device._properties = {  # noqa: SLF001
            name: _LiveProperty(name, live[name], fixed, status)
            for name, fixed in properties.items()
        }
        self._device = device
        self._getters = _plain_getters(device)
        self._actions = actions
        self._status = status
        self._timing = timing
        self._wait = wait
        self._advance = advance
        self._lock = lock
        self._incoming = b""
        self._answers: deque[bytes] = deque()

    def write(self, data: bytes) -> None:
        """Take bytes from the wire; a whole message is carried out at once."""
        self._incoming += data
        while b"\n" in self._incoming:
            line, _, self._incoming = self._incoming.partition(b"\n")
            self._message(line.decode("latin-1").strip())

    def read(self) -> tuple[bytes, bool]:
        """Give bytes to the wire: an answer in one piece, then its terminator."""
        if not self._answers:
            return b"", False
        piece = self._answers.popleft()
        return piece, piece == b"\n"

    def take(self) -> bytes:
        """Give a whole answer with its terminator; nothing where none waits."""
        answer = b"".join(self._answers)
        self._answers.clear()
        return answer

    def _message(self, message: str) -> None:
        if not message:
            return
        if self._answers:  # the last answer was not fetched (IEEE 488.2, 6.3.2.3)
            self._answers.clear()
            self._status.error(-410)
        parts, measures = _parts(message)
        self._wait(self._timing.message_s + (self._timing.acquisition_s if measures else 0.0))
        with self._lock:
            self._advance()
            answers = [answer for part in parts if (answer := self._part(part)) is not None]
        if answers:
            self._answers.extend((b";".join(answers), b"\n"))

    def _part(self, part: str) -> bytes | None:
        """Carry out one program message unit; return its answer, or None where it has none."""
        getter = self._getters.get(part)
        if getter is not None:  # what a run asks thousands of times, without pyvisa-sim's search
            answer, show = getter
            return show.format(answer.get_value()).encode()
        reply = self._device._match(part.encode("latin-1", "replace"))  # noqa: SLF001
        if reply is None:
            self._status.error(-113)
            return None
        if part in self._actions:
            self._actions[part]()
        return None if reply is NoResponse else bytes(reply)


class CoupledLibrary(SimVisaLibrary):  # type: ignore[misc]  # pyvisa-sim ships no types
    """A VISA library of coupled devices, to be handed to PyVISA's resource manager."""

    _numbers = itertools.count()

    def _init(self) -> None:
        self.sessions: dict[int, Any] = {}
        self.devices = Devices()

    def write(self, session: Any, data: bytes) -> tuple[int, StatusCode]:
        """Hand a message to the device, without asking for attributes that change nothing here."""
        self.sessions[session].device.write(data)
        return len(data), StatusCode.success

    def read(self, session: Any, count: int) -> tuple[bytes, StatusCode]:
        """Hand over a waiting answer in one piece; else wait for one as pyvisa-sim does."""
        answer = self.sessions[session].device.take()
        if answer:
            return answer, StatusCode.success_termination_character_read
        read: tuple[bytes, StatusCode] = super().read(session, count)
        return read

    @classmethod
    def of(cls, devices: Mapping[str, CoupledDevice]) -> CoupledLibrary:
        """Return a library with these devices under their resource names.

        PyVISA keeps one library a path, so each gets a path of its own: two rehearsals in one
        process must not meet on one bench.
        """
        library = cls(f"rehearsal {next(cls._numbers)}")
        library.devices._internal.update(  # noqa: SLF001
            {rname.to_canonical_name(resource): device for resource, device in devices.items()}
        )
        return library


@lru_cache(maxsize=256)
def _parts(message: str) -> tuple[tuple[str, ...], bool]:
    """Return a message's units as pyvisa-sim spells them, and whether any of them measures."""
    parts = tuple(part.strip().removeprefix(":").upper() for part in message.split(";"))
    return parts, any(part.startswith("MEAS:") for part in parts)


def _plain_getters(device: Device) -> dict[str, tuple[Property[Any], str]]:
    """Return property and format of each query that pyvisa-sim would answer from a property."""
    return {
        query.decode(): (device._properties[name], show)  # noqa: SLF001
        for query, (name, show) in device._getters.items()  # noqa: SLF001
        if "RANDOM" not in show and query not in device._dialogues  # noqa: SLF001
    }


def load_device(path: Path) -> Device:
    """Return a fresh device from its YAML file."""
    name, definition = _definition(path)
    return parser.get_device(name, definition, None, {})


def device_timing(path: Path) -> Timing:
    """Return what the messages of a device cost, as its file states it."""
    timing = _definition(path)[1]["timing"]
    return Timing(float(timing["message"]), float(timing["acquisition"]))


@cache
def _definition(path: Path) -> tuple[str, dict[str, Any]]:
    """Read a file once: thousands of rehearsals use the same few."""
    devices = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)["devices"]
    name, definition = next(iter(devices.items()))
    return name, definition


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
