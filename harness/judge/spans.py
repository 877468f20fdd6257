"""The time between two changes, each of which lies between two moments (pure)."""

from __future__ import annotations

from harness.judge.propagate import Estimate
from harness.judge.uncertainty import rectangular


def time_between(
    first: tuple[float, float], second: tuple[float, float], *, called: str, later_s: float = 0.0
) -> Estimate:
    """Return the time in seconds from a change to the next, from middle to middle.

    ``called`` is what the moments are of, in a budget. By ``later_s`` a change may come after it
    was told: an AC source may wait for the next zero crossing of its line.

    Source: an interval in which any value is as likely: JCGM 100:2008, 4.3.7.
    """
    half_s = 0.5 * (second[1] - second[0] + first[1] - first[0])
    causes = [rectangular(called, half_s, unit="s")]
    if later_s:
        causes.append(rectangular("zero crossings that a source may wait for", later_s, unit="s"))
    return Estimate(value=0.5 * (sum(second) - sum(first)), contributions=tuple(causes))
