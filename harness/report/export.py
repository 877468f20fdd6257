"""A page as PDF, by a browser or WeasyPrint where one is at hand; a label as PNG, by itself.

Neither program is a dependency. Chromium and its relations print exactly what they show; WeasyPrint
makes the PDF where there is no browser.
"""

from __future__ import annotations

import os
import shutil
import struct
import subprocess
import tempfile
import zlib
from collections.abc import Callable, Sequence
from pathlib import Path

from harness.errors import RecordError

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
#: The font of a label's PNG, with its licence.
_FONTS = Path(__file__).with_name("fonts")
_INSTALL = "install Chromium or WeasyPrint; or open the .html and print it there"


def browser() -> str | None:
    """Return the path of a browser that can print by itself, or None.

    The environment variable ``SOFTWAKE_BROWSER`` names one that is not found by itself.
    """
    named = os.environ.get("SOFTWAKE_BROWSER")
    if named:
        return shutil.which(named)
    roots = map(os.environ.get, ("PROGRAMFILES", "PROGRAMFILES(X86)", "LOCALAPPDATA"))
    places = [Path(root) / place for root in roots if root for place in _PLACES]
    places += [Path(f"/Applications/{name}.app/Contents/MacOS/{name}") for name in _APPLICATIONS]
    on_path = (shutil.which(name) for name in _NAMES)
    return next(filter(None, (*on_path, *(str(each) for each in places if each.is_file()))), None)


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
    return _by_browser(program, sized)


def as_png(picture: str, dots_per_inch: int = 300) -> bytes:
    """Return an SVG picture as PNG, with its size on paper.

    Text in ``Label Sans`` comes out the same on every machine: the font is part of the package.

    Args:
        picture: The ``svg`` element, its size in millimetres.
        dots_per_inch: How fine; label printers have 300 (common practice).
    """
    import resvg_py

    made = resvg_py.svg_to_bytes(svg_string=picture, dpi=dots_per_inch, font_dirs=[str(_FONTS)])
    # The size on paper stands in a chunk after the first, which is 33 bytes with the signature.
    # Source: PNG specification (ISO/IEC 15948), 5.3 and 11.3.5.3, clause numbers from memory.
    per_metre = round(dots_per_inch / 0.0254)
    size = b"pHYs" + struct.pack(">IIB", per_metre, per_metre, 1)
    chunk = struct.pack(">I", len(size) - 4) + size + struct.pack(">I", zlib.crc32(size))
    return made[:33] + chunk + made[33:]


def _by_browser(program: str, page: bytes) -> bytes:
    def command(source: Path, target: Path) -> list[str]:
        return [
            *(program, "--headless", "--disable-gpu", f"--user-data-dir={target.parent}/profile"),
            "--no-pdf-header-footer",
            # Root has no sandbox to run it in; the page is our own, and has no script.
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            f"--print-to-pdf={target}",
            source.as_uri(),
        ]

    return _made_by(command, page)


def _by_weasyprint(program: str, page: bytes) -> bytes:
    return _made_by(
        lambda source, target: [program, "--encoding", "utf-8", str(source), str(target)], page
    )


def _made_by(command_of: Callable[[Path, Path], Sequence[str]], page: bytes) -> bytes:
    """Run a program of this machine on a page of our own, and return the PDF it made."""
    with tempfile.TemporaryDirectory(prefix="softwake-") as place:
        source, target = Path(place) / "page.html", Path(place) / "page.pdf"
        source.write_bytes(page)
        command = command_of(source, target)
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
