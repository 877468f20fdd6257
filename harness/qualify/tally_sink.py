"""What a campaign keeps of a run: its checks, and where it was when power was cut."""

from __future__ import annotations

from collections.abc import Mapping

from harness.record.sink import CheckRow, Values

__all__ = ["TallySink"]


class TallySink:
    """Takes in a run and keeps next to nothing; fulfils :class:`harness.record.sink.Sink`.

    Attributes:
        run_id: Name of the record.
        folder: None: there is no folder.
        checks: Every judged check.
        step: Step of the last supply reading before a trip, or of the last one at all.
        level: Its level.
    """

    folder: None = None

    def __init__(self, run_id: str) -> None:
        self.run_id = run_id
        self.checks: list[CheckRow] = []
        self.step = ""
        self.level = ""

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Note where the run is; see :meth:`harness.record.sink.Sink.sample`."""
        del time_s, values, source
        self.step, self.level = step, level

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in an event; none is kept."""

    def check(self, row: CheckRow) -> None:
        """Keep a judged check."""
        self.checks.append(row)

    def finish(self, run: Mapping[str, object]) -> None:
        """Complete the record: what the run says of itself is in its result already."""

    def abandon(self) -> None:
        """Leave the record without its end."""
