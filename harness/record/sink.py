"""Where a run's readings, events and checks go: the port that the engine writes to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol

from harness.judge.uncertainty import Contribution

#: Readings taken together: quantity, value, unit.
Values = tuple[tuple[str, float, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class CheckRow:
    """One judged check, as ``checks.csv`` has it.

    Attributes:
        step: Name of the step.
        check: Name of the check.
        quantity: What was measured (``meter.voltage_dc``).
        value: The value in ``unit``; not-a-number where there was none.
        unit: The SI unit of all figures of the row (``1`` for a ratio).
        low: Lower limit, or None.
        high: Upper limit, or None.
        uncertainty: Expanded uncertainty, about 95 % coverage.
        rule: ``guarded`` or ``simple``.
        verdict: ``pass``, ``fail`` or ``undecided``.
        margin: Distance to the nearer limit, less the guard band; not-a-number without a value.
        budget: What the uncertainty was combined from; each a row of ``budgets.csv``.
    """

    step: str
    check: str
    quantity: str
    value: float
    unit: str
    low: float | None
    high: float | None
    uncertainty: float
    rule: str
    verdict: str
    margin: float
    budget: tuple[Contribution, ...] = ()


class Sink(Protocol):
    """Takes in a run while it happens.

    Every method raises :class:`~harness.errors.RecordError` when the record cannot be kept; a unit
    is then not kept energised (safety rule 9).
    """

    @property
    def run_id(self) -> str:
        """Name of the record."""
        ...

    @property
    def folder(self) -> Path | None:
        """Folder of the record, or None where it is kept in memory only."""
        ...

    def sample(self, time_s: float, step: str, level: str, values: Values, source: str) -> None:
        """Take in readings taken together.

        Args:
            time_s: Seconds since the run's start.
            step: Name of the step.
            level: Label of the level.
            values: Quantity, value and unit of each reading.
            source: The role that gave them: ``supply``, ``meter``, ``load``.
        """
        ...

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in something that happened; on disk before this returns."""
        ...

    def check(self, row: CheckRow) -> None:
        """Take in a judged check."""
        ...

    def finish(self, run: Mapping[str, object]) -> Path | None:
        """Complete the record with what is known at the end of the run; return its folder.

        Args:
            run: The keys of :data:`harness.record.run_summary.NEEDED`, and any others.
        """
        ...

    def abandon(self) -> None:
        """Leave the record as it is, without ``run.json``: it reads as interrupted."""
        ...


class Renderer(Protocol):
    """Follows a run and makes its report: handed to the record, which knows no report itself."""

    def sample(self, time_s: float, step: str, values: Values, source: str) -> None:
        """Take in readings taken together, as :meth:`Sink.sample` does."""
        ...

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take in something that happened."""
        ...

    def render(
        self, facts: Mapping[str, Any], checks: Sequence[CheckRow], files: Mapping[str, str]
    ) -> bytes:
        """Return the report.

        Args:
            facts: What ``run.json`` will say.
            checks: Every judged check.
            files: SHA-256 (hex) of the other files of the record, by name.
        """
        ...
