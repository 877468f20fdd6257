from __future__ import annotations

import json

import pytest

from harness.profile.unit_file import load_unit
from harness.record.unit_entry import unit_entry
from harness.report.story import told_story
from harness.unit.assess import assess


@pytest.fixture(scope="module")
def entry() -> dict[str, object]:
    """The entry of the shipped unit file, as it comes back from `run.json`."""
    unit = load_unit("dome-shutter-HRW-0007")
    told = unit_entry(
        assess(unit), source=unit.source, sha256=unit.sha256, text=unit.text, photos=["a.jpg"]
    )
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
    assert entry["photos"] == ["a.jpg"]


def test_the_story_is_told(entry: dict[str, object]) -> None:
    """Event, replacements with their differences, open points and photographs are told."""
    story = told_story({"unit_file": entry})

    assert story is not None
    assert story.told.startswith("230 V AC 50 Hz on a 120 V AC unit")
    assert ("F1", "fuse", "breaking capacity 35 A → 1.5 kA", "better", "pass") in [
        (*row[:2], row[2].partition(" (")[0], *row[3:]) for row in story.replaced
    ]
    assert story.open_points
    assert story.photos == ("a.jpg",)


def test_every_part_has_its_worst_stress_and_all_beyond_rating(entry: dict[str, object]) -> None:
    """A part within its ratings takes one row, an over-stressed one a row for each such stress."""
    story = told_story({"unit_file": entry})
    assert story is not None
    names = [row[0] for row in story.stresses]
    parts = entry["parts"]
    assert isinstance(parts, list)

    assert [name for name in names if name] == [part["name"] for part in parts]
    assert sum(not name for name in names) == sum(
        stress["severity"] != "within rating" for part in parts for stress in part["stresses"][1:]
    )


@pytest.mark.parametrize("junk", [None, "", 7, [], "text"])
def test_without_a_unit_file_there_is_no_story(junk: object) -> None:
    """Where `run.json` has no table of that name, nothing is told."""
    assert told_story({"unit_file": junk}) is None


@pytest.mark.parametrize("junk", [None, "x", 7, [3], [{}], {"a": 1}, [{"stresses": [{}, 5]}]])
def test_an_odd_entry_leaves_gaps(junk: object) -> None:
    """What is of the wrong kind is left out, never an error."""
    names = ("story", "parts", "replacements", "open_points", "assumptions", "photos", "source")
    story = told_story({"unit_file": dict.fromkeys(names, junk)})

    assert story is not None
    assert story.source.endswith("SHA-256 not given")
