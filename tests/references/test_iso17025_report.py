"""The report against ISO/IEC 17025:2017, clause 7.8: what a test report must say.

The list of items is from memory; where an item asks for what no program can know (the address, the
customer, the person who authorises), the report has a line to fill in by hand.
"""

from __future__ import annotations

import datetime as dt
import html
import re
from pathlib import Path

import pytest

import harness
from harness.record import load
from harness.report.page import report_from_record


@pytest.fixture(scope="module")
def page(tmp_path_factory: pytest.TempPathFactory) -> str:
    """The report of a rehearsal of unit B, written again with a date for its next test."""
    results = tmp_path_factory.mktemp("results")
    run = harness.rehearse_profile(
        "dome-shutter-power-unit", serial="HRW-0007", operator="bench 2", results=results
    )
    assert run.folder is not None
    record = load(run.folder)
    return report_from_record(record, next_due=dt.date(2027, 11, 25)).decode()


@pytest.fixture(scope="module")
def words(page: str) -> str:
    """What a reader of the page sees, in one line."""
    text = re.sub(r"<style>.*?</style>|<[^>]+>", " ", page, flags=re.DOTALL)
    return re.sub(r"\s+", " ", html.unescape(text))


@pytest.mark.parametrize(
    ("item", "pattern"),
    [
        ("7.8.2.1 a) title", r"Test report: first power after repair"),
        ("7.8.2.1 b) name of the laboratory", r"Workshop, bench Simulated bench, AC"),
        ("7.8.2.1 b) its address, by hand", r"Address of the workshop"),
        ("7.8.2.1 c) location of the activity", r"Simulated bench, AC"),
        ("7.8.2.1 d) unique identification", r"Run 2\d{7}T\d{6}Z-HRW-0007-[0-9a-f]{4}"),
        ("7.8.2.1 e) customer, by hand", r"Owner or customer of the unit"),
        ("7.8.2.1 f) method", r"Method profile dome-shutter-power-unit"),
        ("7.8.2.1 f) method, its exact text", r"profile SHA-256 [0-9a-f]{64}"),
        ("7.8.2.1 g) item, described", r"Unit Dome-shutter power unit"),
        ("7.8.2.1 g) item, identified", r"Serial number HRW-0007"),
        ("7.8.2.1 g) its condition", r"Nameplate in: 120 V AC"),
        ("7.8.2.1 i) date of the test", r"Started \(UTC\) \d{4}-\d\d-\d\d \d\d:\d\d:\d\d"),
        ("7.8.2.1 j) date of issue, by hand", r"Date of issue"),
        ("7.8.2.1 l) relates only to the item", r"results relate only to the unit named above"),
        ("7.8.2.1 l) passed on in full only", r"passed on in full only"),
        ("7.8.2.1 m) results with units", r"24 V rail.{0,60}\d\d\.\d+ ± \d\.\d+ V"),
        ("7.8.2.1 n) deviations from the method", r"Annex: events"),
        ("7.8.2.1 o) who authorises", r"Authorised by \(name, signature\)"),
        ("7.8.3.1 a) conditions: the bench", r"Harrow Point Workshop,AS-300"),
        ("7.8.3.1 b) conformity", r"pass P > 99\.99 %"),
        ("7.8.3.1 c) uncertainty", r"expanded uncertainty for a coverage of about 95 %"),
        ("7.8.3.1 c) its budget", r"Annex: uncertainty budgets"),
        ("7.8.6.1 decision rule", r"Guarded rule: a check passes when .{0,80} by at least"),
        (
            "7.8.6.2 a) to which results",
            r"efficiency at full load load .{0,80} 8\d\.\d+ ± .{0,8} %",
        ),
        ("7.8.6.2 b) which limits", r"23\.3 V to 24\.7 V"),
        ("calibration of the equipment", r"Calibration due"),
        ("next due date", r"2027-11-25 Next test due"),
        ("cautions", r"Cautions"),
    ],
)
def test_the_report_has_every_item_of_clause_7_8(words: str, item: str, pattern: str) -> None:
    """Each item of the clause has its place on the page."""
    assert re.search(pattern, words), item


def test_every_page_says_which_report_it_is_of(page: str) -> None:
    """In print each page has the run and its number of all (7.8.2.1 d: each page, a clear end)."""
    margin = re.search(r"@page \{.*?\n\}?.*?pages\) \}", page, re.DOTALL)
    assert margin is not None
    assert re.search(r'@bottom-left \{ content: "Rehearsal.*? 2\d{7}T\d{6}Z-HRW-0007-', margin[0])
    assert '"page " counter(page) " of " counter(pages)' in margin[0]


def test_opinions_are_no_part_of_it(words: str) -> None:
    """The report states results and never calls a unit safe or fit (7.8.7: no opinion)."""
    assert not re.search(r"\b(safe|fit for use|in our opinion)\b", words, re.IGNORECASE)


def test_without_a_date_the_next_test_is_filled_in_by_hand(
    tmp_path: Path,
) -> None:
    """A report without a next due date has a line for it."""
    run = harness.rehearse_profile("mount-controller-board", results=tmp_path)
    assert run.folder is not None
    text = (run.folder / "report.html").read_text(encoding="utf-8")

    assert "<p>Next test due</p>" in text
