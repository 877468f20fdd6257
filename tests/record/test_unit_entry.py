from __future__ import annotations

import html
import json
import re
from collections.abc import Callable
from typing import Any

import pytest

from harness.record.run_summary import unit_entry
from harness.report.decimated_trend import DecimatedTrend
from harness.report.page import report_html
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit


@pytest.fixture(scope="module")
def entry() -> dict[str, object]:
    """The entry of the shipped unit file, as it comes back from `run.json`."""
    unit = load_unit("dome-shutter-HRW-0007")
    told = unit_entry(assess(unit), source=unit.source, sha256=unit.sha256, text=unit.text)
    read: dict[str, object] = json.loads(json.dumps(told, allow_nan=False))
    return read


def test_the_entry_is_plain(entry: dict[str, object]) -> None:
    """The assessment goes through JSON whole, its verdicts as plain words."""
    parts = entry["parts"]
    assert isinstance(parts, list)
    assert parts[0]["name"] == "F1"
    assert parts[0]["severity"] == "destroyed likely"
    assert parts[0]["stresses"][0]["rating"] == 60.0
    assert entry["serial"] == "HRW-0007"
    file = load_unit("dome-shutter-HRW-0007")
    named = {key: entry[key] for key in ("source", "sha256", "text")}
    assert named == {"source": file.source, "sha256": file.sha256, "text": file.text}


def page_of(entry: object, account: Callable[..., dict[str, Any]]) -> str:
    """The report of a run with this unit file, its spaces evened out."""
    facts = account(run_id="x", serial="7", released=False, unit_file=entry)
    page = report_html(facts, [], DecimatedTrend(), {}).decode()
    return re.sub(r"\s*(<[^>]*>)\s*", r"\1", html.unescape(page))


def test_the_story_is_told(
    entry: dict[str, object], account: Callable[..., dict[str, Any]]
) -> None:
    """Event, replacements with their differences, and what was seen are told."""
    page = page_of(entry, account)

    assert "<p>230 V AC 50 Hz (within 10 %) on a 120 V AC unit" in page
    assert re.search(
        r'<td class="n">F1</td><td class="n">fuse</td><td>breaking capacity 35 A → 1.5 kA[^<]*</td>'
        '<td class="v pass">better</td>',
        page,
    )
    assert "Seen: burst (in two halves, its ash on the board beside it)." in page


def test_every_part_has_its_worst_stress_and_all_beyond_rating(
    entry: dict[str, object], account: Callable[..., dict[str, Any]]
) -> None:
    """A part within its ratings takes one row, an over-stressed one a row for each such stress."""
    _, _, annex = page_of(entry, account).partition("over-stress of the parts")
    rows = re.findall(r"<tr><td>(?:<b>(\w+)</b>)?(?:[^<]|</?small>)*</td><td class=\"w\">", annex)
    parts = entry["parts"]
    assert isinstance(parts, list)

    assert [name for name in rows if name] == [part["name"] for part in parts]
    assert sum(not name for name in rows) == sum(
        stress["severity"] != "within rating" for part in parts for stress in part["stresses"][1:]
    )


def test_what_was_seen_stands_in_the_annex(
    entry: dict[str, object], account: Callable[..., dict[str, Any]]
) -> None:
    """A part that no figure condemns has the verdict of what was seen, as on the first page."""
    parts = entry["parts"]
    assert isinstance(parts, list)
    seen = [
        {**part, "known": "seen: burst", "severity": "destroyed likely"}
        if part["name"] == "Q1"
        else part
        for part in parts
    ]
    _, _, annex = page_of({**entry, "parts": seen}, account).partition("over-stress of the parts")
    row = re.search("<tr><td><b>Q1</b>(.*?)</tr>", annex)
    assert row is not None

    assert '<td colspan="4">seen: burst</td>' in row[1]
    assert ">destroyed likely</td>" in row[1]
    assert "within rating" not in row[1]


@pytest.mark.parametrize("junk", [None, "", 7, [], "text"])
def test_without_a_unit_file_there_is_no_story(
    junk: object, account: Callable[..., dict[str, Any]]
) -> None:
    """Where `run.json` has no table of that name, nothing is told."""
    assert "What happened" not in page_of(junk, account)


@pytest.mark.parametrize("junk", [None, "x", 7, [3], [{}], {"a": 1}, [{"stresses": [{}, 5]}]])
def test_an_odd_entry_leaves_gaps(junk: object, account: Callable[..., dict[str, Any]]) -> None:
    """What is of the wrong kind is left out, never an error."""
    names = ("story", "parts", "replacements", "open_points", "assumptions", "source")

    page = page_of(dict.fromkeys(names, junk), account)

    assert "SHA-256 not given" in page
