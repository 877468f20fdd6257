"""Draws the pictures of the README and the site from a rehearsal: ``python docs/pictures.py``.

``run.svg`` is what the rehearsal prints, ``report.svg`` the top of its report, ``terminal.svg`` the
screen in the middle of it. They hold their own look and need no font that has to be loaded; a test
compares them with what this script draws. ``page.png`` is its page in a browser, which needs
Chromium; without it that picture stays as it is.
"""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from html import escape
from pathlib import Path

from typer.testing import CliRunner

from harness.cli.main import app
from harness.watch.panel import panel
from harness.watch.tail import Tail
from harness.watch.view import view_of

__all__ = ["FOLDER", "pictures"]

FOLDER = Path(__file__).parent / "pictures"

#: What differs from run to run, and what stands in its place.
_FIXED = (
    (r"results[/\\]\d{8}T\d{6}Z-REHEARSAL-[0-9a-f]{4}", "results/20261125T072729Z-REHEARSAL-9de7"),
    (r"CONFIRMED \d\d:\d\d:\d\d", "CONFIRMED 08:27:29"),
)

#: Checks that the picture of the report shows: enough to see how they are drawn.
_SHOWN = (
    "24 V rail at 2.5 A",
    "24 V ripple at 2.5 A",
    "efficiency at full load",
    "load regulation",
)

_INK, _SOFT, _GOOD, _PAPER, _EDGE = "#18232f", "#46525d", "#1b6e3c", "#ffffff", "#b9c2ca"
_SANS = '"Segoe UI", "Helvetica Neue", "Noto Sans", Arial, sans-serif'
_MONO = 'ui-monospace, Menlo, Consolas, "DejaVu Sans Mono", monospace'

_CHARACTER, _LINE = 7.8, 18.0
_POWER = "#8f1d14"
_COLUMNS, _ROWS = 80, 23


def pictures() -> dict[str, str]:
    """Return each picture by the name of its file."""
    printed, page, screen = _rehearsal()
    return {
        "run.svg": _run(printed),
        "report.svg": _report(printed, page),
        "terminal.svg": _terminal(screen),
    }


def page_png() -> bytes | None:
    """Return the page of a rehearsal while it goes on; None where there is no browser for it."""
    browser = shutil.which("chromium")
    if browser is None:
        return None
    from playwright.sync_api import sync_playwright

    with tempfile.TemporaryDirectory() as folder, sync_playwright() as playwright:
        words = [sys.executable, "-m", "harness", "rehearse", "mount-controller-board", "--watch"]
        path = str(Path(__file__).parents[1])
        with subprocess.Popen(  # noqa: S603 - our own program
            [*words, "--serial", "HRW-0012"],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": path},
            stdout=subprocess.PIPE,
            encoding="utf-8",
        ) as run:
            assert run.stdout is not None
            address = run.stdout.readline().split()[1]
            chromium = playwright.chromium.launch(executable_path=browser, args=["--no-sandbox"])
            tab = chromium.new_page(viewport={"width": 1200, "height": 820})
            tab.goto(address)
            tab.get_by_text("held 2 s of 5 s").wait_for()
            shown: bytes = tab.screenshot()
            chromium.close()
            run.stdout.read()
    return shown


def _rehearsal() -> tuple[str, str, list[str]]:
    """Return what the rehearsal of the demo prints, its report, and the screen in its middle."""
    before = Path.cwd()
    with tempfile.TemporaryDirectory() as folder:
        os.chdir(folder)
        try:
            result = CliRunner().invoke(app, ["rehearse"], catch_exceptions=False)
            [report] = Path("results").glob("*/report.html")
            page = report.read_text(encoding="utf-8")
            screen = _screen(report.parent)
        finally:
            os.chdir(before)
    printed = result.output
    for pattern, fixed in _FIXED:
        printed = re.sub(pattern, fixed, printed)
    return printed, page, screen


def _screen(folder: Path) -> list[str]:
    """Return the lines of a terminal while the last level but one of a record is held."""
    tail = Tail(folder)
    tail.catch_up()
    holds = [one.time_s for one in tail.fold.news if one.words.startswith("settled: ")]
    moment_s = holds[-2] + 0.6
    begun = Tail(folder, until_s=moment_s)
    begun.catch_up()
    lines = panel(view_of(begun.fold, moment_s), _COLUMNS, _ROWS)
    return [line.plain for line in lines]


def _sheet(width: float, height: float, label: str, parts: list[str]) -> str:
    size = f'viewBox="0 0 {width:g} {height:g}" width="{width:g}" height="{height:g}"'
    head = (
        f'<svg xmlns="http://www.w3.org/2000/svg" {size} role="img" aria-label="{escape(label)}">'
    )
    frame = _box(0.5, 0.5, width - 1, height - 1, _PAPER, _EDGE)
    return "\n".join([head, frame, *parts, "</svg>", ""])


def _box(x: float, y: float, width: float, height: float, fill: str, edge: str) -> str:
    place = f'x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"'
    return f'<rect {place} rx="5" fill="{fill}" stroke="{edge}"/>'


