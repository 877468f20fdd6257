"""How long an instrument may be waited for, by what hangs on it."""

from __future__ import annotations

from harness.quantity import format_quantity

__all__ = ["wait_problem"]

#: Longest time-out by role, and longest rest after a setting. While supply or load is waited for,
#: nobody reads the supply under power; a meter may take its time over a reading.
_LONGEST_WAITS_S = {"supply": 5.0, "load": 5.0, "meter": 60.0}


def wait_problem(role: str, wait_s: float) -> str | None:
    """Say what is wrong with a time-out of an instrument, or its rest after a setting, if anything.

    Args:
        role: ``supply``, ``meter`` or ``load``.
        wait_s: How long it is.
    """
    longest_s = _LONGEST_WAITS_S[role]
    if wait_s <= longest_s:
        return None
    given, longest = format_quantity(wait_s, "s"), format_quantity(longest_s, "s")
    why = "" if role == "meter" else ", for power hangs on it"
    return f"{given} is more than {longest}, the longest that a {role} may be waited for{why}"
