"""Where a run's readings, events and checks go: the port that the engine writes to."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.judge.uncertainty import Contribution

#: Readings taken together: quantity, value, unit.
Values = tuple[tuple[str, float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One judged check, as ``checks.csv`` has it; what is not known is not-a-number."""

    step: str
    check: str
    quantity: str  # the measure's name (``meter.voltage_dc``)
    value: float
    unit: str  # SI unit of all figures of the row (``1`` for a ratio)
    low: float | None
    high: float | None
    uncertainty: float  # expanded, about 95 % coverage
    rule: str  # ``guarded`` or ``simple``
    verdict: str
    margin: float  # distance to the nearer limit, less the guard band
    budget: tuple[Contribution, ...] = ()  # each a row of ``budgets.csv``
    source: str = ""  # of the limits, as ``run.json`` has it; empty where it is not stated

    @property
    def unknown(self) -> tuple[str, ...]:
        """Causes of uncertainty whose size nobody knows, in words: why nothing was decided."""
        return tuple(part.name for part in self.budget if math.isinf(part.share))


class Sink(Protocol):
    """Takes in a run while it happens.

    Every method raises :class:`~harness.errors.RecordError` when the record cannot be kept; a unit
    is then not kept energised (safety rule 9).
    """

    run_id: str  # name of the record

    @property
    def folder(self) -> Path | None:
        """Folder of the record, or None where it is kept in memory only."""

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Take in readings taken together, in seconds since the run's start; source is a role."""

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in something that happened; on disk before this returns."""

    def check(self, row: CheckRow) -> None:
        """Take in a judged check."""

    def finish(self, run: Mapping[str, object]) -> Path | None:
        """Complete the record with what is known at the end of the run; return its folder.

        ``run`` has the keys of :data:`harness.record.run_summary.NEEDED`, and any others.
        """

    def abandon(self) -> None:
        """Leave the record as it is, without ``run.json``: it reads as interrupted."""


class Renderer(Protocol):
    """Follows a run and makes its report: handed to the record, which knows no report itself."""

    def sample(self, time_s: float, step: str, values: Values, source: str) -> None:
        """Take in readings taken together, as :meth:`Sink.sample` does."""

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in something that happened."""

    def render(
        self, facts: Mapping[str, Any], checks: Sequence[CheckRow], files: Mapping[str, str]
    ) -> bytes:
        """Return the report, from what ``run.json`` will say and the SHA-256 of the other files."""
