"""How far apart an instrument's readings are: measured with its output off, nothing set."""

from __future__ import annotations

import itertools
import math
import statistics
from collections.abc import Callable, Iterator

from harness.bench.clock import Clock
from harness.bench.finding import Finding, Mark
from harness.bench.roles import Instrument
from harness.errors import InstrumentError
from harness.profile.instruments import Instrument as InstrumentTable
from harness.profile.instruments import Meter, Supply
from harness.quantity import format_quantity

#: So many intervals between readings are timed, for so long at most.
_INTERVALS, _LONGEST_S = 20, 3.0
#: What the bench file says holds where it is off by no more than this factor.
_HOLDS = 1.5


def reading_pace(instrument: Instrument, table: InstrumentTable, clock: Clock) -> Iterator[Finding]:
    """Time a supply's or a meter's readings, as a run takes them, one after the other.

    Yielded is the one finding, with the line for the bench file where it says otherwise or nothing;
    none for another instrument, or where no time passes.
    """
    read = _reading_of(instrument, table)
    if read is None:
        return
    try:
        apart_s = _apart_s(read, clock)
    except InstrumentError as error:
        yield Finding(Mark.WRONG, "pace", error.what, error.remedy)
        return
    if apart_s <= 0.0:
        return
    assert isinstance(table, Supply | Meter)
    stated_s = table.reading_time_s
    what = "a pair of readings" if isinstance(table, Supply) else "a reading of DC voltage"
    text = f"{what} each {format_quantity(apart_s, 's', 2)}"
    if stated_s is not None and apart_s / _HOLDS <= stated_s <= apart_s * _HOLDS:
        yield Finding(Mark.OK, "pace", f"{text}, as the bench file says")
        return
    said = (
        "has no reading_time" if stated_s is None else f"says {format_quantity(stated_s, 's', 2)}"
    )
    yield Finding(
        Mark.NOTE,
        "pace",
        f"{text}; the bench file {said}",
        "so that a plan reckons with it, write:",
        (f'reading_time = "{format_quantity(apart_s, "s", 2)}"',),
    )


def _reading_of(instrument: Instrument, table: InstrumentTable) -> Callable[[], object] | None:
    """Return how a run reads it: a supply's whole sample, a meter's DC voltage."""
    if isinstance(table, Supply):
        return instrument.sample
    if isinstance(table, Meter) and instrument.has("measure_voltage_dc"):
        return lambda: instrument.read("voltage_dc")
    return None


def _apart_s(read: Callable[[], object], clock: Clock) -> float:
    """Return the median time from one reading to the next; the first may have more to do."""
    read()
    times_s = [clock.now_s()]
    while len(times_s) <= _INTERVALS and times_s[-1] - times_s[0] < _LONGEST_S:
        read()
        times_s.append(clock.now_s())
    apart_s = [after - before for before, after in itertools.pairwise(times_s)]
    return statistics.median(apart_s) if apart_s else math.nan
