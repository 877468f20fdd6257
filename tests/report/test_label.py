from __future__ import annotations

import datetime as dt
import html
import io
import re
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import PIL.Image
import pytest

from harness.errors import UsageError
from harness.report.export import as_png
from harness.report.label import code_text, draw_label
from harness.report.lettering import WIDTH_MM, ems

zxingcpp = pytest.importorskip("zxingcpp", reason="reads the QR code back")

FACTS: dict[str, Any] = {
    "run_id": "20261125T063119Z-HRW-0007-3fa2",
    "serial": "HRW-0007",
    "title": "Dome-shutter power unit, 120 V AC in, 24 V DC 2.5 A out",
    "bench": {"name": "Dome workshop, bench 2"},
    "operator": "bench 2",
    "started_utc": "2026-11-25T06:31:19Z",
    "rehearsal": False,
    "released": True,
    "outcome": "completed",
    "verdict": "pass",
    "seal": "5e" * 32,
}


def texts(svg: str) -> list[str]:
    """Every line of text, in order."""
    return [html.unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


def picture(svg: str) -> npt.NDArray[np.uint8]:
    """The QR code's strokes as black on white, eight pixels a module."""
    strokes = re.findall(r"M(\d+) (\d+)h(\d+)v1h-\d+z", svg)
    size = max(int(row) for _, row, _ in strokes) + 9
    modules = np.full((size, size), 255, np.uint8)
    for column, row, length in strokes:
        modules[int(row) + 4, int(column) + 4 : int(column) + 4 + int(length)] = 0
    return np.kron(modules, np.ones((8, 8), np.uint8))


def png_of(svg: str) -> PIL.Image.Image:
    return PIL.Image.open(io.BytesIO(as_png(svg)))


def png(facts: dict[str, Any]) -> PIL.Image.Image:
    """The label as a label printer gets it."""
    return png_of(draw_label(facts))


def test_the_code_reads_back() -> None:
    """A reader that is not ours finds run and seal in the label's code."""
    # Source: ZXing's reader of ISO/IEC 18004 codes.
    [code] = zxingcpp.read_barcodes(picture(draw_label(FACTS)))

    assert code.text == f"softwake 20261125T063119Z-HRW-0007-3fa2 sha256 {'5e' * 32}"
    assert code.text == code_text(FACTS)


class TestPng:
    def test_the_code_of_the_picture_reads_back(self) -> None:
        """What a label printer gets is read by a reader that is not ours."""
        # Source: ZXing's reader of ISO/IEC 18004 codes, on a PNG decoded by Pillow.
        [code] = zxingcpp.read_barcodes(png(FACTS).convert("L"))

        assert code.text == code_text(FACTS)

    def test_it_has_the_size_of_the_tape_at_300_dots_per_inch(self) -> None:
        """62 mm at 300 dots per inch are 732 pixels, the height likewise, and the file says so."""
        picture = png(FACTS)

        [high_mm] = re.findall(r'height="([\d.]+)mm"', draw_label(FACTS))
        assert picture.size == (732, pytest.approx(float(high_mm) / 25.4 * 300, abs=1))
        assert 35 < float(high_mm) < 45
        assert picture.info["dpi"] == pytest.approx((300, 300), abs=0.01)

    @pytest.mark.parametrize("serial", ["HRW-0007", "Ω 4,7 Ł12", "Ж-7"])
    def test_every_line_of_text_is_drawn(self, serial: str) -> None:
        """Each line leaves its ink right of the code, whatever fonts the machine has."""
        svg = draw_label({**FACTS, "serial": serial})
        whole = np.asarray(png_of(svg))
        for line in re.findall(r"<text[^>]*>[^<]*</text>", svg):
            without = np.asarray(png_of(svg.replace(line, "", 1)))
            assert (whole != without).any(), line

    def test_the_font_is_the_package_s_own(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Without the font that comes with the package the text would be another, or none."""
        ours = png_of(draw_label(FACTS))
        monkeypatch.setattr("harness.report.export._FONTS", Path("no-such-folder"))

        assert png_of(draw_label(FACTS)) != ours


def test_modules_are_large_enough_to_scan() -> None:
    """A module is at least 0.33 mm: four dots of a 300 dpi printer (common practice)."""
    scale = re.search(r"scale\(([\d.]+)\)", draw_label(FACTS))
    assert scale is not None
    assert float(scale[1]) >= 4 * 25.4 / 300


def test_the_label_says_what_when_and_where() -> None:
    """Release, unit, serial number, bench, date, due date and run stand on the label."""
    svg = draw_label(FACTS, next_due=dt.date(2027, 11, 25))
    found = texts(svg)

    assert found[0] == "RELEASED"
    assert "SN HRW-0007" in found
    assert "Dome workshop, bench 2" in found
    assert "tested 2026-11-25, bench 2" in found
    assert "next test due 2027-11-25" in found
    assert "20261125T063119Z-HRW-0007-3fa2" in found
    assert f'width="{WIDTH_MM:g}mm"' in svg
    assert WIDTH_MM == 62.0


def test_the_label_says_where_the_safety_tests_are() -> None:
    """The record that holds them stands on the label, or that this one does."""
    told = {"needed": ["touch current"], "missing": ["touch current"], "checks": []}
    by_reference = {**FACTS, "safety_tests": {**told, "reference": "test sheet 118"}}
    by_checks = {**told, "missing": [], "checks": ["leakage"], "reference": ""}

    assert "safety tests: test sheet 118" in texts(draw_label(by_reference))
    assert "safety tests: this record" in texts(draw_label({**FACTS, "safety_tests": by_checks}))
    assert not any("safety tests" in text for text in texts(draw_label(FACTS)))


@pytest.mark.parametrize(
    "changed",
    [
        {
            "title": "x" * 100,
            "serial": "9" * 100,
            "operator": "y" * 100,
            "safety_tests": {"missing": ["t"], "reference": "w" * 100},
        },
        {"run_id": f"20261125T063119Z-{'H' * 40}-3fa2"},
        {"bench": {"name": "w" * 100}},
    ],
)
def test_no_text_is_cut_off_or_leaves_the_label(changed: dict[str, Any]) -> None:
    """However long the names, all of each is there, in lines below each other and on the tape."""
    svg = draw_label({**FACTS, **changed})

    found = re.findall(r'x="([\d.]+)" y="([\d.]+)" font-size="([\d.]+)"[^>]*>([^<]*)', svg)
    [high_mm] = re.findall(r'height="([\d.]+)mm"', svg)
    above = 0.0
    for x, y, size, text in found:
        assert above <= float(y) - 0.75 * float(size) + 0.01  # capitals are that high
        assert float(x) + 0.97 * float(size) * ems(html.unescape(text)) <= WIDTH_MM
        above = float(y)
    assert above < float(high_mm)
    whole = "".join(texts(svg)).replace(" ", "")
    told = {key: value for key, value in changed.items() if isinstance(value, str)}
    assert all(value in whole for value in told.values())
    assert "…" not in whole


def test_a_unit_that_is_not_released_has_no_label() -> None:
    """A failed run is refused, whatever was asked for."""
    failed = {**FACTS, "released": False, "verdict": "fail"}
    for rehearsal in (False, True):
        with pytest.raises(UsageError, match="no label for a unit that is not released"):
            draw_label(failed, rehearsal=rehearsal)


def test_a_rehearsal_has_a_label_only_with_its_mark() -> None:
    """A rehearsal is refused, unless asked for: then REHEARSAL stands large, and no release."""
    rehearsed = {**FACTS, "rehearsal": True}
    with pytest.raises(UsageError, match="a rehearsal releases no unit"):
        draw_label(rehearsed)

    svg = draw_label(rehearsed, rehearsal=True)
    assert texts(svg)[0] == "REHEARSAL"
    assert 'font-size="6"' in svg
    assert "RELEASED" not in svg


def test_hostile_text_stays_text() -> None:
    """Names cannot become markup."""
    svg = draw_label({**FACTS, "title": "<script>", "serial": '"&<b>', "operator": "\u202e"})

    assert "<script>" not in svg
    assert "<b>" not in svg
    assert "\u202e" not in svg
