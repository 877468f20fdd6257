from __future__ import annotations

import re
import shutil
import sys
from pathlib import Path

import pytest

from harness.errors import RecordError
from harness.report import export
from harness.report.export import as_pdf, browser

PAGE = b"<!doctype html><style>p{color:red}</style><p>Test report"

needs_browser = pytest.mark.skipif(browser() is None, reason="needs Chromium")


@pytest.fixture
def no_browser(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine without a browser and without WeasyPrint."""
    monkeypatch.setenv("SOFTWAKE_BROWSER", "no-such-browser")
    monkeypatch.setenv("PATH", "")


@pytest.fixture
def stub(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A program in the browser's place that fails, leaving what it was asked."""
    script = tmp_path / "browser.py"
    script.write_text("import sys; print(sys.argv); sys.exit(7)\n", encoding="utf-8")
    monkeypatch.setattr(export, "browser", lambda: sys.executable)
    return script


@pytest.mark.usefixtures("no_browser")
class TestWithout:
    def test_a_pdf_is_refused_with_a_remedy(self) -> None:
        """Without either program the message says what to install and what to do instead."""
        with pytest.raises(RecordError, match="neither Chromium nor WeasyPrint") as caught:
            as_pdf(PAGE)
        assert "open the .html and print it there" in str(caught.value)


@pytest.mark.usefixtures("stub")
def test_a_browser_that_fails_is_named() -> None:
    """A browser that writes nothing is an error with its path and its code."""
    with pytest.raises(RecordError, match=r"no file was made: it ended with code \d+"):
        as_pdf(PAGE)


def test_a_browser_that_cannot_be_started_is_named(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A browser that is gone when it is called is an error, no traceback."""
    monkeypatch.setattr(export, "browser", lambda: str(tmp_path / "gone"))
    with pytest.raises(RecordError, match="no file was made"):
        as_pdf(PAGE)


@pytest.mark.skipif(shutil.which("weasyprint") is None, reason="needs WeasyPrint")
def test_weasyprint_takes_a_browser_s_place(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where there is no browser, WeasyPrint makes the PDF, on the paper asked for."""
    monkeypatch.setenv("SOFTWAKE_BROWSER", "no-such-browser")
    made = as_pdf(PAGE, "Letter")
    assert made.startswith(b"%PDF-")


@needs_browser
class TestBrowser:
    @pytest.mark.parametrize(("size", "points"), [("A4", (595, 842)), ("Letter", (612, 792))])
    def test_the_paper_is_the_one_asked_for(self, size: str, points: tuple[int, int]) -> None:
        """The PDF's sheet measures what ISO 216 or ANSI Y14.1 say, in points."""
        # ISO 216: A4 is 210 mm x 297 mm; US Letter is 8.5 in x 11 in.
        box = re.search(rb"/MediaBox\s*\[\s*0 0 ([\d.]+) ([\d.]+)", as_pdf(PAGE, size))
        assert box is not None
        assert (round(float(box[1])), round(float(box[2]))) == points
