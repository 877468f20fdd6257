"""Files by path or by shipped name: which one is read, and what is said where there is none."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.errors import FileError, ProfileError
from harness.files.file_kind import MODEL, PROFILE, UNIT, FileKind
from harness.files.named_file import read_named


class TestReadNamed:
    @pytest.mark.parametrize(
        ("name", "kind"),
        [
            ("mount-controller-board", PROFILE),
            ("mount-controller-board.toml", PROFILE),
            ("mount-controller-HRW-0012", UNIT),
            ("units/mount-controller-HRW-0012.toml", UNIT),
            ("mount-controller-HRW-0012", MODEL),
            ("models/mount-controller-HRW-0012", MODEL),
        ],
    )
    def test_finds_a_shipped_file_with_or_without_folder_and_suffix(
        self, name: str, kind: FileKind
    ) -> None:
        """A shipped file is found by its name, and keeps the name the user gave it."""
        file = read_named(name, kind)
        assert file.name == name
        assert "title" in file.data

    def test_tells_a_unit_file_from_a_unit_model_of_the_same_name(self) -> None:
        """The kind wanted decides which of two shipped files of one name is read."""
        name = "mount-controller-HRW-0012"
        assert "parts" in read_named(name, UNIT).data
        assert "parts" not in read_named(name, MODEL).data

    @pytest.mark.parametrize("kind", [PROFILE, UNIT, MODEL])
    def test_a_file_of_the_users_own_comes_first(
        self, kind: FileKind, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A file of the name given is read, whatever else is shipped under it."""
        monkeypatch.chdir(tmp_path)
        Path("mount-controller-HRW-0012").write_text('mine = "yes"\n', encoding="utf-8")
        assert read_named("mount-controller-HRW-0012", kind).data == {"mine": "yes"}

    @pytest.mark.parametrize(
        ("name", "kind", "ending"),
        [
            ("mount-controler-board.toml", PROFILE, ", did you mean 'mount-controller-board'?"),
            (
                "elsewhere\\mount-controler-board",
                PROFILE,
                ", did you mean 'mount-controller-board'?",
            ),
            ("mount-HRW-0012", UNIT, ", did you mean 'units/mount-controller-HRW-0012'?"),
            (
                "zzz",
                UNIT,
                (
                    "; shipped with the program: units/dome-shutter-HRW-0007, "
                    "units/mount-controller-HRW-0012"
                ),
            ),
            ("dome-shutter-HRW-007", MODEL, ", did you mean 'models/dome-shutter-HRW-0007'?"),
        ],
    )
    def test_a_missing_file_names_the_nearest_of_its_kind(
        self, name: str, kind: FileKind, ending: str
    ) -> None:
        """Where there is no such file, the nearest shipped one of that kind is named, or all."""
        with pytest.raises(FileError) as caught:
            read_named(name, kind)
        assert str(caught.value) == f"{name}: there is no such file{ending}"

    def test_raises_what_the_caller_wants(self) -> None:
        """The error is of the class that was asked for."""
        with pytest.raises(ProfileError):
            read_named("zzz", PROFILE, ProfileError)

    def test_a_file_of_another_kind_is_told_in_one_line(self) -> None:
        """A file that is plainly of another kind gets one line instead of a list of mistakes."""
        with pytest.raises(ProfileError) as caught:
            read_named("bench-simulated-dc", PROFILE, ProfileError)
        assert str(caught.value) == (
            "bench-simulated-dc: this looks like a bench file, and a profile is wanted here; a "
            "bench file goes to: softwake bench FILE, softwake plan or run PROFILE --bench FILE"
        )
