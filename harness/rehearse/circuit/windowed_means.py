"""Time integrals of what instruments average, kept for a trailing window."""

from __future__ import annotations

from collections import deque
from typing import NamedTuple

__all__ = ["Means", "WindowedMeans"]


class Means(NamedTuple):
    """Averages over a window.

    Attributes:
        voltage: Mean terminal voltage (DC) or mean of its square (AC).
        current: Mean source current (DC) or mean of its square (AC).
        power_w: Mean of voltage times current.
        output_v: Mean output voltage.
        output_square: Mean of its square.
        bulk_v: Mean bulk voltage.
        bulk_square: Mean of its square.
    """

    voltage: float
    current: float
    power_w: float
    output_v: float
    output_square: float
    bulk_v: float
    bulk_square: float


#: Spans shorter than this are added to the one before.
_FINEST_S = 5e-4


class WindowedMeans:
    """Spans of time with the integrals of every quantity over them, newest last.

    Only the last ``kept_s`` seconds are kept. Within a span the quantities count as even, so a
    window that cuts a span takes its share.
    """

    def __init__(self, *, kept_s: float = 2.0) -> None:
        self._spans: deque[tuple[float, Means]] = deque()
        self._kept_s = kept_s
        self._held_s = 0.0
        self._cache: dict[float, Means] = {}

    def add(self, duration_s: float, means: Means) -> None:
        """Append a span of ``duration_s`` with these averages over it."""
        spans = self._spans
        self._cache.clear()
        self._held_s += duration_s
        if spans:
            last_s, last = spans[-1]
            if last == means or last_s + duration_s < _FINEST_S:
                total_s = last_s + duration_s
                if last != means:
                    share, rest = duration_s / total_s, last_s / total_s
                    means = Means(*[rest * a + share * b for a, b in zip(last, means, strict=True)])
                spans[-1] = (total_s, means)
                return
        spans.append((duration_s, means))
        while self._held_s - spans[0][0] > self._kept_s:
            self._held_s -= spans.popleft()[0]

    def means(self, window_s: float) -> Means | None:
        """Return averages over the last ``window_s`` seconds, or over all there is if less.

        None where nothing has been recorded yet.
        """
        known = self._cache.get(window_s)
        if known is not None:
            return known
        if not self._spans:
            return None
        if self._spans[-1][0] >= window_s:
            return self._spans[-1][1]
        left_s = window_s
        taken: list[tuple[float, Means]] = []
        for duration_s, means in reversed(self._spans):
            part_s = min(duration_s, left_s)
            taken.append((part_s, means))
            left_s -= part_s
            if left_s <= 1e-12:
                break
        total_s = sum(part_s for part_s, _ in taken)
        weighted = [[part_s * value for value in means] for part_s, means in taken]
        result = Means(*[sum(column) / total_s for column in zip(*weighted, strict=True)])
        self._cache[window_s] = result
        return result
