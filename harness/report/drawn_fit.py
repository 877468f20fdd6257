"""A drawing of what was fitted, with its words."""

from __future__ import annotations

from dataclasses import dataclass

from harness.record.figures import Source


@dataclass(frozen=True, slots=True, kw_only=True)
class FitPlot:
    """A drawing, and what it shows in words, for whoever does not see it."""

    svg: str  # all text in it escaped
    of: Source
    key: str  # what its marks mean
    levels: tuple[str, ...]  # each a sentence
