"""How many messages go on any wire between a reading that must cut power and output-off."""

from __future__ import annotations

import contextlib
import datetime as dt
import math
from collections.abc import Iterator
from dataclasses import dataclass, field

from benchmarks.figure import Figure, Goal
from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.bench.link import Link
from harness.power.local_bench import LocalBench, open_bench
from harness.profile.load import load_profile
from harness.profile.plan import Plan
from harness.profile.schema import Envelope
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.engine import carry_out
from harness.run.result import RunInfo

__all__ = ["messages_to_off"]

_PROFILE = "dome-shutter-power-unit"
_OUTPUT_ON, _OUTPUT_OFF = ("supply", "OUTP ON"), ("supply", "OUTP OFF")


@dataclass(frozen=True, slots=True, kw_only=True)
class _Spoiling:
    """One kind of answer that must cut power.

    Attributes:
        name: What it is.
        role: Which instrument gives it.
        field: Place of the spoiled value in the answer.
        text: What stands there instead.
    """

    name: str
    role: str
    field: int
    text: str


def _spoilings(envelope: Envelope) -> tuple[_Spoiling, ...]:
    """Return answers just outside the envelope, and answers that are no value.

    Source: 9.9E37 and 9.91E37 are infinity and not-a-number in SCPI-1999 (volume 1, 7.2.1).
    """
    over = [
        f"{1.001 * bound:+.6E}"
        for bound in (envelope.voltage_v, envelope.current_a, envelope.power_w)
    ]
    return (
        _Spoiling(name="voltage", role="supply", field=0, text=over[0]),
        _Spoiling(name="current", role="supply", field=1, text=over[1]),
        _Spoiling(name="power", role="supply", field=2, text=over[2]),
        _Spoiling(name="not-a-number", role="supply", field=1, text="9.91E37"),
        _Spoiling(name="overload", role="meter", field=0, text="9.9E37"),
        _Spoiling(name="not-a-number", role="load", field=1, text="9.91E37"),
    )


@dataclass(slots=True)
class _Wires:
    """Every message to every instrument in order, and the one answer that is spoiled.

    Only answers under power count: with the output off there is nothing to switch off.
    """

    spoiling: _Spoiling
    position: int
    messages: list[tuple[str, str]] = field(default_factory=list)
    on: bool = False
    seen: int = 0
    spoiled_at: int | None = None

    def sent(self, role: str, message: str) -> None:
        self.messages.append((role, message))
        if (role, message) in (_OUTPUT_ON, _OUTPUT_OFF):
            self.on = (role, message) == _OUTPUT_ON

    def answered(self, role: str, message: str, answer: str) -> str:
        """Return the answer, spoiled where its turn has come."""
        if not self.on or role != self.spoiling.role or not message.startswith("MEAS:"):
            return answer
        self.seen += 1
        if self.seen - 1 != self.position:
            return answer
        self.spoiled_at = len(self.messages)
        parts = answer.split(";")
        parts[self.spoiling.field] = self.spoiling.text
        return ";".join(parts)

    def between(self) -> float:
        """Return the messages between the spoiled answer and output-off; infinite without one."""
        after = self.messages[self.spoiled_at :] if self.spoiled_at is not None else []
        return after.index(_OUTPUT_OFF) if _OUTPUT_OFF in after else math.inf


class _RecordedLink:
    """A link that notes what passes; fulfils :class:`harness.bench.link.Link`."""

    def __init__(self, link: Link, role: str, wires: _Wires) -> None:
        self.name = link.name
        self.timeout_s = link.timeout_s
        self._link = link
        self._role = role
        self._wires = wires

    def write(self, message: str) -> None:
        self._wires.sent(self._role, message)
        self._link.write(message)

    def query(self, message: str) -> str:
        self._wires.sent(self._role, message)
        return self._wires.answered(self._role, message, self._link.query(message))

    def reopen(self) -> None:
        self._wires.sent(self._role, "(opened again)")
        self._link.reopen()

    def close(self) -> None:
        self._link.close()


def messages_to_off(*, positions: int = 8) -> Figure:
    """Count over runs of profile B, each with one spoiled answer at another place.

    Args:
        positions: Places in the run at which each kind of answer is spoiled.
    """
    profile = load_profile(_PROFILE)
    plan = plan_for(profile, simulated_bench_file(profile))
    found: dict[str, list[float]] = {}
    for spoiling in _spoilings(profile.envelope):
        readings = _run(plan, _Wires(spoiling, position=-1)).seen
        places = sorted({readings * place // positions for place in range(positions)})
        found[f"{spoiling.role} {spoiling.name}"] = [
            _run(plan, _Wires(spoiling, place)).between() for place in places
        ]
    told = ", ".join(f"{name} {max(counts):g}" for name, counts in found.items())
    runs = sum(map(len, found.values()))
    return Figure(
        name="messages between the reading that must cut power and output-off",
        value=max(max(counts) for counts in found.values()),
        goal=Goal("<=", 0),
        told=told,
        conditions=(
            f"most of {runs} rehearsals of unit B, each with one bad answer somewhere from the "
            "first to the last reading; messages to supply, meter and load count"
        ),
    )


def _run(plan: Plan, wires: _Wires) -> _Wires:
    """Carry the plan out on recorded wires; a spoiled run that was not tripped has no count."""
    bench = simulated_bench_file(plan.profile)
    clock = SimulatedClock()
    simulated = SimulatedBench(simulated_unit(plan.profile), bench, clock)
    started = dt.datetime.now(dt.UTC)

    @contextlib.contextmanager
    def connect() -> Iterator[LocalBench]:
        with open_bench(bench, clock, library=simulated.library()) as opened:
            for role, instrument in opened.instruments.items():
                instrument.link = _RecordedLink(instrument.link, role, wires)
            yield opened

    result = carry_out(
        plan,
        connect=connect,
        clock=clock,
        sink=MemoryRecorder(serial="HRW-0008", started=started),
        info=RunInfo(serial="HRW-0008", started=started, rehearsal=True),
    )
    if wires.spoiled_at is not None and result.outcome is not Outcome.TRIPPED:
        wires.spoiled_at = None
    return wires
