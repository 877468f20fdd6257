from __future__ import annotations

import datetime as dt
import errno
import hashlib
import json
import math
import os
import re
import stat
from collections.abc import Callable
from pathlib import Path
from typing import Any

import jinja2
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.errors import RecordError
from harness.files.pictures import Picture
from harness.judge.uncertainty import Contribution, rectangular
from harness.record import load
from harness.record.examine import examine
from harness.record.recorder import MemoryRecorder, Recorder, run_id_for
from harness.record.run_summary import NEEDED
from harness.record.sink import CheckRow, Sink
from harness.report.page import RunReport, report_from_record

NOON = dt.datetime(2026, 11, 25, 12, tzinfo=dt.UTC)
MakeAccount = Callable[..., dict[str, Any]]
MakeRow = Callable[..., CheckRow]


def written(folder: Path) -> dict[str, Any]:
    facts = json.loads((folder / "run.json").read_text(encoding="utf-8"))
    assert isinstance(facts, dict)
    return facts


class TestName:
    @pytest.mark.parametrize(
        ("serial", "name"),
        [
            ("HRW-0007", "HRW-0007"),
            ("../../etc/passwd", "etc_passwd"),
            ("..", "unit"),
            ("", "unit"),
            ("C:\\bench\\7", "C_bench_7"),
            ("CON", "CON"),
            ("a\x00b\nc", "a_b_c"),
            ("7 <b>&", "7_b"),
            ("x" * 10_000, "x" * 40),
            ("Ω7", "7"),
            ("7. ", "7"),
        ],
    )
    def test_a_serial_number_is_harmless_in_a_name(self, serial: str, name: str) -> None:
        """What could leave the folder or upset a file system becomes an underscore."""
        assert run_id_for(serial, NOON, "12ab") == f"20261125T120000Z-{name}-12ab"

    @given(serial=st.text())
    def test_every_name_is_one_plain_folder_name(self, serial: str) -> None:
        """Any serial number gives letters, digits, dots, hyphens and underscores only."""
        pattern = r"20261125T120000Z-[A-Za-z0-9._-]{1,40}-12ab"

        name = run_id_for(serial, NOON, "12ab")

        assert re.fullmatch(pattern, name)
        assert ".." not in name

    def test_the_name_has_universal_time(self) -> None:
        """The time of another zone is turned into UTC."""
        zone = dt.timezone(dt.timedelta(hours=2))

        name = run_id_for("7", dt.datetime(2026, 11, 25, 1, tzinfo=zone), "12ab")

        assert name.startswith("20261124T230000Z")

    def test_a_time_without_its_zone_is_no_start(self) -> None:
        """A time that may be any zone's is refused."""
        with pytest.raises(ValueError, match="time zone"):
            run_id_for("7", dt.datetime(2026, 11, 25), "12ab")  # noqa: DTZ001 - the case tested


