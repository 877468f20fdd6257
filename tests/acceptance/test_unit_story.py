"""From a unit file to the record: its photos go with it."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import harness
from harness.errors import UsageError
from harness.record.examine import examine
from harness.shipped import shipped

JPEG = b"\xff\xd8\xff\xe0 board"


@pytest.fixture
def unit_file(tmp_path: Path) -> Path:
    """The shipped unit A with a photo in a folder beside its file."""
    shipped_file = shipped("profiles", "units/mount-controller-HRW-0012")
    assert shipped_file is not None
    text = shipped_file.read_text(encoding="utf-8")
    (tmp_path / "photos").mkdir()
    (tmp_path / "photos" / "board.jpg").write_bytes(JPEG)
    path = tmp_path / "unit.toml"
    path.write_text(f'photos = ["photos/board.jpg"]\n{text}', encoding="utf-8")
    return path


def test_photos_go_into_the_record(unit_file: Path, tmp_path: Path) -> None:
    """Those the unit file names, and those the command names, are copied, hashed and sealed."""
    more = tmp_path / "board.jpg"
    more.write_bytes(JPEG + b", later")
    run = harness.rehearse_profile(
        "mount-controller-board", unit=unit_file, photos=[str(more)], results=tmp_path / "results"
    )
    folder = tmp_path / "results" / run.run_id
    facts = json.loads((folder / "run.json").read_text(encoding="utf-8"))

    assert [photo["named"] for photo in facts["photos"]] == ["photos/board.jpg", str(more)]
    assert (folder / "photo-01-board.jpg").read_bytes() == JPEG
    assert (folder / "photo-02-board.jpg").read_bytes() == JPEG + b", later"
    assert examine(folder).whole


def test_a_photo_that_is_not_there_is_no_run(tmp_path: Path) -> None:
    """A missing picture is told before a record is begun."""
    results = tmp_path / "results"

    with pytest.raises(UsageError, match="there is no such picture"):
        harness.rehearse_profile(
            "mount-controller-board", photos=[str(tmp_path / "none.jpg")], results=results
        )
    assert not results.exists()
