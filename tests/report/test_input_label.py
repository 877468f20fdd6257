from __future__ import annotations

import html
import re
from typing import Any

import pytest

from harness.errors import RecordError, UsageError
from harness.report.input_label import draw_input_label
from harness.report.lettering import EDGE_MM, WIDTH_MM, ems

AC = {"kind": "ac", "nominal_v": 120.0, "current_a": 1.2, "frequency_hz": [60.0, 50.0]}
DC = {"kind": "dc", "nominal_v": 24.0, "current_a": 1.2}


def facts(line: object = None, **changed: Any) -> dict[str, Any]:
    """What a whole record says of a released unit."""
    return {
        "run_id": "20261125T063119Z-HRW-0007-3fa2",
        "serial": "HRW-0007",
        "unit": {"input": AC if line is None else line},
        "started_utc": "2026-11-25T06:31:19Z",
        "rehearsal": False,
        "released": True,
        "outcome": "completed",
        "verdict": "pass",
        **changed,
    }


def texts(svg: str) -> list[str]:
    """Every line of text, in order."""
    return [html.unescape(text) for text in re.findall(r"<text[^>]*>([^<]*)</text>", svg)]


@pytest.mark.parametrize(
    ("line", "first", "second"),
    [
        (AC, "120 V AC ONLY", "50/60 Hz, 1.2 A"),
        ({**AC, "frequency_hz": [50.0], "nominal_v": 100.0}, "100 V AC ONLY", "50 Hz, 1.2 A"),
        (DC, "24 V DC ONLY", "1.2 A, MIND THE POLARITY"),
    ],
)
def test_it_says_what_the_input_may_be(line: object, first: str, second: str) -> None:
    """Voltage with its kind, largest, then frequencies and current; unit and date below."""
    svg = draw_input_label(facts(line))

    assert texts(svg)[:2] == [first, second]
    assert texts(svg)[-1] == "SN HRW-0007, 2026-11-25"
    sizes = [float(size) for size in re.findall(r'font-size="([\d.]+)"', svg)]
    assert sizes[0] == max(sizes)
    assert sizes[0] >= 6.0  # read at arm's length: 3 mm a metre and more (common practice)


def test_nothing_is_cut_off() -> None:
    """A serial number of any length is there in full, and ends before the edge."""
    serial = "HRW-" + "9" * 120
    svg = draw_input_label(facts(serial=serial))

    assert f"SN {serial}, 2026-11-25" in texts(svg)
    for size, words in re.findall(r'font-size="([\d.]+)"[^>]*>([^<]*)', svg):
        assert float(size) * ems(html.unescape(words)) <= WIDTH_MM - 2 * EDGE_MM + 0.1


def test_only_a_released_unit_has_one() -> None:
    """What is not released gets no label for its plug either; a rehearsal's has its mark."""
    with pytest.raises(UsageError, match="not released"):
        draw_input_label(facts(released=False, verdict="fail"))
    with pytest.raises(UsageError, match="a rehearsal releases no unit"):
        draw_input_label(facts(rehearsal=True))
    assert texts(draw_input_label(facts(rehearsal=True), rehearsal=True))[0] == "REHEARSAL"


@pytest.mark.parametrize("unit", [None, {}, {"input": "120 V"}, {"input": {"kind": "ac"}}])
def test_without_a_nameplate_nobody_knows(unit: object) -> None:
    """A record that lacks the input is an error with a remedy, no traceback and no guess."""
    with pytest.raises(RecordError, match="has no nameplate"):
        draw_input_label(facts(unit=unit))


def test_hostile_text_stays_text() -> None:
    """A serial number cannot become markup."""
    assert "<b>" not in draw_input_label(facts(serial="<b>"))