class TestCreate:
    def test_the_folder_lies_in_the_results_folder(self, tmp_path: Path) -> None:
        """A serial number full of dots and slashes leads nowhere else."""
        results = tmp_path / "deep" / "results"
        recorder = Recorder(results, serial="../../../x", started=NOON, renderer=RunReport())
        recorder.abandon()

        assert recorder.folder.parent == results
        assert [path.name for path in tmp_path.iterdir()] == ["deep"]

    def test_two_runs_of_one_second_are_two_folders(self, tmp_path: Path) -> None:
        """Runs of one serial number and one second get different names."""
        names = set()
        for _ in range(10):
            recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
            recorder.abandon()
            names.add(recorder.run_id)

        assert len(names) == 10

    def test_a_name_that_is_taken_is_refused(self, tmp_path: Path) -> None:
        """A record is never added to another one."""
        first = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        first.abandon()

        with pytest.raises(RecordError, match="there already"):
            Recorder(
                tmp_path,
                serial="7",
                started=NOON,
                token=first.run_id[-4:],
                renderer=RunReport(),
            )

    def test_a_results_folder_that_is_a_file_is_refused(self, tmp_path: Path) -> None:
        """A file in the place of the folder gives one clear message."""
        (tmp_path / "results").write_text("", encoding="utf-8")

        with pytest.raises(RecordError, match="name another folder with --results"):
            Recorder(tmp_path / "results", serial="7", started=NOON, renderer=RunReport())

    def test_a_folder_that_cannot_be_made_is_refused(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A disk that takes no folder gives one clear message before anything is energised."""

        def refuse(*_: object, **__: object) -> None:
            raise OSError(errno.EROFS, os.strerror(errno.EROFS))

        monkeypatch.setattr(Path, "mkdir", refuse)

        with pytest.raises(RecordError, match="the disk is read-only"):
            Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())


class TestFinish:
    def test_a_record_holds_six_files(self, make_record: Callable[..., Path]) -> None:
        """A finished record has journal, checks, budgets, report and `run.json`, no more."""
        assert sorted(path.name for path in make_record().iterdir()) == [
            "budgets.csv",
            "checks.csv",
            "events.csv",
            "readings.csv",
            "report.html",
            "run.json",
        ]

    def test_run_json_has_every_needed_key(self, make_record: Callable[..., Path]) -> None:
        """`run.json` says everything the design asks for."""
        assert set(NEEDED) <= set(written(make_record()))

    def test_run_json_has_the_hash_of_every_other_file(
        self, make_record: Callable[..., Path]
    ) -> None:
        """The hashes are those of the bytes on the disk."""
        folder = make_record()

        assert written(folder)["files"] == {
            path.name: hashlib.sha256(path.read_bytes()).hexdigest()
            for path in folder.iterdir()
            if path.name != "run.json"
        }

    def test_the_serial_number_stays_verbatim(self, make_record: Callable[..., Path]) -> None:
        """`run.json` has the serial number as it was given, whatever the folder is called."""
        serial = "../<b>\n\udc80 Ω"

        assert written(make_record(serial=serial))["serial"] == serial

    def test_budgets_are_one_row_a_contribution(
        self, tmp_path: Path, account: MakeAccount, row: Callable[..., CheckRow]
    ) -> None:
        """`budgets.csv` lists what each uncertainty was combined from, in the file's units."""
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        parts = (
            rectangular("meter accuracy", 3.0, unit="V"),
            Contribution(name="=gain", standard=2.0, dof=4, sensitivity=-0.5, unit="A"),
        )
        recorder.check(row(budget=parts))
        folder = recorder.finish(account())

        assert (folder / "budgets.csv").read_text(encoding="utf-8") == (
            "run_id,step,check,contribution,distribution,standard,unit,dof,sensitivity,share\n"
            f"{recorder.run_id},nominal,5 V rail,meter accuracy,rectangular,"
            f"{3.0 / math.sqrt(3.0)!r},V,inf,1.0,{3.0 / math.sqrt(3.0)!r}\n"
            f"{recorder.run_id},nominal,5 V rail,'=gain,normal,2.0,A,4.0,-0.5,1.0\n"
        )

    def test_checks_are_one_row_each(self, make_record: Callable[..., Path]) -> None:
        """`checks.csv` has the columns of the design, an open limit being an empty field."""
        folder = make_record(token="12ab")  # noqa: S106

        assert (folder / "checks.csv").read_text(encoding="utf-8") == (
            "run_id,serial,step,check,quantity,value,unit,low,high,uncertainty,rule,verdict,margin\n"
            "20261125T063119Z-HRW-0007-12ab,HRW-0007,nominal,5 V rail,meter.voltage_dc,"
            "5.013,V,4.9,5.1,0.0035,guarded,pass,0.0835\n"
        )

    def test_run_json_comes_last(
        self,
        tmp_path: Path,
        play: Callable[[Sink], None],
        account: MakeAccount,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """Every file is on the disk under its name before `run.json` gets its own."""
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        play(recorder)
        there: list[set[str]] = []
        true_replace = Path.replace

        def replace(part: Path, target: Path) -> Path:
            there.append({path.name for path in recorder.folder.iterdir()})
            return true_replace(part, target)

        monkeypatch.setattr(Path, "replace", replace)

        recorder.finish(account())

        assert there[-1] == {
            "readings.csv",
            "events.csv",
            "checks.csv",
            "budgets.csv",
            "report.html",
            "run.json.part",
        }

    @pytest.mark.parametrize("stage", range(3))
    def test_a_disk_that_fills_up_at_the_end_leaves_no_run_json(
        self,
        tmp_path: Path,
        play: Callable[[Sink], None],
        account: MakeAccount,
        monkeypatch: pytest.MonkeyPatch,
        stage: int,
    ) -> None:
        """Whichever of the last files cannot be written, the record reads as interrupted."""
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        play(recorder)
        true_fsync, calls = os.fsync, iter(range(100))

        def fsync(descriptor: int) -> None:
            # the journal is on the disk already: what is left are files, and folders in between
            if stat.S_ISREG(os.fstat(descriptor).st_mode) and next(calls) == stage:
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            true_fsync(descriptor)

        monkeypatch.setattr(os, "fsync", fsync)

        with pytest.raises(RecordError, match="No space left"):
            recorder.finish(account())
        assert not list(recorder.folder.glob("*.part"))
        assert load(recorder.folder).run["outcome"] == "interrupted"

    def test_a_record_whose_journal_broke_is_not_finished(
        self, tmp_path: Path, account: MakeAccount, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """After a lost row there is no `run.json`, even if the disk works again."""
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        with monkeypatch.context() as patch:
            patch.setattr(os, "fsync", lambda _: (_ for _ in ()).throw(OSError(5, "I/O error")))
            with pytest.raises(RecordError):
                recorder.event(0.0, "step", "start", "")

        with pytest.raises(RecordError, match="I/O error"):
            recorder.finish(account())
        assert not (recorder.folder / "run.json").exists()

    def test_an_account_with_a_key_missing_is_refused(
        self, tmp_path: Path, account: MakeAccount
    ) -> None:
        """The engine cannot leave out what the design wants recorded."""
        told = account()
        del told["calibration"]
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        with pytest.raises(ValueError, match="needs calibration"):
            recorder.finish(told)
        recorder.abandon()

    def test_a_report_that_cannot_be_made_costs_no_record(
        self,
        tmp_path: Path,
        account: MakeAccount,
        play: Callable[[Sink], None],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """The record is sealed and whole, says why it has no report, and gives one later."""
        strict = jinja2.Environment(undefined=jinja2.StrictUndefined, autoescape=True)
        template = strict.from_string("{{ nothing.of_this }}")
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        play(recorder)
        with monkeypatch.context() as patch:
            patch.setattr("harness.report.page.template", lambda _name: template)
            folder = recorder.finish(account())

        record = load(folder)
        assert record.whole
        assert record.run["released"]
        (warning,) = record.run["warnings"]
        assert warning == (
            "The report could not be made: UndefinedError: 'nothing' is undefined. "
            "'softwake results report' writes it from the record."
        )
        page = (folder / "report.html").read_text(encoding="utf-8")
        assert "This run has no report" in page
        assert f"softwake results report {folder.name}" in page
        assert "eleased" not in page
        assert b"Test report: first power after repair" in report_from_record(record)

    def test_an_abandoned_record_has_no_run_json(
        self, tmp_path: Path, play: Callable[[Sink], None]
    ) -> None:
        """A record that was left keeps its journal and reads as interrupted."""
        recorder = Recorder(tmp_path, serial="7", started=NOON, renderer=RunReport())
        play(recorder)
        recorder.abandon()

        record = load(recorder.folder)
        assert len(record.readings) == 41
        assert (record.run["outcome"], record.run["released"]) == ("interrupted", False)


class TestRelease:
    @pytest.mark.parametrize(
        ("outcome", "verdict", "checks", "released"),
        [
            ("completed", "pass", ["pass", "pass"], True),
            ("completed", "pass", ["pass", "fail"], False),
            ("completed", "pass", ["pass", "undecided"], False),
            ("completed", "fail", ["pass"], False),
            ("completed", "undecided", ["pass"], False),
            ("completed", "pass", [], False),
            ("tripped", "pass", ["pass"], False),
            ("interrupted", "pass", ["pass"], False),
            ("refused", "pass", ["pass"], False),
        ],
    )
    @pytest.mark.parametrize("claimed", [True, False])
    @pytest.mark.parametrize("rehearsal", [True, False])
    def test_a_release_is_worked_out_from_the_checks(
        self,
        account: MakeAccount,
        row: MakeRow,
        outcome: str,
        verdict: str,
        checks: list[str],
        released: bool,
        claimed: bool,
        rehearsal: bool,
    ) -> None:
        """Only a completed run with one check at least, and all of them passed, is a release."""
        recorder = MemoryRecorder(serial="7", started=NOON)
        for each in checks:
            recorder.check(row(verdict=each))

        recorder.finish(
            account(outcome=outcome, verdict=verdict, released=claimed, rehearsal=rehearsal)
        )

        assert recorder.frames().run["released"] is released

    @pytest.mark.parametrize(
        ("purpose", "points", "verdict"),
        [
            ("release", ["BR1 was not replaced."], "undecided"),
            ("pre-check", [], "pass"),
            ("pre-check", ["BR1 was not replaced."], "pass"),
        ],
    )
    def test_an_open_point_or_a_pre_check_releases_nothing(
        self, account: MakeAccount, row: MakeRow, purpose: str, points: list[str], verdict: str
    ) -> None:
        """With a point open a run is undecided, whatever it claims; a pre-check passes."""
        recorder = MemoryRecorder(serial="7", started=NOON)
        recorder.check(row(verdict="pass"))

        recorder.finish(account(purpose=purpose, open_points=points, released=True, verdict="pass"))

        run = recorder.frames().run
        assert (run["released"], run["verdict"], run["open_points"]) == (False, verdict, points)

    @pytest.mark.parametrize("worse", ["fail", "undecided"])
    def test_the_verdict_is_the_worst_of_all(
        self, account: MakeAccount, row: MakeRow, worse: str
    ) -> None:
        """A claim of `pass` beside a check that is worse gives way, with a warning."""
        recorder = MemoryRecorder(serial="7", started=NOON)
        recorder.check(row(verdict=worse))

        recorder.finish(account(verdict="pass", released=True))

        run = recorder.frames().run
        assert run["verdict"] == worse
        assert run["warnings"] == [f"the run was reported as pass, its checks say {worse}"]


class TestMemoryRecorder:
    def test_it_gives_the_frames_that_a_folder_gives(
        self, make_record: Callable[..., Path], play: Callable[[Sink], None], account: MakeAccount
    ) -> None:
        """The same run in memory and on the disk has the same tables, types and facts."""
        import pandas as pd

        memory = MemoryRecorder(
            serial="HRW-0007",
            started=dt.datetime(2026, 11, 25, 6, 31, 19, tzinfo=dt.UTC),
            token="12ab",  # noqa: S106 - four digits of a name
        )
        play(memory)
        memory.finish(account())
        ours, theirs = memory.frames(), load(make_record(token="12ab"))  # noqa: S106

        for name in ("readings", "events", "checks"):
            pd.testing.assert_frame_equal(getattr(ours, name), getattr(theirs, name))
        assert ours.whole
        assert ours.run.items() <= theirs.run.items()

    def test_a_run_that_was_not_finished_is_no_pass(self, play: Callable[[Sink], None]) -> None:
        """Frames taken before the end say that the run was interrupted."""
        memory = MemoryRecorder(serial="7", started=NOON)
        play(memory)

        record = memory.frames()

        assert (record.whole, record.run["outcome"]) == (False, "interrupted")
        assert record.run["released"] is False


class TestPhotos:
    PICTURES = tuple(
        Picture(named=named, content=content, ending="jpg")
        for named, content in (("board.jpg", b"one"), ("other/board.jpg", b"two"))
    )

    @pytest.fixture
    def with_photos(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], play: Callable[[Sink], None]
    ) -> Path:
        """A finished record with two pictures of one name."""
        recorder = Recorder(
            tmp_path,
            serial="HRW-0007",
            started=NOON,
            renderer=RunReport(),
            pictures=self.PICTURES,
        )
        play(recorder)
        return recorder.finish(account())

    def test_each_is_copied_under_a_name_of_its_own(self, with_photos: Path) -> None:
        """Two pictures of one name are two files, as they were read."""
        assert (with_photos / "photo-01-board.jpg").read_bytes() == b"one"
        assert (with_photos / "photo-02-board.jpg").read_bytes() == b"two"

    def test_run_json_names_and_hashes_them(self, with_photos: Path) -> None:
        """The seal covers them: their hashes stand with those of the other files."""
        facts = written(with_photos)

        assert [(photo["file"], photo["named"]) for photo in facts["photos"]] == [
            ("photo-01-board.jpg", "board.jpg"),
            ("photo-02-board.jpg", "other/board.jpg"),
        ]
        sha256 = hashlib.sha256(b"two").hexdigest()
        assert facts["photos"][1]["sha256"] == sha256
        assert facts["files"]["photo-02-board.jpg"] == sha256

    def test_the_report_names_them(self, with_photos: Path) -> None:
        """The page says which picture is which file, and has their hashes."""
        page = (with_photos / "report.html").read_text(encoding="utf-8")

        assert "photo-02-board.jpg (other/board.jpg)" in page
        assert hashlib.sha256(b"two").hexdigest() in page

    def test_one_that_was_changed_is_found(self, with_photos: Path) -> None:
        """A record with another picture in place of its own is not whole."""
        assert examine(with_photos).whole
        (with_photos / "photo-01-board.jpg").write_bytes(b"One")

        assert examine(with_photos).problems == (
            "photo-01-board.jpg: it differs from what was recorded",
        )

    def test_one_that_cannot_be_written_stops_the_run(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A disk that does not take the pictures keeps no unit energised: nothing was begun."""

        def refuse(*_: object) -> None:
            raise OSError(errno.ENOSPC, "No space left on device")

        monkeypatch.setattr(os, "fsync", refuse)

        with pytest.raises(RecordError, match="No space left"):
            Recorder(
                tmp_path,
                serial="7",
                started=NOON,
                renderer=RunReport(),
                pictures=self.PICTURES,
            )
