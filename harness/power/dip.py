"""A drop of the input for a stated time, carried out by whoever holds the link to the supply.

Asked for through engine and pipe, a drop of 60 ms became 98 ms to 253 ms. So the keeper's own
process does it: it knows what its messages take, watches the supply by the same rules meanwhile,
and notes between which two moments each change came.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Protocol

from harness.bench.clock import Clock
from harness.power.commands import Command, Set
from harness.power.power_times import Span

#: How often the way of a setting is tried before, at the voltage that stands.
_TRIALS = 3
#: Readings of the output go on for so long once the input is back: what gave way late shows.
_AFTER_S = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Dip:
    """What to do: from ``back_v`` to ``voltage_v`` and back (rms for AC)."""

    voltage_v: float
    back_v: float
    duration_s: float
    load: str = ""  #: key of the load whose voltage is read meanwhile; empty: none is


#: Called again and again while the input drops and comes back: reads what is not the keeper's.
Meanwhile = Callable[[], object]


@dataclass(frozen=True, slots=True, kw_only=True)
class DipRecord:
    """What was done, and what the load read."""

    down: Span  #: from before the message that lowers the voltage to the answer that confirms it
    up: Span
    outputs: tuple[tuple[Span, float], ...]  #: readings of the output voltage
    takes_s: float  #: the longest that a setting took before
    samples: int  #: of the supply, judged while it was down


class Timed(Protocol):
    """Who has the links in its hands: :class:`harness.power.local_keeper.LocalKeeper`."""

    @property
    def clock(self) -> Clock:
        """The run's clock."""

    def set_quickly(self, command: Set) -> Span:
        """Set the supply; return from when to when that took."""

    def command(self, command: Command) -> object:
        """Carry a command out."""

    def sample(self) -> object:
        """Read the supply once, judged."""

    def read(self, role: str, *quantities: str) -> Mapping[str, float]:
        """Read the load once."""

    def look_between(self) -> None:
        """Put what is due between two samples."""

    def obey_off(self) -> None:
        """Cut power where somebody has said so past the engine, or that has fallen silent."""


def carry_out(keeper: Timed, dip: Dip, meanwhile: Meanwhile | None = None) -> DipRecord:
    """Drop the input and bring it back, the time counted from middle to middle of both messages.

    Between the messages the supply is read and judged, and the load read, as often as fits; and so
    is what goes on ``meanwhile`` where one process has it all, as a rehearsal has.

    Raises:
        Tripped: Power has been cut.
    """
    clock = keeper.clock
    outputs: list[tuple[Span, float]] = []

    def read_output() -> float:
        """Read the load once; return how long that took."""
        begin_s = clock.now_s()
        voltage_v = keeper.read(dip.load, "voltage")["voltage"]
        outputs.append(((begin_s, clock.now_s()), voltage_v))
        return clock.now_s() - begin_s

    def turn(*, fed: bool) -> float:
        """Look once at supply and output; return how long that took.

        A supply set to nothing feeds nothing: there the output alone is read, as often as it goes.
        """
        begin_s = clock.now_s()
        keeper.obey_off()
        if fed:
            keeper.sample()
        else:
            keeper.look_between()
        if dip.load:
            read_output()
        if meanwhile is not None:
            meanwhile()
        return clock.now_s() - begin_s

    spans = [keeper.set_quickly(Set("voltage", dip.back_v)) for _ in range(_TRIALS)]
    takes_s = max(end_s - begin_s for begin_s, end_s in spans)
    keeper.sample()
    fed = dip.voltage_v > 0.0 or not dip.load
    longest_s = turn(fed=fed)
    reading_s = read_output() if dip.load else 0.0
    outputs.clear()
    down = keeper.set_quickly(Set("voltage", dip.voltage_v))
    due_s = 0.5 * sum(down) + dip.duration_s - 0.5 * takes_s
    samples = 0
    if not fed and clock.now_s() + reading_s < due_s:
        keeper.obey_off()
        read_output()  # before anything else is looked at: in a short drop nothing more may fit
    while clock.now_s() + longest_s < due_s:
        longest_s = max(longest_s, turn(fed=fed))
        samples += fed
    left_s = due_s - clock.now_s()
    if left_s > 0.0:
        clock.sleep_s(left_s)
    up = keeper.set_quickly(Set("voltage", dip.back_v))
    while clock.now_s() < up[1] + _AFTER_S:
        turn(fed=True)
    keeper.command(Set("voltage", dip.back_v))  # once more, with a look at what it reports
    return DipRecord(down=down, up=up, outputs=tuple(outputs), takes_s=takes_s, samples=samples)
