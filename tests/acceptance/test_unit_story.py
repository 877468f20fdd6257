"""From a unit file to the record: its photos go with it, and what was seen counts."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import harness
from harness.errors import UsageError
from harness.record.examine import examine
from harness.run.result import RunResult
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


class TestWhatWasSeen:
    @staticmethod
    def run(unit_file: Path, old: str, new: str) -> RunResult:
        """Rehearse with a change in the unit file."""
        text = unit_file.read_text(encoding="utf-8")
        assert old in text
        unit_file.write_text(text.replace(old, new, 1), encoding="utf-8")
        profile = harness.load_profile("mount-controller-board")
        meant = profile.model_copy(update={"purpose": "release"})
        return harness.rehearse_profile(meant, unit=unit_file)

    def test_a_broken_part_in_its_place_gets_no_power(self, unit_file: Path) -> None:
        """Nothing is energised while a part that was seen burst is still in."""
        burst = 'kind = "switch"\nobserved = ["burst"]'
        run = self.run(unit_file, 'kind            = "switch"', burst)

        assert run.exit_code == 5
        assert "was seen broken and is not replaced: Seen: burst." in run.reason

    def test_a_sign_that_nothing_explains_releases_nothing(self, unit_file: Path) -> None:
        """Smoke without a part that smoked leaves the run undecided, and the point is listed."""
        run = self.run(unit_file, "serial = ", 'observed = ["smoke"]\nserial = ')

        assert run.exit_code == 4
        assert "Smoke: something burnt, and no part in this file explains it." in run.reason
