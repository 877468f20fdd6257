"""What a look at a bench found, ready to be printed."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from harness.bench.diagnose.cause import Cause

__all__ = ["Finding", "Inspection", "Mark", "wrong"]


class Mark(StrEnum):
    """How a finding is to be taken."""

    OK = "ok"
    NOTE = "note"
    WRONG = "WRONG"


@dataclass(frozen=True, slots=True, kw_only=True)
class Finding:
    """One thing looked at.

    Attributes:
        mark: How it is to be taken.
        check: What was looked at, in a word or two.
        text: What was found.
        do: The next step; empty where there is none.
        write: Lines to write into a file or a terminal, as they stand.
    """

    mark: Mark
    check: str
    text: str
    remedy: str = ""
    write: tuple[str, ...] = ()


def wrong(check: str, cause: Cause) -> Finding:
    """Return a finding for a cause."""
    return Finding(
        mark=Mark.WRONG, check=check, text=cause.what, remedy=cause.remedy, write=cause.write
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Inspection:
    """One instrument looked at.

    Attributes:
        role: Its role on the bench.
        resource: Where it should be.
        dialect: Name of the dialect it is spoken to in.
        findings: What was found, in the order of looking.
    """

    role: str
    resource: str
    dialect: str
    findings: tuple[Finding, ...]

    @property
    def well(self) -> bool:
        """Whether nothing is wrong."""
        return all(finding.mark is not Mark.WRONG for finding in self.findings)
