"""Pages on paper: as HTML, or as PDF where something can make one."""

from __future__ import annotations

from collections.abc import Callable, Container
from enum import StrEnum
from pathlib import Path

from harness.cli.options import require_new, write_file
from harness.errors import UsageError


class Paper(StrEnum):
    """Sizes of paper."""

    A4 = "A4"
    LETTER = "Letter"


def write_page(
    to: Path | None, named: str, page: Callable[[], bytes], *, pdf: bool, paper: Paper
) -> None:
    """Write a page to a new file; without one, to ``named`` with its suffix, here.

    Raises:
        UsageError: The file is there already, or no page.
        RecordError: There is nothing that can make a PDF.
    """
    from harness.report.export import as_pdf

    target = to or Path(f"{named}{'.pdf' if pdf else '.html'}")
    wanted = "--to page.pdf" if pdf else "--to page.html or --to page.pdf"
    kinds = {".pdf"} if pdf else {".html", ".pdf"}
    kind = kind_of(target, kinds, "a page is written as .html or .pdf", wanted)
    require_new(target, "name a new one, --to")
    write_file(target, as_pdf(page(), paper.value) if kind == ".pdf" else page())


def kind_of(to: Path, kinds: Container[str], problem: str, remedy: str) -> str:
    """Return the suffix of a file to write; `UsageError` where it is none of ``kinds``."""
    kind = to.suffix.lower()
    if kind not in kinds:
        raise UsageError(problem, where=str(to), remedy=remedy)
    return kind
