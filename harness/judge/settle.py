"""Are the readings at rest? A statement about their mean, made from the readings themselves.

A unit that works, draws now a little more, now a little less: single readings scatter for ever.
What has to come to rest is the mean, and that is decided by *batch means*. Readings are gathered
in blocks of an eighth of the span; two blocks make one of the next rung, twice as long, and so
on: each rung shows the last eight of its blocks, so that windows of one span, two, four, eight
... stand side by side.

**Coming to rest.** A series is at rest when one of its windows shows it:

- all its readings lie within half the tolerance: nothing scatters, and nothing moves; or
- it is eight spans long or more, and a least-squares line through its eight block means is level.
  The line's *drift* is its slope times the span; its *doubt* the standard error of the slope
  times the span times Student's t (6 degrees of freedom). Drift plus doubt lie within the
  tolerance: a small slope that is not significant proves nothing, its upper confidence bound must
  be small. And no reading of the window lies further from its mean than the bound on jumps.

Blocks longer than what makes neighbouring readings agree have independent means: noise that is
correlated needs a longer window, and gets it. The first window that shows rest decides.

**Losing it.** Rest, once shown, stands until it is disproved:

- a reading *jumps*: it lies further outside the band of all readings at rest than the bound on
  jumps (twice the tolerance, or a share of the mean reading, whichever is more); or
- the mean *moves*: a block lies outside the band as it was a time before, by more than half of
  that bound (not below two tolerances) and the tolerance for each span that has passed since.
  Between values where readings may jump as they like, that is asked of the mean of a whole span.

What no window can see is a process much slower than the window: an exponential of time constant T
that drifts by d over a span s still has d / (exp(s / T) - 1) to go. That is no more than d when
the span is at least 0.7 T, so give ``span_s`` the slowest time constant that matters.

Source: textbook linear regression (slope, its standard error, t test) with the residual standard
deviation of JCGM 100:2008, H.3.2, and 4.2.7 for what correlated observations ask for; the method
of batch means, Law, Simulation Modeling and Analysis, chapter 9 (from memory); a confidence bound
inside a tolerance as proof of no movement is the textbook test of equivalence.
"""

from __future__ import annotations

import math
import sys
from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from operator import mul
from typing import NamedTuple

from harness.judge.uncertainty import coverage_factor
from harness.quantity import format_quantity

#: Block means that a window shows.
_BLOCKS = 8
#: Confidence that a slope is not larger. Every block is a new look, some hundreds in the longest
#: time: at 95 % a look, one of them would err.
_CONFIDENCE = 0.99
#: Bound on jumps in tolerances, where the mean reading is small.
_JUMP_TOLERANCES = 2.0
#: The bound on movement of the mean as a share of that on jumps: means scatter less.
_MOVE_FRAC = 0.5

_MOST = sys.float_info.max

_FILLING = "waiting for more readings"
_NO_NUMBER = "not a number"
_SCATTERS = "scatters by {amount} about its mean, more than {allowed}"
_SHORT = "scatters by {amount}, more than {allowed}: it must be watched for longer"
_MOVES = "still moves, by {amount} over {time}, more than {allowed}"
_UNSURE = "too noisy to tell: it may move by {amount} over {time}, more than {allowed}"
_JUMPED = "jumped by {amount} from what it read at rest, more than {allowed}"
_MOVED = "moved by {amount} in {time} from what it read at rest, more than {allowed}"

#: Share of the tolerance that all readings of a window lie within where nothing scatters.
_FLAT_FRAC = 0.5
#: Shortest window that a line is believed in where readings scatter: in spans, and in rungs above
#: the lowest. Blocks must be longer than what makes neighbouring readings agree, or noise that
#: happens to run against a drift hides it.
_LINE_SPANS = 8.0
_LINE_RUNG = 2
#: Student's t of a line through the block means of a window.
_T = coverage_factor(_BLOCKS - 2.0, _CONFIDENCE)


@dataclass(frozen=True, slots=True)
class _Finding:
    """What keeps a series from rest: words, what was found, what is allowed, over what time."""

    template: str
    amount: float = 0.0
    allowed: float = math.inf
    time_s: float = 0.0

    def text(self, unit: str) -> str:
        return self.template.format(
            amount=format_quantity(self.amount, unit, 3),
            allowed=format_quantity(self.allowed, unit, 3),
            time=format_quantity(self.time_s, "s", 3),
        )


_FIRST = _Finding(_FILLING)


class _Block(NamedTuple):
    """Readings that follow each other: their middle in time, mean, lowest and highest."""

    time_s: float
    mean: float
    low: float
    high: float


class _Band(NamedTuple):
    """What was read at rest up to a time; the bounds on jumps and on movement that go with it."""

    time_s: float
    low: float
    high: float
    jump: float
    move: float

    def away(self, value: float) -> float:
        """How far a value lies outside."""
        return max(value - self.high, self.low - value)


