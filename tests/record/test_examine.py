from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import RecordError, UsageError
from harness.record.examine import examine, find, folders, looked_over

MakeRecord = Callable[..., Path]
FILES = ("budgets.csv", "checks.csv", "events.csv", "readings.csv", "report.html", "run.json")


@pytest.fixture(scope="module")
def pristine(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("pristine")


@pytest.fixture
def untouched(make_record: MakeRecord, pristine: Path) -> Path:
    """A record that all examples of a test share: each leaves it as it was."""
    known = folders(pristine)
    if known:
        return known[0]
    made = make_record()
    return Path(shutil.copytree(made, pristine / made.name))


class TestVerify:
    def test_a_whole_record_is_named_file_by_file(self, make_record: MakeRecord) -> None:
        """Every file of a whole record is found as it was recorded."""
        verification = examine(make_record())

        assert verification.whole
        assert [finding.split(":")[0] for finding in verification.findings] == [
            "run.json",
            *FILES[:-1],
        ]

    @pytest.mark.parametrize("name", FILES)
    def test_a_missing_file_is_named(self, make_record: MakeRecord, name: str) -> None:
        """A record without one of its files is not whole."""
        folder = make_record()
        (folder / name).unlink()

        verification = examine(folder)

        assert not verification.whole
        assert f"{name}: it is missing" in verification.findings

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
    @given(
        name=st.sampled_from(FILES),
        place=st.floats(0, 1, exclude_max=True),
        change=st.integers(1, 255),
    )
    def test_any_changed_byte_is_found(
        self, untouched: Path, name: str, place: float, change: int
    ) -> None:
        """Whichever byte of whichever file changes, the record is not whole."""
        path = untouched / name
        content = path.read_bytes()
        index = int(place * len(content))
        changed = bytearray(content)
        changed[index] ^= change
        path.write_bytes(changed)
        try:
            assert not examine(untouched).whole
        finally:
            path.write_bytes(content)
        assert examine(untouched).whole

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=40)
    @given(name=st.sampled_from(FILES), more=st.binary(min_size=1, max_size=20))
    def test_any_added_byte_is_found(self, untouched: Path, name: str, more: bytes) -> None:
        """A file that grew is not as it was recorded."""
        path = untouched / name
        content = path.read_bytes()
        path.write_bytes(content + more)
        try:
            assert not examine(untouched).whole
        finally:
            path.write_bytes(content)

    def test_a_stranger_in_the_folder_does_no_harm(self, make_record: MakeRecord) -> None:
        """A photograph put beside a record is named and changes nothing."""
        folder = make_record()
        (folder / "board.jpg").write_bytes(b"\xff\xd8")

        verification = examine(folder)

        assert verification.whole
        assert verification.findings[-1] == "board.jpg: no part of the record"

    @pytest.mark.parametrize(
        "name", ["20261125T063119Z-HRW-0008-12ab", "20261125T063120Z-HRW-0007-12ab", "board"]
    )
    def test_a_renamed_folder_releases_nothing(self, make_record: MakeRecord, name: str) -> None:
        """A record under any other name is not whole, and says which run and unit it is of."""
        folder = make_record(token="12ab")  # noqa: S106 - four digits of a name

        seen = examine(folder.rename(folder.with_name(name)))

        assert (seen.whole, seen.facts["released"], seen.facts["verdict"]) == (
            False,
            False,
            "undecided",
        )
        assert seen.renamed_from == "20261125T063119Z-HRW-0007-12ab"
        [problem] = seen.problems
        assert problem == (
            f"the folder was renamed: it is called {name!r}, and holds the run "
            f"{seen.renamed_from!r} of serial number HRW-0007"
        )

    def test_a_link_by_another_name_releases_nothing(self, make_record: MakeRecord) -> None:
        """A link to a record is taken by the name that a list would show."""
        folder = make_record(token="12ab")  # noqa: S106 - four digits of a name
        link = folder.with_name("20261125T063119Z-HRW-0008-12ab")
        link.symlink_to(folder, target_is_directory=True)

        assert examine(link).renamed_from == folder.name

    def test_a_copy_under_its_own_name_is_whole(
        self, make_record: MakeRecord, tmp_path: Path
    ) -> None:
        """Where a record stands makes no difference."""
        folder = make_record()
        copy = shutil.copytree(folder, tmp_path / "elsewhere" / folder.name)

        assert examine(copy).whole

    @pytest.mark.parametrize("path", [".", "../{name}", "{name}/../{name}/."])
    def test_a_path_in_any_form_means_its_folder(
        self, make_record: MakeRecord, monkeypatch: pytest.MonkeyPatch, path: str
    ) -> None:
        """A record is whole from inside its own folder, too, and by a roundabout path."""
        folder = make_record()
        monkeypatch.chdir(folder.parent if path.startswith("{") else folder)

        assert examine(Path(path.format(name=folder.name))).whole

    def test_no_record_is_an_error(self, tmp_path: Path) -> None:
        """A folder without a record is neither whole nor damaged."""
        with pytest.raises(RecordError, match="holds no record"):
            examine(tmp_path)


