"""How bad a fault can be: a number in the fault's own measure, from mild to severe."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["SEVERITIES", "Severity"]

#: Severities with a name; the number behind it is each fault's own.
SEVERITIES = ("mild", "usual", "severe")


@dataclass(frozen=True, kw_only=True, slots=True)
class Severity:
    """How bad a fault can be.

    Attributes:
        what: What the number is.
        unit: Its unit: ``ohm``, ``s``, ``%`` (a share of one) or ``1``.
        mild: A unit with it may go unnoticed for a while.
        usual: As a technician meets it; what ``--fault`` takes.
        severe: As bad as it gets.
        least: Least number that means anything.
        most: Greatest number that means anything.
        by_decades: True if between mild and severe every decade is as likely as any other, False if
            every number is.
    """

    what: str
    unit: str
    mild: float
    usual: float
    severe: float
    least: float = 1e-3
    most: float = 1e6
    by_decades: bool = False

    def number(self, severity: float | str | None) -> float:
        """Return a severity as a number.

        Args:
            severity: The number itself, one of :data:`SEVERITIES`, or None for the usual one.

        Raises:
            ValueError: There is no such severity, or the number means nothing for this fault.
        """
        if severity is None:
            return self.usual
        if isinstance(severity, str):
            if severity not in SEVERITIES:
                raise ValueError(f"severity is {', '.join(SEVERITIES)} or a number")
            return float(getattr(self, severity))
        if not self.least <= severity <= self.most:
            raise ValueError(f"severity is from {self.least:g} to {self.most:g} ({self.what})")
        return severity

    def at(self, share_frac: float) -> float:
        """Return the number so far on the way from mild (0) to severe (1)."""
        if self.by_decades:
            return float(self.mild * (self.severe / self.mild) ** share_frac)
        return self.mild + (self.severe - self.mild) * share_frac

    def place_of(self, number: float) -> float:
        """Return how far a number is on the way from mild (0) to severe (1)."""
        if self.by_decades:
            return math.log(number / self.mild) / math.log(self.severe / self.mild)
        return (number - self.mild) / (self.severe - self.mild)
