"""Pieces of an SVG picture; all text in them is escaped."""

from __future__ import annotations

from html import escape

from harness.record.csv_text import printable


def escaped(words: str) -> str:
    """Return text as it stands in a page or a picture: nothing in it is markup, or hides."""
    return escape(printable(words))


def text(x: float, y: float, words: str, look: str) -> str:
    """Return a line of text on the base line ``y``; ``look`` has its further attributes."""
    return f'<text x="{x:.2f}" y="{y:.2f}" {look}>{escaped(words)}</text>'