def _run(printed: str) -> str:
    lines = ["$ softwake rehearse", *printed.rstrip().splitlines()]
    width = 2 * 16 + _CHARACTER * max(map(len, lines))
    parts = [f"<g font-family='{_MONO}' font-size='13'>"]
    for number, line in enumerate(lines):
        strong = line.startswith(("$", "REHEARSAL", "SIMULATED", "check ", "  "))
        for piece in re.finditer(r"\S+(?: \S+)*", line):
            text, column = piece[0], piece.start()
            if text.endswith(" pass"):  # the last two columns may stand one blank apart
                text = text.removesuffix(" pass")
                end = _typed("pass", column + len(text) + 1, 30 + number * _LINE, _GOOD)
                parts.append(end)
            colour = _GOOD if text == "pass" else _INK if strong else _SOFT
            parts.append(_typed(text, column, 30 + number * _LINE, colour))
    parts.append("</g>")
    label = "A rehearsal on the screen: each check with its value, uncertainty, limits and verdict"
    return _sheet(width, 30 + len(lines) * _LINE, label, parts)


def _terminal(lines: list[str]) -> str:
    """Draw a terminal's screen, its first line filled."""
    width, height = 2 * 16 + _CHARACTER * _COLUMNS, 24 + len(lines) * _LINE
    parts = [
        f'<rect x="10" y="12" width="{width - 20:g}" height="{_LINE + 4:g}" fill="{_POWER}"/>',
        f"<g font-family='{_MONO}' font-size='13' xml:space='preserve'>",
    ]
    for number, line in enumerate(lines):
        y = 27 + number * _LINE
        colour = _PAPER if number == 0 else _INK
        pieces = re.finditer(r"\S+(?: \S+)*", line)
        parts.extend(_typed(piece[0], piece.start(), y, colour) for piece in pieces)
    label = "The screen of a run under power: what happens and why, figures against their limits"
    return _sheet(width, height, label, [*parts, "</g>"])


def _typed(text: str, column: int, y: float, colour: str) -> str:
    """One piece of a line, as wide as its characters whatever the font."""
    return (
        f'<text x="{16 + _CHARACTER * column:.1f}" y="{y:g}" fill="{colour}" '
        f'textLength="{_CHARACTER * len(text):.1f}">{escape(text)}</text>'
    )


def _report(printed: str, page: str) -> str:
    width, row_height, top = 760.0, 46.0, 132.0
    rows = [_row(name, printed) for name in _SHOWN]
    parts = [f"<g font-family='{_SANS}'>"]
    parts += [
        _text(20, 34, "Test report: first power after repair", 19, _INK, weight=600),
        _text(20, 56, "Dome-shutter power unit, 120 V AC in, 24 V DC 2.5 A out", 12.5, _SOFT),
        _box(20, 70, width - 40, 34, "#e3f2e8", _GOOD),
        _text(32, 92, "Rehearsal passed", 14, _GOOD, weight=600),
        _text(190, 92, "all 13 checks passed, on simulated instruments", 12.5, _SOFT),
    ]
    for number, (name, value, limits, verdict) in enumerate(rows):
        y = top + number * row_height
        parts += [
            _text(20, y + 14, name, 12.5, _INK),
            _text(220, y + 14, value, 12.5, _INK),
            _text(220, y + 30, limits, 11, _SOFT),
            _placed(_drawing(page, f'aria-label="{escape(name)}: {verdict}"'), 400, y, 250),
            _text(690, y + 14, verdict, 12.5, _GOOD, weight=600),
        ]
    y = top + len(rows) * row_height + 8
    parts.append("</g>")
    plot = _drawing(page, 'class="plot"')
    parts.append(_placed(plot, 20, y, width - 40))
    label = (
        "The top of a report: verdict, checks drawn between their limits, voltage and current "
        "against time"
    )
    return _sheet(width, y + _height(plot, width - 40) + 12, label, parts)


def _row(name: str, printed: str) -> tuple[str, str, str, str]:
    """Return name, value, limits and verdict of a check as the screen has them."""
    [line] = [line for line in printed.splitlines() if line.strip().startswith(name)]
    rest = line.strip().removeprefix(name).strip()
    found = re.fullmatch(r"(.* ± [\d.]+(?: [^\d≤≥ ]\S*)?) +(.*?) +(\w+)", rest)
    assert found is not None, line
    return name, found[1], found[2], found[3]


def _drawing(page: str, mark: str) -> str:
    """Return the drawing of a page that bears a mark in its first tag."""
    begin = page.index(mark)
    begin = page.rindex("<svg", 0, begin)
    return page[begin : page.index("</svg>", begin) + len("</svg>")]


def _height(drawing: str, width: float) -> float:
    box = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing)
    assert box is not None
    return width * float(box[2]) / float(box[1])


def _placed(drawing: str, x: float, y: float, width: float) -> str:
    """Return a drawing put in its place on the sheet."""
    height = _height(drawing, width)
    place = f'<svg x="{x:g}" y="{y:g}" width="{width:g}" height="{height:g}"'
    return place + drawing.removeprefix("<svg")


def _text(x: float, y: float, text: str, size: float, colour: str, *, weight: int = 400) -> str:
    return (
        f'<text x="{x:g}" y="{y:g}" font-size="{size:g}" font-weight="{weight}" '
        f'fill="{colour}">{escape(text)}</text>'
    )


if __name__ == "__main__":
    FOLDER.mkdir(exist_ok=True)
    for name, drawing in pictures().items():
        (FOLDER / name).write_text(drawing, encoding="utf-8", newline="\n")
    screenshot = page_png()
    if screenshot is not None:
        (FOLDER / "page.png").write_bytes(screenshot)
