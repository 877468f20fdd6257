"""What most likely explains a run, kept beside its record."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from harness.record.examine import examine, folders
from harness.record.explanation import explanation_file, keep_explanation, kept_explanation
from tests.explanations import explanation

MakeRecord = Callable[..., Path]


class TestKept:
    def test_it_comes_back_as_it_was(self, make_record: MakeRecord) -> None:
        """What is kept is read back whole, and a later answer takes its place."""
        folder = make_record()
        keep_explanation(folder, explanation(folder))
        later = explanation(folder, headline="Unlike anything simulated.")
        keep_explanation(folder, later)

        assert kept_explanation(folder) == later
        assert not list(folder.parent.glob("*.part"))

    def test_the_record_stays_what_it_is(self, make_record: MakeRecord) -> None:
        """Not a byte of the record changes, and no run is added to the folder."""
        folder = make_record()
        before = {path.name: path.read_bytes() for path in folder.iterdir()}
        runs = folders(folder.parent)
        keep_explanation(folder, explanation(folder))

        assert {path.name: path.read_bytes() for path in folder.iterdir()} == before
        assert examine(folder).whole
        assert folders(folder.parent) == runs

    def test_it_is_of_one_run_alone(self, make_record: MakeRecord) -> None:
        """Beside a record that is not the one it was made from, it is no answer."""
        folder = make_record()
        keep_explanation(folder, explanation(folder, run_sha256="0" * 64))

        assert kept_explanation(folder) is None

    @pytest.mark.parametrize("text", ["", "{}", "[1", '{"run_id": "x"}', "\0"])
    def test_what_is_damaged_is_no_answer(self, make_record: MakeRecord, text: str) -> None:
        """A file that the program did not write so is passed over."""
        folder = make_record()
        explanation_file(folder).write_text(text, encoding="utf-8")

        assert kept_explanation(folder) is None

    def test_a_link_is_not_followed(self, make_record: MakeRecord, tmp_path: Path) -> None:
        """Only a regular file beside the record is read."""
        folder = make_record()
        keep_explanation(folder, explanation(folder))
        explanation_file(folder).rename(tmp_path / "elsewhere.json")
        explanation_file(folder).symlink_to(tmp_path / "elsewhere.json")

        assert kept_explanation(folder) is None
