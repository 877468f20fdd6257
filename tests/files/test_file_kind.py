"""What tells the kinds of file apart, and when a file is said to be of another kind."""

from __future__ import annotations

import itertools
import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.bench.dialect import Dialect
from harness.errors import FileError
from harness.files.field_types import Table
from harness.files.file_kind import (
    BENCH,
    DIALECT,
    KINDS,
    MODEL,
    PROFILE,
    UNIT,
    FileKind,
    mistaken_for,
)
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.profile.schema import Profile
from harness.profile.unit_file import LoadedUnit, load_unit
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.shipped import shipped, shipped_names

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
            (UNIT, LoadedUnit),
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
