"""When an output came up, from readings in turn, and by how much one came up behind another."""

from __future__ import annotations

import math
from collections.abc import Sequence

from harness.judge.propagate import Estimate
from harness.judge.uncertainty import Contribution, rectangular

#: Share of its nominal voltage from which on an output counts as up.
#: Source: rise times and delays of supplies are stated to 90 % (common practice of data sheets).
UP_FRAC = 0.9

#: Between which two times an output came up; the first is minus infinity where it was up before it
#: was read for the first time.
Between = tuple[float, float]


def came_up(times_s: Sequence[float], volts_v: Sequence[float], nominal_v: float) -> Between | None:
    """Return between which readings an output came up; None where it never did.

    Times are in seconds and rise; the size of the voltage counts, whatever its sign.
    """
    before_s = -math.inf
    for time_s, volt_v in zip(times_s, volts_v, strict=True):
        if abs(volt_v) >= UP_FRAC * abs(nominal_v):
            return before_s, time_s
        before_s = time_s
    return None


def rise_delay(
    first: Between | None, second: Between | None, *, low: float | None, high: float | None
) -> Estimate:
    """Return how long after the first output the second came up, in seconds; below zero: before.

    Each came up somewhere between two readings. Of one that was up before it was first read, only
    the latest time is known: the delay is then a bound, which decides a limit on its own side alone
    (``low`` and ``high`` say which there are).

    Source: JCGM 100:2008, 4.3.7: anywhere between two bounds is equally likely; 5.1.2.
    """
    if first is None or second is None:
        return Estimate(value=math.nan)
    early_first, early_second = math.isinf(first[0]), math.isinf(second[0])
    middle_first, middle_second = (
        end_s if early else 0.5 * (begin_s + end_s)
        for early, (begin_s, end_s) in ((early_first, first), (early_second, second))
    )
    causes: list[Contribution] = [
        rectangular(f"readings of the {name} output", 0.5 * (end_s - begin_s), unit="s")
        for name, early, (begin_s, end_s) in (
            ("first", early_first, first),
            ("second", early_second, second),
        )
        if not early
    ]
    # up earlier than it was read: the true delay is longer for the first one, shorter for the other
    unknown = (early_first and high is not None) or (early_second and low is not None)
    if unknown or (early_first and early_second):
        causes.append(
            Contribution(name="an output was up before it was first read", standard=math.inf)
        )
    return Estimate(value=middle_second - middle_first, contributions=tuple(causes))
