"""Whether a run is asked about at all, and whether a library is at hand that could answer."""

from __future__ import annotations

from harness.record.tables import Record
from harness.suspects.bench_of_record import bench_like
from harness.suspects.case import profile_of
from harness.suspects.stock import Stock, compiled_in, kept_in, stock_for

#: A check that passed by less than so many of its uncertainties passed narrowly.
_NARROW = 1.0


def is_narrow(verdict: str, margin: float, uncertainty: float) -> bool:
    """Whether a check passed by so little that its limit is worth a word."""
    return verdict == "pass" and margin < _NARROW * uncertainty


def passed(record: Record) -> bool:
    """Whether a run was completed and every check passed."""
    return (record.run["outcome"], record.run["verdict"]) == ("completed", "pass")


def wants_explanation(record: Record) -> bool:
    """Whether there is anything to explain: a run that did not pass, or passed narrowly."""
    if not len(record.readings):
        return False
    rows = record.checks[["verdict", "margin", "uncertainty"]].itertuples(index=False, name=None)
    return not passed(record) or any(is_narrow(*row) for row in rows)


def stock_at_hand(record: Record) -> Stock | None:
    """Return the stock of the library that a record asks for, if one is at hand.

    HarnessError: the record is no case.
    """
    profile = profile_of(record)
    stock = stock_for(profile, bench_like(record.run.get("bench") or {}, profile))
    return stock if compiled_in(kept_in(stock)).is_file() else None
