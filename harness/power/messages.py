"""What the engine and the keeper's process say to each other: pickled messages with their length.

Both ends are this program, started by itself; nobody else can write to the pipes.
"""

from __future__ import annotations

import pickle
import struct
import threading
from collections.abc import Callable
from dataclasses import dataclass
from queue import SimpleQueue
from typing import IO, Any

from harness.bench.sample import SupplySample
from harness.power.commands import Command
from harness.power.operating_envelope import OperatingEnvelope
from harness.power.trip import Trip, TripReason
from harness.profile.bench_file import BenchFile

__all__ = [
    "Alive",
    "Closed",
    "Cut",
    "Do",
    "Done",
    "Event",
    "Failed",
    "Hold",
    "Identities",
    "LoadReading",
    "OffReading",
    "Open",
    "PowerOff",
    "ReadLoad",
    "ReadOff",
    "ReadStatus",
    "Room",
    "Sampled",
    "StatusReading",
    "Tried",
    "Tripped",
    "Try",
    "Unconfirmed",
    "pump_in",
    "pump_out",
]

_LENGTH = struct.Struct("!I")


# --- to the keeper


@dataclass(frozen=True, slots=True)
class Open:
    """Open supply and load of this bench and identify them."""

    file: BenchFile
    origin_s: float


@dataclass(frozen=True, slots=True)
class Try:
    """Put these questions once, by role, before power."""

    questions: dict[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True)
class Hold:
    """Take power into hand with these bounds."""

    limits: OperatingEnvelope


@dataclass(frozen=True, slots=True)
class Do:
    """Carry out a command."""

    command: Command


@dataclass(frozen=True, slots=True)
class ReadLoad:
    """Read the load once."""


@dataclass(frozen=True, slots=True)
class ReadOff:
    """Read supply or load once with the output off."""

    role: str


@dataclass(frozen=True, slots=True)
class ReadStatus:
    """Read the supply's status register once."""


@dataclass(frozen=True, slots=True)
class Cut:
    """Cut power for a reason of the engine's."""

    reason: TripReason
    detail: str


@dataclass(frozen=True, slots=True)
class PowerOff:
    """Switch off and confirm."""


@dataclass(frozen=True, slots=True)
class Room:
    """The engine has taken so many samples: there is room for as many more."""

    samples: int


@dataclass(frozen=True, slots=True)
class Alive:
    """The engine is there: sent where it has nothing else to say, which would tell so as well."""


# --- to the engine


@dataclass(frozen=True, slots=True)
class Identities:
    """Answers to ``*IDN?`` by role."""

    by_role: dict[str, str]


@dataclass(frozen=True, slots=True)
class Tried:
    """What is wrong with the answers to :class:`Try`."""

    wrong: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Sampled:
    """A sample of the supply, judged."""

    sample: SupplySample


@dataclass(frozen=True, slots=True)
class Event:
    """Power changed."""

    kind: str
    detail: str


@dataclass(frozen=True, slots=True)
class LoadReading:
    """What the load read."""

    values: dict[str, float]


@dataclass(frozen=True, slots=True)
class OffReading:
    """What an instrument read with the output off; without values, why not."""

    values: dict[str, float]
    text: str = ""


@dataclass(frozen=True, slots=True)
class StatusReading:
    """What the supply's status register read."""

    bits: int


@dataclass(frozen=True, slots=True)
class Done:
    """A request was carried out."""

    live: bool


@dataclass(frozen=True, slots=True)
class Tripped:
    """Power was cut and is confirmed off."""

    trip: Trip


@dataclass(frozen=True, slots=True)
class Unconfirmed:
    """Output off could not be confirmed."""

    what: str
    where: str
    remedy: str


@dataclass(frozen=True, slots=True)
class Failed:
    """A request could not be carried out, and power did not change."""

    refused: bool
    text: str


@dataclass(frozen=True, slots=True)
class Closed:
    """The other end is gone."""


# --- pipes


def pump_in(stream: IO[bytes], arrived: Callable[[Any], None]) -> None:
    """Hand over each message as it comes in until the stream ends; then :class:`Closed`.

    A thread of its own does this, since no way to wait for a pipe works on every system.
    """

    def pump() -> None:
        try:
            while header := stream.read(_LENGTH.size):
                arrived(pickle.loads(stream.read(_LENGTH.unpack(header)[0])))  # noqa: S301 - ours
        except (OSError, EOFError, pickle.UnpicklingError, struct.error, ValueError):
            pass  # cut off in the middle: as good as closed
        arrived(Closed())

    threading.Thread(target=pump, name="incoming", daemon=True).start()


def pump_out(stream: IO[bytes], queue: SimpleQueue[Any]) -> threading.Thread:
    """Write messages from a queue until :class:`Closed`.

    A reader that does not read holds up this thread and no other.
    """

    def pump() -> None:
        try:
            while not isinstance(message := queue.get(), Closed):
                body = pickle.dumps(message, pickle.HIGHEST_PROTOCOL)
                stream.write(_LENGTH.pack(len(body)) + body)
                if queue.empty():
                    stream.flush()
            stream.flush()
        except (OSError, ValueError):
            pass  # nobody listens any more; the other pipe says so

    thread = threading.Thread(target=pump, name="outgoing", daemon=True)
    thread.start()
    return thread
