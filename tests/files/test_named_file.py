"""Files by path or by shipped name: which one is read, of which kind, and what is said else."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.bench.dialect import Dialect
from harness.errors import FileError
from harness.files.field_types import Table
from harness.files.named_file import (
    BENCH,
    DIALECT,
    KINDS,
    MODEL,
    PROFILE,
    UNIT,
    FileKind,
    mistaken_for,
    read_named,
)
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.profile.schema import Profile
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.shipped import shipped, shipped_names
from harness.unit.unit_file import UnitFile, load_unit

LOADERS: dict[str, Callable[[str], object]] = {
    PROFILE.name: load_profile,
    BENCH.name: load_bench,
    UNIT.name: load_unit,
    MODEL.name: load_unit_model,
}


def kind_of(name: str) -> FileKind:
    """Return the kind of a shipped file, by where it lies."""
    if name.startswith("bench-"):
        return BENCH
    return next(kind for kind in (UNIT, MODEL, PROFILE) if name.startswith(kind.folder))


#: Shipped files, each with its kind and every other that it may be given for.
GIVEN_FOR_ANOTHER = [
    pytest.param(name, kind_of(name), wanted, id=f"{name} for {wanted}")
    for name in shipped_names("profiles")
    for wanted in LOADERS
    if wanted != kind_of(name).name
]

PAIRS = [
    pytest.param(data, wanted, id=f"{data.name} for {wanted.name}")
    for data, wanted in itertools.product(KINDS, KINDS)
]


class TestFileKind:
    @pytest.mark.parametrize(
        ("kind", "model"),
        [
            (PROFILE, Profile),
            (BENCH, BenchFile),
            (UNIT, UnitFile),
            (MODEL, UnitModelFile),
            (DIALECT, Dialect),
        ],
        ids=lambda value: value.name if isinstance(value, FileKind) else "",
    )
    def test_knows_every_key_there_may_be(self, kind: FileKind, model: type[Table]) -> None:
        """A kind's keys are those of the table that the file is read into."""
        keys = {field.alias or name for name, field in model.model_fields.items()}
        assert kind.keys == keys


class TestMistakenFor:
    @pytest.mark.parametrize(("name", "kind", "wanted"), GIVEN_FOR_ANOTHER)
    def test_a_shipped_file_given_for_another_kind_is_one_line(
        self, name: str, kind: FileKind, wanted: str, tmp_path: Path
    ) -> None:
        """Every loader says in one line what the file looks like, and which command takes it."""
        source = shipped("profiles", name)
        assert source is not None
        copy = tmp_path / "it.toml"
        copy.write_bytes(source.read_bytes())
        with pytest.raises(FileError) as caught:
            LOADERS[wanted](str(copy))
        assert str(caught.value) == (
            f"{copy}: this looks like {kind.name}, and {wanted} is wanted here; {kind.name} goes "
            f"to: {kind.goes_to}"
        )

    @pytest.mark.parametrize(("data", "wanted"), PAIRS)
    def test_a_file_of_the_wanted_kind_is_never_turned_away(
        self, data: FileKind, wanted: FileKind
    ) -> None:
        """Only a file of another kind is said to be one, even with every key it may have."""
        assert bool(mistaken_for(dict.fromkeys(data.keys), wanted)) is (data is not wanted)

    @pytest.mark.parametrize(
        "text",
        [
            "",
            'title = "begun just now"\n',
            'title = "begun just now"\n[input]\nkind = "dc"\n',
            'title = "begun just now"\n[unit]\nserial = "HRW-0001"\n',
            'titel = "x"\n[unti]\n[envelop]\n[[step]]\n',
        ],
    )
    def test_a_profile_begun_just_now_gets_its_own_mistakes(self, text: str) -> None:
        """A file with too little in it to tell is taken for what was wanted."""
        assert mistaken_for(tomllib.loads(text), PROFILE) == ""


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
                "; shipped with the program: "
                + ", ".join(
                    name.removesuffix(".toml")
                    for name in shipped_names("profiles")
                    if name.startswith("units/")
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

    def test_a_file_of_another_kind_is_told_in_one_line(self) -> None:
        """A file that is plainly of another kind gets one line instead of a list of mistakes."""
        with pytest.raises(FileError) as caught:
            read_named("bench-simulated-dc", PROFILE)
        assert str(caught.value) == (
            "bench-simulated-dc: this looks like a bench file, and a profile is wanted here; a "
            "bench file goes to: softwake bench FILE, softwake plan or run PROFILE --bench FILE"
        )
