"""What the parts of one full sample cost, so that the next engineer knows where time goes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from statistics import median
from time import perf_counter

from benchmarks.live_unit import LiveUnit, Wire, limits_of, live_unit
from harness.bench.commands import Arm, SwitchOn, Watch
from harness.bench.dialect import Dialect, load_dialect
from harness.bench.keeper import Keeper
from harness.bench.roles import Supply
from harness.bench.sample import SupplySample
from harness.judge.settle import Settler

__all__ = ["SampleParts", "sample_parts"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SampleParts:
    """Time of each part of a sample, in microseconds.

    Attributes:
        wire: Where the instruments are.
        query_us: One compound message through PyVISA, the simulated instrument's work included.
        parsing_us: From the answer's text to a sample.
        keeper_us: Envelope, protection and charge budget.
        journal_us: Three rows into ``readings.csv``, with ``fsync`` in its rhythm, and what the
            report keeps of them.
        settling_us: The settling decision on voltage and current.
        whole_us: A full sample in a hold, measured as a whole.
    """

    wire: Wire
    query_us: float
    parsing_us: float
    keeper_us: float
    journal_us: float
    settling_us: float
    whole_us: float

    @property
    def rest_us(self) -> float:
        """What is in the whole and in none of the parts: the loop, the clock, calls."""
        parts_us = self.query_us + self.parsing_us + self.keeper_us + self.journal_us
        return self.whole_us - parts_us - self.settling_us


class _Echo:
    """A link that answers at once, always the same; fulfils :class:`harness.bench.link.Link`."""

    name, timeout_s = "supply (echo)", 1.0

    def __init__(self, answer: str) -> None:
        self._answer = answer

    def write(self, message: str) -> None: ...

    def query(self, message: str) -> str:
        del message
        return self._answer

    def reopen(self) -> None: ...

    def close(self) -> None: ...


def sample_parts(wire: Wire, *, samples: int = 200, rounds: int = 21) -> SampleParts:
    """Measure each part by itself, in turns, on samples of a live unit.

    Args:
        wire: Where the instruments are.
        samples: Samples a turn.
        rounds: Turns of each part.
    """
    with live_unit(wire) as unit:
        dialect = load_dialect(unit.context.bench.file.supply.dialect)
        assert dialect.sample is not None
        taken = [unit.context.sample() for _ in range(samples)]
        answer = unit.session.query(dialect.sample.ask)
        parsing = Supply("supply", _Echo(answer), dialect, unit.clock)
        keeper = _keeper(unit, dialect)
        parts: dict[str, Callable[[SupplySample], object]] = {
            "query": lambda _: unit.session.query(dialect.sample.ask),  # type: ignore[union-attr]
            "parsing": lambda _: parsing.read(),
            "keeper": keeper.sample,
            "journal": unit.context.on_sample,
        }
        times: dict[str, list[float]] = {name: [] for name in (*parts, "settling", "whole")}
        for _ in range(rounds):
            for name, part in parts.items():
                times[name].append(_each(part, taken))
            times["settling"].append(_each(_settling(unit), taken))
            times["whole"].append(unit.hold(samples))
    us = {name: median(seconds) * 1e6 for name, seconds in times.items()}
    return SampleParts(
        wire=wire,
        query_us=us["query"],
        parsing_us=us["parsing"],
        keeper_us=us["keeper"],
        journal_us=us["journal"],
        settling_us=us["settling"],
        whole_us=us["whole"],
    )


def _each(part: Callable[[SupplySample], object], samples: list[SupplySample]) -> float:
    begin_s = perf_counter()
    for sample in samples:
        part(sample)
    return (perf_counter() - begin_s) / len(samples)


def _keeper(unit: LiveUnit, dialect: Dialect) -> Keeper:
    """Return a keeper of its own that takes the unit to be live at its last start level."""
    level = unit.level
    keeper = Keeper(limits_of(unit.context.plan), supply=dialect.operations)
    for command in (Arm(level.voltage_v, level.current_limit_a), SwitchOn(), Watch(level)):
        keeper.command(command, 0.0)
    return keeper


def _settling(unit: LiveUnit) -> Callable[[SupplySample], object]:
    """Return a settling decision with the resolution a run would give it."""
    accuracy = unit.context.bench.file.supply.accuracy
    level = unit.level
    settler = Settler(
        resolution=(
            accuracy["voltage"].bound(level.voltage_v),
            max(accuracy["current"].bound(0.0), 5e-3 * level.current_limit_a),
        )
    )
    return lambda sample: settler.add(sample.time_s, (sample.voltage_v, sample.current_a))