class TestList:
    def test_the_newest_run_comes_first(self, tmp_path: Path) -> None:
        """Runs stand in the order of their time, the latest on top."""
        for name in ("20261124T1", "20261125T0", "20261125T1"):
            (tmp_path / f"{name}20000Z-7-12ab").mkdir()

        assert [path.name[:10] for path in folders(tmp_path)] == [
            "20261125T1",
            "20261125T0",
            "20261124T1",
        ]

    def test_within_one_second_the_later_comes_first(self, tmp_path: Path) -> None:
        """Two runs begun in one second stand in the order they were written."""
        for age, token in ((50, "ffff"), (40, "0000"), (60, "aaaa")):
            folder = tmp_path / f"20261125T120000Z-7-{token}"
            folder.mkdir()
            os.utime(folder, (1e9 - age, 1e9 - age))

        assert [path.name[-4:] for path in folders(tmp_path)] == ["0000", "ffff", "aaaa"]

    def test_strangers_are_passed_over(self, tmp_path: Path, make_record: MakeRecord) -> None:
        """Files and folders that are no runs are not listed, and upset nothing."""
        folder = make_record()
        (tmp_path / "README.md").write_text("", encoding="utf-8")
        (tmp_path / "photos").mkdir()
        (tmp_path / "20261125T120000Z-file-12ab").write_text("", encoding="utf-8")
        (tmp_path / "20261125T120000Z-empty-12ab").mkdir()

        assert [seen.folder for seen in looked_over(folders(tmp_path))] == [folder]

    def test_a_damaged_run_is_listed_as_no_release(self, make_record: MakeRecord) -> None:
        """A listed run was compared byte by byte: an edited reading releases nothing."""
        folder = make_record()
        path = folder / "readings.csv"
        path.write_bytes(path.read_bytes().replace(b"24.0", b"23.0"))

        (seen,) = looked_over(folders(folder.parent))

        assert (seen.whole, seen.facts["released"]) == (False, False)

    def test_no_results_folder_is_an_error(self, tmp_path: Path) -> None:
        """A results folder that is not there gives one clear message."""
        with pytest.raises(UsageError, match="there is no such results folder"):
            folders(tmp_path / "x")


class TestFind:
    @pytest.fixture
    def results(self, tmp_path: Path) -> Path:
        """Three runs, the name of one being the beginning of another's."""
        for name in ("20261124T120000Z-HRW-0007-12ab", "20261125T120000Z-HRW-0007-12ab"):
            (tmp_path / name).mkdir()
        (tmp_path / "20261125T120000Z-HRW-0007-12ab-0000").mkdir()
        return tmp_path

    @pytest.mark.parametrize(
        ("run", "name"),
        [
            ("last", "20261125T120000Z-HRW-0007-12ab-0000"),
            ("20261124", "20261124T120000Z-HRW-0007-12ab"),
            ("20261125T120000Z-HRW-0007-12ab", "20261125T120000Z-HRW-0007-12ab"),
        ],
    )
    def test_a_run_is_found_by_what_names_it(self, results: Path, run: str, name: str) -> None:
        """`last`, a unique beginning and a whole name each mean one run."""
        os.utime(results / "20261125T120000Z-HRW-0007-12ab", (1e9, 1e9))

        assert find(results, run).name == name

    def test_a_path_means_its_folder(self, results: Path, tmp_path: Path) -> None:
        """The path of a folder is taken as it is."""
        path = tmp_path / "20261124T120000Z-HRW-0007-12ab"

        assert find(results, str(path)) == path

    @pytest.mark.parametrize("run", ["2027", "", "../x", "x/y", "a\0b"])
    def test_no_such_run_is_an_error(self, results: Path, run: str) -> None:
        """What names no run is an error of the command line."""
        with pytest.raises(UsageError):
            find(results, run)

    def test_an_unclear_beginning_is_an_error(self, results: Path) -> None:
        """A beginning that two runs have names neither, and the message names some."""
        with pytest.raises(UsageError, match="3 runs begin with '2026'"):
            find(results, "2026")

    def test_there_may_be_no_last_run(self, tmp_path: Path) -> None:
        """An empty results folder has no last run."""
        with pytest.raises(UsageError, match="there is no run 'last'"):
            find(tmp_path, "last")
