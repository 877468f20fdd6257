from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import RecordError
from harness.record import load
from harness.record.recorder import Recorder
from harness.record.sink import CheckRow
from harness.report.export import as_pdf, browser
from harness.report.hand_over import hand_over_html
from harness.report.page import RunReport

MakeRecord = Callable[..., Path]
MakeRow = Callable[..., CheckRow]

STORY = {
    "title": "Mount controller board",
    "maker": "Tarnbeck",
    "story": "48 V DC on a 24 V DC unit for 2 s; the unit's fuse opened.",
    "parts": [
        {"name": "Q1", "kind": "switch", "severity": "destroyed likely"},
        {"name": "C1", "kind": "bulk-capacitor", "severity": "within rating"},
    ],
    "replacements": [{"name": "Q1", "kind": "switch", "adequacy": "equivalent"}],
    "prevention": ["A kind of connector of its own for each voltage."],
    "hand_over": {
        "owner": "dome crew",
        "location": "northern dome",
        "work_s": 5400.0,
        "parts_used": ["thermal paste"],
        "contact": "bench 2",
    },
}


@pytest.fixture
def recorded(tmp_path: Path, account: Callable[..., dict[str, Any]]) -> MakeRecord:
    """Return a function that leaves a record of these checks and returns its folder."""

    def make(rows: list[CheckRow], **changed: Any) -> Path:
        recorder = Recorder(
            tmp_path, serial="HRW-0012", started=account()["started_utc"], renderer=RunReport()
        )
        for row in rows:
            recorder.check(row)
        return recorder.finish(account(**changed))

    return make


def page_of(folder: Path, **changed: Any) -> str:
    return hand_over_html(load(folder), **changed).decode()


def test_it_says_what_failed_and_what_was_done(make_record: MakeRecord) -> None:
    """Story, hurt parts, replacements, owner, work and contact stand on the page."""
    page = page_of(make_record(unit_file=STORY))

    for words in (
        "48 V DC on a 24 V DC unit",
        "Q1 (switch), destroyed likely",
        "Q1 (switch), equivalent",
        "used beside: thermal paste",
        "dome crew",
        "northern dome",
        "1.5 h",
        "24 V DC ONLY",
        "A kind of connector of its own for each voltage.",
    ):
        assert words in page
    assert "C1 (bulk capacitor)" not in page  # it was within its rating
    assert "Not to be put into service" not in page


def test_what_was_not_tested_follows_from_the_profile(make_record: MakeRecord) -> None:
    """A profile without a load step, and safety tests kept elsewhere, are said in so many words."""
    text = '[[steps]]\nkind = "cold"\n[[steps]]\nkind = "line"\n'
    named = ["touch current"]
    folder = make_record(
        profile={"source": "m.toml", "sha256": "ab" * 32, "text": text},
        safety_tests={"needed": named, "missing": named, "reference": "sheet 118"},
    )
    page = page_of(folder)

    assert "No load was put on its output." in page
    assert "Nobody timed how fast its stored charge drains." in page
    assert "not tried at the ends of its line voltage" not in page
    assert "are not part of this record: they are in sheet 118." in page
    assert "Nothing was tested but what the test report lists" in page


def test_a_unit_without_an_output_is_not_said_to_be_unloaded(make_record: MakeRecord) -> None:
    """Where there is no output nobody could load it, and the page says how it was judged."""
    text = '[unit.input]\nkind = "dc"\n[[steps]]\nkind = "line"\n'
    page = page_of(make_record(profile={"source": "m", "sha256": "ab" * 32, "text": text}))

    assert "No load was put" not in page
    assert "It has no output to measure" in page


def test_a_unit_that_is_not_released_says_so_first(recorded: MakeRecord, row: MakeRow) -> None:
    """It may be handed back, and nobody can take it for repaired."""
    failed = row(check="5 V ripple", verdict="fail", margin=-0.1)
    folder = recorded([failed], verdict="fail", reason="5 V ripple: over its limit")
    page = page_of(folder)

    assert "Not to be put into service." in page
    assert "5 V ripple: over its limit" in page
    assert page.index("Not to be put into service") < page.index("What failed")


def test_a_record_that_is_not_whole_hands_nothing_over(make_record: MakeRecord) -> None:
    """One changed byte, and there is no page."""
    folder = make_record()
    (folder / "checks.csv").write_bytes((folder / "checks.csv").read_bytes() + b"\n")

    with pytest.raises(RecordError, match="nothing is handed over by it"):
        hand_over_html(load(folder))


def test_hostile_text_stays_text(make_record: MakeRecord) -> None:
    """Nothing of a unit file becomes markup."""
    owner = {"owner": "<img src=x>", "parts_used": "<b>", "contact": "<i>"}
    page = page_of(make_record(unit_file={**STORY, "title": "<script>", "hand_over": owner}))

    assert not re.search("<(script|img|i>)", page)


@pytest.mark.skipif(browser() is None, reason="needs Chromium")
def test_it_is_one_sheet(recorded: MakeRecord, row: MakeRow) -> None:
    """With many checks, a long story and everything filled in it prints on one page of A4."""
    rows = [row(check=f"check number {number} at 110 %, 60 Hz") for number in range(40)]
    rows += [row(check=f"another one {number}") for number in range(20)]
    long = {"story": "A bang, then nothing. " * 12, "prevention": ["One sentence. " * 8] * 3}
    page = hand_over_html(load(recorded(rows, unit_file={**STORY, **long})))

    counts = re.findall(rb"/Count (\d+)", as_pdf(page))
    assert counts[:1] == [b"1"]