class _Rung:
    """Blocks of one length, and what keeps the window of the last eight from rest."""

    __slots__ = ("blocks", "finding", "half")

    def __init__(self) -> None:
        self.blocks: deque[_Block] = deque(maxlen=_BLOCKS)
        self.half: _Block | None = None
        self.finding: _Finding | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class Watched:
    """A series that is to come to rest, by the name and the SI unit that messages give it."""

    name: str
    unit: str
    #: How far its mean may move over one span and count as at rest: the instrument's resolution, or
    #: more.
    tolerance: float
    #: Share of its mean by which a reading may lie outside what was read at rest.
    jump_frac: float = 0.0
    #: Values between which readings may jump as they like: a unit at work draws now this, now that.
    free: tuple[float, float] = (math.inf, -math.inf)


class Settler:
    """Decides reading by reading whether several series, read together, are all at rest.

    Adding a reading costs a microsecond or two: it goes into a sum, and only a full block is looked
    at, in two windows on the average. ``span_s`` is above zero; a window has eight readings at
    least.

    Raises:
        ValueError: If there is nothing to watch.
    """

    def __init__(self, *watched: Watched, span_s: float) -> None:
        if not watched:
            raise ValueError("settling needs at least one series")
        self._series = tuple(_Series(one, span_s) for one in watched)
        self._now_s = -math.inf

    @property
    def reason(self) -> str:
        """What keeps it from rest, or empty when it is at rest."""
        for series in self._series:
            finding = series.finding
            if finding is not None:
                return f"{series.watched.name} {finding.text(series.watched.unit)}"
        return ""

    def mean(self, number: int) -> float:
        """Mean of a series over its last blocks, a span of them; nan before the first."""
        return self._series[number].mean

    def add(self, time_s: float, values: Sequence[float]) -> bool:
        """Take one reading of every series; True while all are at rest.

        ``values`` has one value a series, in its unit. One that is no number ends rest, and what
        came before it proves nothing any more.

        Raises:
            ValueError: If time runs backwards or the number of values is wrong.
        """
        if time_s < self._now_s:
            raise ValueError(f"time ran backwards, from {self._now_s} s to {time_s} s")
        if self._now_s == -math.inf:
            for series in self._series:
                series.start_over(time_s, _FIRST)
        self._now_s = time_s
        at_rest = True
        for series, value in zip(self._series, values, strict=True):
            if not series.add(time_s, value):
                at_rest = False
        return at_rest


