"""What instruments average over a trailing window, and what a fault path let through so far."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import NamedTuple


class Means(NamedTuple):
    """Averages over a window."""

    voltage: float = 0.0  #: at the terminals: mean (DC) or mean of the square (AC)
    current: float = 0.0  #: of the source: mean (DC) or mean of the square (AC)
    power_w: float = 0.0
    output_v: float = 0.0
    output_square: float = 0.0
    bulk_v: float = 0.0
    bulk_square: float = 0.0
    peak_a: float = 0.0  #: highest instantaneous current of the source, no mean


#: Spans shorter than this are added to the one before.
_FINEST_S = 5e-4
#: Only so many seconds are kept: more than any window.
_KEPT_S = 2.0


class WindowedMeans:
    """Spans of time with the averages of every quantity over them, newest last.

    Within a span the quantities count as even, so a window that cuts a span takes its share.
    """

    def __init__(self) -> None:
        self._spans: deque[tuple[float, Means]] = deque()
        self._held_s = 0.0
        self._known: dict[float, Means] = {}

    def add(self, duration_s: float, means: Means) -> None:
        """Append a span of ``duration_s`` with these averages over it."""
        spans = self._spans
        self._known.clear()
        self._held_s += duration_s
        if spans:
            last_s, last = spans[-1]
            if last == means:
                spans[-1] = (last_s + duration_s, last)
                return
            if last_s + duration_s < _FINEST_S:
                spans[-1] = (last_s + duration_s, mean_of([spans[-1], (duration_s, means)]))
                return
        spans.append((duration_s, means))
        while self._held_s - spans[0][0] > _KEPT_S:
            self._held_s -= spans.popleft()[0]

    def over(self, window_s: float) -> Means | None:
        """Return averages over the last ``window_s`` seconds, or over all there is if less.

        None where nothing has been recorded yet.
        """
        known = self._known.get(window_s)
        if known is not None or not self._spans:
            return known
        last_s, last = self._spans[-1]
        if last_s >= window_s:
            return last
        left_s = window_s
        taken: list[tuple[float, Means]] = []
        for duration_s, means in reversed(self._spans):
            taken.append((min(duration_s, left_s), means))
            left_s -= duration_s
            if left_s <= 1e-12:
                break
        result = self._known[window_s] = mean_of(taken)
        return result


def mean_of(spans: list[tuple[float, Means]]) -> Means:
    """Return the mean of spans, each weighted with its duration."""
    total_s = sum(duration_s for duration_s, _ in spans)
    weighted = [[duration_s * value for value in means] for duration_s, means in spans]
    mean = Means(*[sum(column) / total_s for column in zip(*weighted, strict=True)])
    return mean._replace(peak_a=max(means.peak_a for _, means in spans))


@dataclass(slots=True)
class LetThrough:
    """Charge, energy and I2t through short, broken-over switch and leak since the run began."""

    charge_c: float = 0.0  #: integral of the magnitude of current
    energy_j: float = 0.0  #: heat in the path
    i2t_a2s: float = 0.0

    def add(self, siemens: float, volt_seconds: float, square_v2s: float) -> None:
        """Count what a conductance took: integrals of voltage magnitude and of its square."""
        self.charge_c += siemens * volt_seconds
        self.energy_j += siemens * square_v2s
        self.i2t_a2s += siemens**2 * square_v2s
