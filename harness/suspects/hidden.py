"""What a run did not see of its unit, however well it is explained: other faults may be there."""

from __future__ import annotations

from harness.record.events import EventKind
from harness.record.tables import Record
from harness.suspects.ranking import Ranking

#: Suspects with which nothing works that lies behind them: no reading tells of it.
COVERING = frozenset({"open-fuse", "no-start"})
_OTHERS = "other faults may be there."


def hidden_words(record: Record, ranking: Ranking) -> str:
    """Say what was not seen, and why; empty where the run came to its end and the unit worked.

    Where two faults meet, the one that ends the run mostly hides the other.
    """
    if record.run["outcome"] != "completed":
        events = record.events
        steps = events["step"][events["kind"] == EventKind.STEP].tolist()
        where = f"in step {steps[-1]!r}" if steps else "early"
        return f"The run ended {where}: what comes after that was not seen, and {_OTHERS}"
    if ranking.suspects[0].name in COVERING and not ranking.is_unlike:
        return f"With such a fault nothing behind it works, nor is it seen: {_OTHERS}"
    return ""
