"""A page on paper, or as a picture: made by a browser or another program, where one is at hand.

Neither is a dependency. Chromium and its relations print exactly what they show; WeasyPrint makes
the PDF where there is no browser.
"""

from __future__ import annotations

import math
import os
import shutil
import subprocess
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from harness.errors import RecordError
from harness.report.png import cut_out

__all__ = ["as_pdf", "as_png", "browser"]

#: Longest time a browser may take.
_PATIENCE_S = 60.0
#: Names that a browser of this kind goes by, on every system.
_NAMES = (
    *("chromium", "chromium-browser", "google-chrome", "google-chrome-stable", "chrome"),
    *("msedge", "microsoft-edge"),
)
#: Where Windows and macOS keep it, off the search path.
_PLACES = (
    "Google/Chrome/Application/chrome.exe",
    "Chromium/Application/chrome.exe",
    "Microsoft/Edge/Application/msedge.exe",
)
_APPLICATIONS = ("Chromium", "Google Chrome", "Microsoft Edge")
_INSTALL = "install Chromium or WeasyPrint; or open the .html and print it there"


def browser() -> str | None:
    """Return the path of a browser that can print by itself, or None.

    The environment variable ``SOFTWAKE_BROWSER`` names one that is not found by itself.
    """
    named = os.environ.get("SOFTWAKE_BROWSER")
    if named:
        return shutil.which(named)
    on_path = (shutil.which(name) for name in _NAMES)
    elsewhere = (str(place) for place in _elsewhere() if place.is_file())
    return next(filter(None, (*on_path, *elsewhere)), None)


def _elsewhere() -> Iterator[Path]:
    for root in ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"):
        if folder := os.environ.get(root):
            yield from (Path(folder) / place for place in _PLACES)
    for name in _APPLICATIONS:
        yield Path(f"/Applications/{name}.app/Contents/MacOS/{name}")


def as_pdf(page: bytes, paper: str = "A4") -> bytes:
    """Return an HTML page as PDF.

    Args:
        page: The page; it needs nothing beside it.
        paper: ``A4`` or ``Letter``.

    Raises:
        RecordError: There is nothing that can make a PDF, or it failed.
    """
    sized = page.replace(b"</style>", f"@page {{ size: {paper} }}\n</style>".encode(), 1)
    program = browser()
    if program is None:
        other = shutil.which("weasyprint")
        if other is None:
            raise RecordError(
                "neither Chromium nor WeasyPrint was found to make the PDF", remedy=_INSTALL
            )
        return _by_weasyprint(other, sized)
    return _by_browser(program, sized, "page.pdf", ["--no-pdf-header-footer"])


def as_png(picture: str, width_mm: float, height_mm: float, dots_per_inch: float = 300) -> bytes:
    """Return an SVG picture as PNG.

    Args:
        picture: The ``svg`` element.
        width_mm: Its width.
        height_mm: Its height.
        dots_per_inch: How fine; label printers have 300 (common practice).

    Raises:
        RecordError: There is no browser, or it failed.
    """
    program = browser()
    if program is None:
        raise RecordError(
            "no browser was found that can turn the label into a PNG",
            remedy="ask for .svg, or install Chromium",
        )
    page = f"<!doctype html><meta charset=utf-8><style>body{{margin:0}}</style>{picture}"
    scale = dots_per_inch / 96  # a browser counts 96 pixels to the inch
    width, height = (round(size / 25.4 * dots_per_inch) for size in (width_mm, height_mm))
    # Part of the window is not the page's, so it is larger, and the picture cut out of it.
    options = [
        f"--window-size={math.ceil(width / scale) + 300},{math.ceil(height / scale) + 300}",
        f"--force-device-scale-factor={scale:.6f}",
        "--hide-scrollbars",
    ]
    shot = _by_browser(program, page.encode(), "label.png", options)
    return cut_out(shot, width, height, dots_per_inch)


def _by_browser(program: str, page: bytes, name: str, options: Sequence[str]) -> bytes:
    making = "--print-to-pdf" if name.endswith(".pdf") else "--screenshot"
    with tempfile.TemporaryDirectory(prefix="softwake-") as place:
        source, target = Path(place) / "page.html", Path(place) / name
        source.write_bytes(page)
        command = [
            *(program, "--headless", "--disable-gpu", f"--user-data-dir={place}/profile"),
            *options,
            # Root has no sandbox to run it in; the page is our own, and has no script.
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            f"{making}={target}",
            source.as_uri(),
        ]
        return _made_by(command, target)


def _by_weasyprint(program: str, page: bytes) -> bytes:
    with tempfile.TemporaryDirectory(prefix="softwake-") as place:
        source, target = Path(place) / "page.html", Path(place) / "page.pdf"
        source.write_bytes(page)
        return _made_by([program, "--encoding", "utf-8", str(source), str(target)], target)


def _made_by(command: Sequence[str], target: Path) -> bytes:
    """Run a program of this machine on a page of our own, and return the file it made."""
    try:
        done = subprocess.run(  # noqa: S603 - see above
            command, capture_output=True, check=False, timeout=_PATIENCE_S
        )
    except subprocess.TimeoutExpired as error:
        raise _failed(command[0], "it did not answer") from error
    except OSError as error:
        raise _failed(command[0], error.strerror or "it cannot be started") from error
    if not target.is_file():
        raise _failed(command[0], f"it ended with code {done.returncode} and wrote nothing")
    return target.read_bytes()


def _failed(program: str, reason: str) -> RecordError:
    return RecordError(
        f"no file was made: {reason}",
        where=program,
        remedy="open the .html and print it there, or name another browser in SOFTWAKE_BROWSER",
    )
