"""Files by path or by shipped name: which one is read, and what is said where there is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import FileError, ProfileError
from harness.profile.named_file import read_named


class TestReadNamed:
    @pytest.mark.parametrize(
        ("name", "folder"),
        [
            ("mount-controller-board", ""),
            ("mount-controller-board.toml", ""),
            ("mount-controller-HP-0012", "units/"),
            ("units/mount-controller-HP-0012.toml", "units/"),
            ("mount-controller-HP-0012", "models/"),
            ("models/mount-controller-HP-0012", "models/"),
        ],
    )
    def test_finds_a_shipped_file_with_or_without_folder_and_suffix(
        self, name: str, folder: str
    ) -> None:
        """A shipped file is found by its name, and keeps the name the user gave it."""
        file = read_named(name, folder=folder)
        assert file.name == name
        assert "title" in file.data

    def test_tells_a_unit_file_from_a_unit_model_of_the_same_name(self) -> None:
        """The folder decides which of two shipped files of one name is read."""
        name = "mount-controller-HP-0012"
        assert "parts" in read_named(name, folder="units/").data
        assert "parts" not in read_named(name, folder="models/").data

    @pytest.mark.parametrize("folder", ["", "units/", "models/"])
    def test_a_file_of_the_users_own_comes_first(
        self, folder: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A file of the name given is read, whatever else is shipped under it."""
        monkeypatch.chdir(tmp_path)
        Path("mount-controller-HP-0012").write_text('mine = "yes"\n', encoding="utf-8")
        assert read_named("mount-controller-HP-0012", folder=folder).data == {"mine": "yes"}

    @pytest.mark.parametrize(
        ("name", "folder", "ending"),
        [
            ("mount-controler-board.toml", "", ", did you mean 'mount-controller-board'?"),
            ("elsewhere\\mount-controler-board", "", ", did you mean 'mount-controller-board'?"),
            ("mount-HP-0012", "units/", ", did you mean 'units/mount-controller-HP-0012'?"),
            (
                "zzz",
                "units/",
                (
                    "; shipped with the program: units/dome-shutter-HP-0007, "
                    "units/mount-controller-HP-0012"
                ),
            ),
            ("dome-shutter-HP-007", "models/", ", did you mean 'models/dome-shutter-HP-0007'?"),
        ],
    )
    def test_a_missing_file_names_the_nearest_of_its_folder(
        self, name: str, folder: str, ending: str
    ) -> None:
        """Where there is no such file, the nearest shipped one of that folder is named, or all."""
        with pytest.raises(FileError) as caught:
            read_named(name, folder=folder)
        assert str(caught.value) == f"{name}: there is no such file{ending}"

    def test_raises_what_the_caller_wants(self) -> None:
        """The error is of the class that was asked for."""
        with pytest.raises(ProfileError):
            read_named("zzz", ProfileError)
