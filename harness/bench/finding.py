"""What a look at a bench found and what it means, ready to be printed."""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

#: What each sign stands for; read at once, for it may be needed with power on.
_CAUSES = tomllib.loads(Path(__file__).with_name("causes.toml").read_text(encoding="utf-8"))


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """Why an instrument does not answer as it should.

    Attributes:
        what: What was found, in one sentence without a full stop.
        do: The next step.
        write: Lines to write into a file or a terminal, as they stand; empty where there are none.
    """

    what: str
    remedy: str
    write: tuple[str, ...] = ()


def cause_of(sign: str, *, write: Iterable[str] = (), **found: object) -> Cause:
    """Return the cause that a sign stands for.

    Args:
        sign: A key of ``causes.toml``.
        write: Lines to write, after those of the table.
        found: What the texts of the table name in braces.
    """
    entry = _CAUSES[sign]
    lines = (line.format(**found) for line in entry.get("write", ()))
    return Cause(
        what=entry["what"].format(**found),
        remedy=entry["remedy"].format(**found),
        write=(*lines, *write),
    )


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


def ok(check: str, text: str) -> Finding:
    """Return a finding that all is well."""
    return Finding(mark=Mark.OK, check=check, text=text)


def note(check: str, text: str) -> Finding:
    """Return a finding that is good to know."""
    return Finding(mark=Mark.NOTE, check=check, text=text)


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
