"""pyvisa-sim devices whose properties are live: a setter moves the circuit, a getter asks it.

A device of pyvisa-sim answers each query from a property of its own, and cuts a message at ``;``
into several replies. Here its property objects are replaced by live ones, and one message gives one
line of answers, joined by ``;`` as IEEE 488.2 (8.4.2) has it. Every message costs its time on the
clock.
"""

from __future__ import annotations

import copy
import itertools
from collections.abc import Callable, Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import cache, lru_cache, partial
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

__all__ = ["CoupledDevice", "CoupledLibrary", "Live", "Timing", "device_timing"]


@dataclass(frozen=True, slots=True)
class Live:
    """A live quantity behind a property.

    Attributes:
        get: Returns what the getter's format shows.
        set: Takes the text that was sent; raises ValueError for a value it does not take.
        most: Largest value it takes, or None for the largest the device's file states.
    """

    get: Callable[[], object]
    set: Callable[[str], None] | None = None
    most: float | None = None


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
        if self.specs is not None and live.most is not None:
            self.specs = copy.copy(self.specs)
            self.specs.max = live.most
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
        path: YAML file that describes the device.
        live: Live quantity for each property of the file.
        actions: What a dialogue without an answer does, such as ``*CLS``.
        status: Its status model.
        wait: Lets time pass.
        advance: Takes the circuit to the present.
        lock: Held while the circuit is asked or moved, so that several links can share it; never
            while time passes, for instruments do not wait for each other.
    """

    def __init__(
        self,
        path: Path,
        *,
        live: Mapping[str, Live],
        actions: Mapping[str, Callable[[], None]],
        status: StatusModel,
        wait: Callable[[float], None],
        advance: Callable[[], None],
        lock: AbstractContextManager[Any],
    ) -> None:
        device = copy.copy(_device(path))  # with properties of its own, all else shared
        properties = device._properties  # noqa: SLF001 - pinned version; there is no public door
        missing = properties.keys() - live.keys()
        if missing:
            raise ValueError(f"{device.name}: nothing live behind {', '.join(sorted(missing))}")
        device._properties = {  # noqa: SLF001
            name: _LiveProperty(name, live[name], fixed, status)
            for name, fixed in properties.items()
        }
        self._device = device
        self._getters = _plain_getters(device, live, actions)
        self._setters = _plain_setters(path)
        self._actions = actions
        self._status = status
        self._timing = device_timing(path)
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

    def read(self) -> tuple[bytes, bool]:
        """Give bytes to the wire: an answer in one piece, then its terminator."""
        answer = self._answer
        if len(answer) > 1:
            self._answer = b"\n"
            return answer[:-1], False
        self._answer = b""
        return answer, bool(answer)

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
        parts, measures = _parts(message)
        self._wait(self._timing.message_s + (self._timing.acquisition_s if measures else 0.0))
        with self._lock:
            self._advance()
            answers = [answer for part in parts if (answer := self._part(part)) is not None]
        return ";".join(answers)

    def _part(self, part: str) -> str | None:
        """Carry out one program message unit; return its answer, or None where it has none.

        What a run says thousands of times goes without pyvisa-sim's search.
        """
        getter = self._getters.get(part)
        if getter is not None:
            get, show = getter
            return show(get())
        head, _, value = part.rpartition(" ")
        name = self._setters.get(head)
        if name is not None:
            self._device._properties[name].set_value(value)  # noqa: SLF001
            return None
        reply = self._device._match(part.encode("latin-1", "replace"))  # noqa: SLF001
        if reply is None:
            self._status.error(-113)
            return None
        if part in self._actions:
            self._actions[part]()
        return None if reply is NoResponse else str(reply, "latin-1")


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


_Getters = dict[str, tuple[Callable[[], object], Callable[[object], str]]]


def _plain_getters(
    device: Device, live: Mapping[str, Live], actions: Mapping[str, Callable[[], None]]
) -> _Getters:
    """Return value and format of each query answered from a property, or always alike."""
    getters: _Getters = {
        query.decode(): (live[name].get, show.format)
        for query, (name, show) in device._getters.items()  # noqa: SLF001
        if "RANDOM" not in show
    }
    for query, answer in device._dialogues.items():  # noqa: SLF001 - they come before properties
        name = query.decode()
        getters.pop(name, None)
        if answer is not NoResponse and b"RANDOM" not in answer and name not in actions:
            getters[name] = partial(str, answer, "latin-1"), str
    return getters


@cache
def _plain_setters(path: Path) -> Mapping[str, str]:
    """Return property by the words before the value, for each ``WORDS {}`` without an answer."""
    heads = {}
    for name, table in _definition(path)[1]["properties"].items():
        head, _, value = table.get("setter", {}).get("q", "").rpartition(" ")
        if value == "{}" and "{" not in head and set(table["setter"]) == {"q"}:
            heads[head] = name
    return heads


@cache
def _device(path: Path) -> Device:
    """Read a file once: thousands of rehearsals use the same few."""
    name, definition = _definition(path)
    return parser.get_device(name, definition, None, {})


def device_timing(path: Path) -> Timing:
    """Return what the messages of a device cost, as its file states it."""
    timing = _definition(path)[1]["timing"]
    return Timing(float(timing["message"]), float(timing["acquisition"]))


@cache
def _definition(path: Path) -> tuple[str, dict[str, Any]]:
    """Return name and table of the one device of a file."""
    devices = yaml.load(path.read_text(encoding="utf-8"), Loader=yaml.BaseLoader)["devices"]
    name, definition = next(iter(devices.items()))
    return name, definition


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