class _Series:
    """One series on its way to rest, and at it."""

    _low: float
    _high: float

    __slots__ = (
        *("mean", "watched", "_tolerance", "_span_s", "_block_s", "_finding", "_rungs", "_recent"),
        *("_begin_s", "_sum", "_count", "_low", "_high", "_least", "_most"),
        *("_band", "_bands", "_first", "_at_rest"),
    )

    def __init__(self, watched: Watched, span_s: float) -> None:
        self.watched = watched
        self._tolerance = watched.tolerance
        self._span_s = span_s
        # a rounding error of the clock must not make a block one reading longer
        self._block_s = span_s / _BLOCKS * (1.0 - 1e-9)
        self.mean = math.nan
        self.start_over(0.0, _FIRST)

    @property
    def finding(self) -> _Finding | None:
        """What keeps it from rest: of all windows the one that is nearest to it."""
        if self._finding is None:
            return None
        found = [rung.finding for rung in self._rungs if rung.finding is not None]
        return min(found, key=lambda one: one.amount / one.allowed, default=self._finding)

    def start_over(self, time_s: float, finding: _Finding) -> None:
        """Forget what was read: it proves nothing any more."""
        self._finding: _Finding | None = finding
        self._rungs: list[_Rung] = []
        self._recent: deque[float] = deque(maxlen=_BLOCKS)
        self._least, self._most = -_MOST, _MOST
        self._begin_block(time_s)

    def add(self, time_s: float, value: float) -> bool:
        """Take a reading; True while at rest."""
        # written so that a value that is no number fails
        if not self._least <= value <= self._most:
            self.start_over(time_s, self._jumped(value))
            if not math.isfinite(value):
                return False
        self._sum += value
        self._count += 1
        self._low = min(self._low, value)
        self._high = max(self._high, value)
        if time_s - self._begin_s >= self._block_s:
            self._end_block(time_s)
        return self._finding is None

    def _begin_block(self, time_s: float) -> None:
        self._begin_s = time_s
        self._sum, self._count = 0.0, 0
        self._low, self._high = _MOST, -_MOST

    def _end_block(self, time_s: float) -> None:
        mean = self._sum / self._count
        block = _Block((self._begin_s + time_s) / 2.0, mean, self._low, self._high)
        self._begin_block(time_s)
        self._recent.append(mean)
        self.mean = sum(self._recent) / len(self._recent)
        if self._finding is None:
            self._watch(time_s, block)
        else:
            self._climb(time_s, block)

    # --- on the way to rest

    def _climb(self, time_s: float, block: _Block) -> None:
        """Put a block on the lowest rung; two of one rung make one of the next."""
        number = 0
        while True:
            if number == len(self._rungs):
                self._rungs.append(_Rung())
            rung = self._rungs[number]
            rung.blocks.append(block)
            if len(rung.blocks) == _BLOCKS:
                rung.finding = self._judge(rung.blocks, number)
                if rung.finding is None:
                    self._come_to_rest(time_s, rung.blocks)
                    return
            half, rung.half = rung.half, None if rung.half else block
            if half is None:
                return
            block = _Block(
                (half.time_s + block.time_s) / 2.0,
                (half.mean + block.mean) / 2.0,
                min(half.low, block.low),
                max(half.high, block.high),
            )
            number += 1

    def _judge(self, blocks: Sequence[_Block], number: int) -> _Finding | None:
        """What keeps one window from being at rest; None for nothing."""
        times, means, lows, highs = zip(*blocks, strict=True)
        low, high, tolerance = min(lows), max(highs), self._tolerance
        # the rounding of decimal text is forgiven
        if high - low <= _FLAT_FRAC * tolerance * (1.0 + 1e-6):
            return None
        # Plain floats about the means: for eight blocks a tenth of the time of numpy calls.
        middle_s, mean = sum(times) / _BLOCKS, sum(means) / _BLOCKS
        dt = [time_s - middle_s for time_s in times]
        dy = [value - mean for value in means]
        sxx = sum(map(mul, dt, dt))
        slope = sum(map(mul, dt, dy)) / sxx
        # Never below zero: on a clean line the difference is all rounding.
        residual = max(sum(map(mul, dy, dy)) - slope * slope * sxx, 0.0)
        drift = abs(slope) * self._span_s
        doubt = _T * math.sqrt(residual / (_BLOCKS - 2) / sxx) * self._span_s
        if drift > max(doubt, tolerance):
            return _Finding(_MOVES, drift, tolerance, self._span_s)
        outside, bound = self._outside(low, high, mean), self._jump_bound(mean)
        if outside > bound:
            return _Finding(_SCATTERS, outside, bound)
        if drift + doubt <= tolerance:
            window_s = (times[-1] - times[0]) * _BLOCKS / (_BLOCKS - 1)
            if number >= _LINE_RUNG and window_s >= _LINE_SPANS * self._span_s * (1.0 - 1e-9):
                return None
            return _Finding(_SHORT, high - low, _FLAT_FRAC * tolerance)
        return _Finding(_UNSURE, drift + doubt, tolerance, self._span_s)

    def _outside(self, low: float, high: float, mean: float) -> float:
        """How far readings lie from their mean, those that may jump as they like left out."""
        least, most = self.watched.free
        above = high - mean if high > most else 0.0
        return max(above, mean - low if low < least else 0.0)

    def _jump_bound(self, mean: float, share: float = 1.0) -> float:
        return max(_JUMP_TOLERANCES * self._tolerance, share * self.watched.jump_frac * abs(mean))

    def _come_to_rest(self, time_s: float, blocks: Sequence[_Block]) -> None:
        """Keep the window that showed it as the band, and watch what leaves it."""
        low, high = min(block.low for block in blocks), max(block.high for block in blocks)
        self._finding = None
        self._at_rest = 0
        self._band = self._first = self._band_of(time_s, low, high)
        self._bands: list[_Band] = []

    # --- at rest

    def _band_of(self, time_s: float, low: float, high: float) -> _Band:
        jump = self._jump_bound(self.mean)
        least, most = self.watched.free
        self._least, self._most = min(low - jump, least), max(high + jump, most)
        return _Band(time_s, low, high, jump, self._jump_bound(self.mean, _MOVE_FRAC))

    def _jumped(self, value: float) -> _Finding:
        if not math.isfinite(value):
            return _Finding(_NO_NUMBER)
        return _Finding(_JUMPED, self._band.away(value), self._band.jump)

    def _watch(self, time_s: float, block: _Block) -> None:
        """Compare a block with the band as it was one block ago, two, four, eight ..."""
        least, most = self.watched.free
        if least <= block.low and block.high <= most:
            # one burst fills a block, above all where that is one reading, and none the next
            block = _Block(block.time_s, self.mean, self.mean, self.mean)
        low, high = min(self._band.low, block.low), max(self._band.high, block.high)
        self._band = self._band_of(time_s, low, high)
        self._at_rest += 1
        number, blocks = 0, self._at_rest
        while True:
            if number == len(self._bands):
                self._bands.append(self._first)
            before = self._bands[number]
            passed_s = time_s - before.time_s
            away = before.away(block.mean)
            allowed = before.move + self._tolerance * passed_s / self._span_s
            if away > allowed:
                self.start_over(time_s, _Finding(_MOVED, away, allowed, passed_s))
                return
            self._bands[number] = self._band
            if blocks & 1:
                return
            blocks >>= 1
            number += 1
