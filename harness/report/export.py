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
    """Return an HTML page, which needs nothing beside it, as PDF on ``A4`` or ``Letter``.

    Raises:
        RecordError: There is nothing that can make a PDF, or it failed.
    """
    sized = page.replace(b"</style>", f"@page {{ size: {paper} }}\n</style>".encode(), 1)
    with tempfile.TemporaryDirectory(prefix="softwake-") as place:
        source, target = Path(place) / "page.html", Path(place) / "page.pdf"
        source.write_bytes(sized)
        command = _command(source, target)
        try:
            done = subprocess.run(  # noqa: S603 - a program of this machine, on a page of our own
                command, capture_output=True, check=False, timeout=_PATIENCE_S
            )
            if target.is_file():
                return target.read_bytes()
            reason = f"it ended with code {done.returncode} and wrote nothing"
        except subprocess.TimeoutExpired:
            reason = "it did not answer"
        except OSError as error:
            reason = error.strerror or "it cannot be started"
    raise RecordError(
        f"no file was made: {reason}",
        where=command[0],
        remedy="open the .html and print it there, or name another browser in SOFTWAKE_BROWSER",
    )


def _command(source: Path, target: Path) -> list[str]:
    program = browser()
    if program is not None:
        return [
            *(program, "--headless", "--disable-gpu", f"--user-data-dir={target.parent}/profile"),
            "--no-pdf-header-footer",
            # Root has no sandbox to run it in; the page is our own, and has no script.
            *(["--no-sandbox"] if hasattr(os, "geteuid") and os.geteuid() == 0 else []),
            f"--print-to-pdf={target}",
            source.as_uri(),
        ]
    other = shutil.which("weasyprint")
    if other is None:
        raise RecordError(
            "neither Chromium nor WeasyPrint was found to make the PDF",
            remedy="install Chromium or WeasyPrint; or open the .html and print it there",
        )
    return [other, "--encoding", "utf-8", str(source), str(target)]


def as_png(picture: str, dots_per_inch: int = 300) -> bytes:
    """Return an SVG picture whose size is in millimetres as PNG, with its size on paper.

    Text in ``Label Sans`` comes out the same on every machine: the font is part of the package.
    Label printers have 300 dots an inch (common practice).
    """
    import resvg_py

    made = resvg_py.svg_to_bytes(svg_string=picture, dpi=dots_per_inch, font_dirs=[str(_FONTS)])
    # The size on paper stands in a chunk after the first, which is 33 bytes with the signature.
    # Source: PNG specification (ISO/IEC 15948), 5.3 and 11.3.5.3, clause numbers from memory.
    per_metre = round(dots_per_inch / 0.0254)
    size = b"pHYs" + struct.pack(">IIB", per_metre, per_metre, 1)
    chunk = struct.pack(">I", len(size) - 4) + size + struct.pack(">I", zlib.crc32(size))
    return made[:33] + chunk + made[33:]
