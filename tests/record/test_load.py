from __future__ import annotations

import csv
import json
import math
import os
import subprocess
import sys
from collections.abc import Callable
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import harness.record
from harness.errors import RecordError
from harness.judge.uncertainty import Contribution, rectangular
from harness.record import load
from harness.record.csv_text import (
    BUDGETS,
    CHECKS,
    EVENTS,
    NUMBERS,
    READINGS,
    number,
    word,
    word_back,
)
from harness.record.journal import Journal
from harness.record.recorder import Recorder
from harness.record.seal import sealed
from harness.record.tables import table_frame
from harness.report.page import RunReport

MakeRecord = Callable[..., Path]

READING = st.tuples(
    st.floats(allow_nan=False),
    st.text(),
    st.text(),
    st.text(min_size=1),
    st.floats(),
    st.text(),
    st.text(),
)

#: A line of `events.csv` as the harness writes it, and one that has come to harm.
GOOD_LINE = st.builds(
    lambda time_s, *texts: ",".join([number(time_s), *map(word, texts)]),
    st.floats(),
    st.text(),
    st.text(),
    st.text(),
)
ODD_LINE = st.lists(
    st.sampled_from(["0.5", "nan", "", '"', "a", "'=1", r"\n", '"a,b"', " ", "x\ry", '"b"c', 'd"']),
    max_size=6,
).map(",".join)


def reseal(folder: Path, **changed: Any) -> None:
    """Write `run.json` again with keys changed and a seal that holds, as a forger would."""
    path = folder / "run.json"
    facts = json.loads(path.read_text(encoding="utf-8"))
    del facts["seal"]
    path.write_bytes(sealed({**facts, **changed}))


def same(one: object, other: object) -> bool:
    both_nan = isinstance(one, float) and isinstance(other, float)
    return one == other or (both_nan and math.isnan(one) and math.isnan(other))


def read_by_csv(line: str) -> tuple[str, ...] | None:
    """Read a line of `events.csv` by the standard library alone; None where it cannot."""
    try:
        (fields,) = csv.reader([line], strict=True)
        time_s = float(fields[0]) if fields[0] else math.nan
    except (ValueError, IndexError, csv.Error):
        return None
    return (str(time_s), *map(word_back, fields[1:])) if len(fields) == len(EVENTS) else None


class TestDoor:
    def test_pandas_is_loaded_only_when_a_record_is(self) -> None:
        """Importing the record's package imports neither pandas nor the report's template."""
        code = "import sys, harness.record; print({'pandas', 'jinja2'} & set(sys.modules))"

        run = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True
        )

        assert run.stdout == "set()\n"

    def test_load_is_a_function_of_the_package(self) -> None:
        """`harness.record.load` is callable, though a module has the same name."""
        assert callable(harness.record.load)


class TestRoundTrip:
    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(readings=st.lists(READING, max_size=8))
    def test_readings_read_back_as_they_were_written(
        self, tmp_path_factory: pytest.TempPathFactory, readings: list[tuple[Any, ...]]
    ) -> None:
        """Whatever is written into the journal comes back the same, number and text."""
        folder = tmp_path_factory.mktemp("run")
        with closing(Journal(folder)) as journal:
            for time_s, step, level, quantity, value, unit, source in readings:
                journal.sample(time_s, step, level, ((quantity, value, unit),), source)

        table = load(folder).readings

        back = list(table.itertuples(index=False, name=None))
        assert len(back) == len(readings)
        assert all(
            same(a, b)
            for row, was in zip(back, readings, strict=True)
            for a, b in zip(row, was, strict=True)
        )

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(events=st.lists(st.tuples(st.floats(0, 1e6), st.text(), st.text(), st.text())))
    def test_events_read_back_as_they_were_written(
        self, tmp_path_factory: pytest.TempPathFactory, events: list[tuple[Any, ...]]
    ) -> None:
        """Whatever an instrument or a profile put into an event comes back the same."""
        folder = tmp_path_factory.mktemp("run")
        with closing(Journal(folder)) as journal:
            for event in events:
                journal.event(*event)

        assert list(load(folder).events.itertuples(index=False, name=None)) == events

    @pytest.mark.parametrize("serial", ["0007", "7", "1e3", "inf", "True", "nan", ""])
    def test_a_serial_number_stays_text(self, make_record: MakeRecord, serial: str) -> None:
        """A serial number that looks like a number comes back digit for digit."""
        assert load(make_record(serial=serial)).checks["serial"].tolist() == [serial]

    def test_checks_read_back_as_they_were_written(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], row: Callable[..., Any]
    ) -> None:
        """An open limit and a missing value come back as not-a-number."""
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        recorder.check(row(value=math.nan, low=None, high=0.1 + 0.2, verdict="undecided"))

        checks = load(recorder.finish(account(verdict="undecided"))).checks

        assert checks[["value", "low"]].isna().all(axis=None)
        assert checks["high"].tolist() == [0.1 + 0.2]

    def test_budgets_read_back_as_they_were_written(
        self, tmp_path: Path, account: Callable[..., dict[str, Any]], row: Callable[..., Any]
    ) -> None:
        """A stated bound's infinite degrees of freedom come back infinite, the rest as it was."""
        recorder = Recorder(
            tmp_path, serial="7", started=account()["started_utc"], renderer=RunReport()
        )
        parts = (
            rectangular("meter voltage_dc accuracy", 0.003, unit="V"),
            Contribution(name="scatter", standard=0.1 + 0.2, dof=4, unit="V", distribution="t"),
        )
        recorder.check(row(budget=parts))

        budgets = load(recorder.finish(account())).budgets

        assert budgets["contribution"].tolist() == [part.name for part in parts]
        assert budgets["standard"].tolist() == [part.standard for part in parts]
        assert budgets["dof"].tolist() == [math.inf, 4.0]
        assert budgets["distribution"].tolist() == ["rectangular", "t"]

    def test_a_record_from_before_budgets_is_whole(self, make_record: MakeRecord) -> None:
        """A record whose `run.json` lists no budgets reads without them, and is no worse for it."""
        folder = make_record()
        (folder / "budgets.csv").unlink()
        files = json.loads((folder / "run.json").read_text(encoding="utf-8"))["files"]
        reseal(folder, files={name: files[name] for name in files if name != "budgets.csv"})

        record = load(folder)

        assert (record.whole, record.problems) == (True, ())
        assert record.run["released"]
        assert list(record.budgets.columns) == list(BUDGETS)
        assert len(record.budgets) == 0

    def test_a_listed_budget_that_is_gone_is_a_damage(self, make_record: MakeRecord) -> None:
        """A record that lists its budgets and has them no more is no release."""
        folder = make_record()
        (folder / "budgets.csv").unlink()

        record = load(folder)

        assert record.problems == ("budgets.csv: it is missing",)
        assert not record.run["released"]

    def test_the_columns_and_types_are_fixed(self, make_record: MakeRecord) -> None:
        """Numbers are float64 and all else is text, in the order of the design."""
        record = load(make_record())

        for table, columns in (
            (record.readings, READINGS),
            (record.events, EVENTS),
            (record.checks, CHECKS),
            (record.budgets, BUDGETS),
        ):
            types = {name: str(table[name].dtype) for name in table.columns}
            assert types == {name: "float64" if name in NUMBERS else "str" for name in columns}

    def test_empty_tables_have_the_same_columns_and_types(
        self, make_record: MakeRecord, tmp_path: Path
    ) -> None:
        """A run that ended before its first reading has the same frames without rows."""
        folder = tmp_path / "empty"
        folder.mkdir()
        Journal(folder).close()
        full, empty = load(make_record()), load(folder)

        for name in ("readings", "events", "checks", "budgets"):
            assert (getattr(empty, name).dtypes == getattr(full, name).dtypes).all()
            assert len(getattr(empty, name)) == 0

    def test_a_whole_record_has_no_problems(self, make_record: MakeRecord) -> None:
        """A finished record reads back whole and released."""
        record = load(str(make_record()))

        assert (record.whole, record.problems) == (True, ())
        assert (record.run["outcome"], record.run["released"]) == ("completed", True)


class TestDamage:
    @pytest.mark.parametrize("cut", range(1, 36))
    def test_a_half_written_line_is_left_out(self, tmp_path: Path, cut: int) -> None:
        """However much of the last line is missing, the lines before it are read."""
        with closing(Journal(tmp_path)) as journal:
            journal.sample(0.1, "start", "25 %", (("voltage", 6.0, "V"),), "supply")
            journal.sample(0.2, "start", "25 %", (("voltage", 6.1, "V"),), "supply")
        path = tmp_path / "readings.csv"
        path.write_bytes(path.read_bytes()[:-cut])

        record = load(tmp_path)

        assert record.readings["value"].tolist() == [6.0]
        assert "readings.csv: its last line is half written and left out" in record.problems

    @pytest.mark.parametrize(
        "line",
        [
            b"0.1,start,25 %,voltage,six,V,supply",
            b"0.1,start,25 %,voltage,6.0,V",
            b"0.1,start,25 %,voltage,6.0,V,supply,more",
            b'0.1,"start,25 %,voltage,6.0,V,supply',
            b"0.1,st\xffart,25 %,voltage,6.0,V,supply",
            b"\x00\x01\x02",
            b"",
        ],
    )
    def test_a_damaged_line_is_left_out_and_named(self, tmp_path: Path, line: bytes) -> None:
        """A line that is wrong in any field is left out; those around it are read."""
        Journal(tmp_path).close()
        good = b"0.2,start,25 %,voltage,6.5,V,supply\n"
        with (tmp_path / "readings.csv").open("ab") as file:
            file.write(good + line + b"\n" + good)

        record = load(tmp_path)

        assert record.readings["value"].tolist() == [6.5, 6.5]
        assert (
            "readings.csv: 1 line is damaged and left out, the first is line 3" in record.problems
        )

    @given(content=st.binary(max_size=300))
    def test_garbage_is_no_table(self, content: bytes) -> None:
        """Any bytes in the place of a table give no rows and a problem."""
        table, problems = table_frame(content, READINGS)

        assert (len(table), len(problems)) == (0, 1)

    @given(lines=st.lists(st.one_of(GOOD_LINE, ODD_LINE), max_size=6))
    def test_what_is_read_is_what_another_csv_reader_finds(self, lines: list[str]) -> None:
        """Each line that is kept reads as the standard library's CSV reader reads it."""
        content = "".join(f"{line}\n" for line in (",".join(EVENTS), *lines)).encode()

        table, problems = table_frame(content, EVENTS)

        kept = [tuple(map(str, row)) for row in table.itertuples(index=False, name=None)]
        readable = [row for line in lines if (row := read_by_csv(line)) is not None]
        assert bool(problems) == (len(kept) < len(lines))
        rest = iter(readable)
        assert all(row in rest for row in kept)

    @given(lines=st.lists(GOOD_LINE, max_size=6))
    def test_no_line_of_the_harness_is_left_out(self, lines: list[str]) -> None:
        """Every line that was written is read back, and none is called damaged."""
        content = "".join(f"{line}\n" for line in (",".join(EVENTS), *lines)).encode()

        table, problems = table_frame(content, EVENTS)

        assert (len(table), problems) == (len(lines), [])


class TestNeverAPass:
    def test_without_run_json_a_run_was_interrupted(self, make_record: MakeRecord) -> None:
        """A folder without `run.json` is an interrupted run, however good its checks."""
        folder = make_record()
        (folder / "run.json").unlink()

        run = load(folder).run

        assert (run["outcome"], run["verdict"], run["released"]) == (
            "interrupted",
            "undecided",
            False,
        )

    @pytest.mark.parametrize(
        "content",
        [b"", b"{", b"[]", b"null", b"[" * 100_000, b"\xff\xfe", b'{"outcome": "completed"}'],
    )
    def test_a_run_json_that_is_none_is_no_pass(
        self, make_record: MakeRecord, content: bytes
    ) -> None:
        """Text that is no account of a run counts as none."""
        folder = make_record()
        (folder / "run.json").write_bytes(content)

        record = load(folder)

        assert (record.whole, record.run["outcome"]) == (False, "interrupted")
        assert record.run["released"] is False

    @pytest.mark.parametrize(
        "changed",
        [
            {"outcome": "tripped"},
            {"verdict": "fail"},
            {"verdict": "undecided"},
            {"released": "true"},
            {"released": 1},
            {"outcome": "finished"},
            {"files": {}},
            {"files": {"../../x": "00"}},
            {"rehearsal": None},
            {"unit": "x"},
        ],
    )
    def test_a_release_that_contradicts_the_record_is_none(
        self, make_record: MakeRecord, changed: dict[str, Any]
    ) -> None:
        """Facts that do not go together release nothing, even under a seal that holds."""
        folder = make_record()
        reseal(folder, **changed)

        record = load(folder)

        assert (record.whole, record.run["released"]) == (False, False)
        assert record.run["verdict"] != "pass"

    def test_a_release_beside_a_failed_check_is_none(self, make_record: MakeRecord) -> None:
        """A check that was edited, with all hashes worked out again, still releases nothing."""
        import hashlib

        folder = make_record()
        path = folder / "checks.csv"
        path.write_bytes(path.read_bytes().replace(b",pass,", b",fail,"))
        files = json.loads((folder / "run.json").read_text(encoding="utf-8"))["files"]
        reseal(folder, files=files | {"checks.csv": hashlib.sha256(path.read_bytes()).hexdigest()})

        record = load(folder)

        assert record.problems == (
            "run.json: the release contradicts outcome, verdict, checks, purpose or open points",
        )
        assert record.run["released"] is False

    def test_a_renamed_folder_is_no_release(self, make_record: MakeRecord) -> None:
        """A released run under another serial number is not whole, and releases nothing."""
        folder = make_record()

        record = load(folder.rename(folder.with_name("20261125T063119Z-HRW-0008-12ab")))

        assert (record.whole, record.run["released"], record.run["serial"]) == (
            False,
            False,
            "HRW-0007",
        )
        assert record.problems[0].startswith("the folder was renamed")


class TestOpenPoints:
    @pytest.mark.parametrize(
        "edited",
        [
            {"open_points": ["BR1 was not replaced."]},
            {"open_points": ["BR1 was not replaced."], "released": True, "verdict": "pass"},
            {"purpose": "pre-check"},
            {"purpose": "pre-check", "open_points": ["BR1 was not replaced."]},
        ],
    )
    def test_an_edited_release_with_one_is_none(
        self, make_record: MakeRecord, edited: dict[str, object]
    ) -> None:
        """A record with open points, or of a pre-check, is no release, whatever its seal says."""
        folder = make_record()
        reseal(folder, **edited)

        record = load(folder)

        assert record.problems == (
            "run.json: the release contradicts outcome, verdict, checks, purpose or open points",
        )
        assert (record.whole, record.run["released"]) == (False, False)
        assert record.run["verdict"] == "undecided"

    def test_a_pass_beside_one_is_none(self, make_record: MakeRecord) -> None:
        """With an open point a run that was for a release has not passed."""
        folder = make_record()
        reseal(folder, released=False, open_points=["BR1 was not replaced."])

        assert load(folder).problems == (
            "run.json: the verdict contradicts outcome or open points",
        )

    def test_a_pre_check_that_passed_is_whole(self, make_record: MakeRecord) -> None:
        """A pre-check may pass with points open, and is no release."""
        folder = make_record()
        reseal(folder, released=False, purpose="pre-check", open_points=["BR1 was not replaced."])

        record = load(folder)

        assert (record.whole, record.run["verdict"], record.run["released"]) == (
            True,
            "pass",
            False,
        )

    @pytest.mark.parametrize("gone", ["purpose", "open_points"])
    def test_a_record_that_lacks_one_of_the_two_is_damaged(
        self, make_record: MakeRecord, gone: str
    ) -> None:
        """Purpose and open points are there together, or the record is from before both."""
        folder = make_record()
        content = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        del content[gone], content["seal"]
        (folder / "run.json").write_bytes(sealed(content))

        assert not load(folder).whole

    def test_a_record_from_before_them_is_none_the_worse(self, make_record: MakeRecord) -> None:
        """A release that was decided before there were open points stays one, and is whole."""
        folder = make_record()
        content = json.loads((folder / "run.json").read_text(encoding="utf-8"))
        del content["purpose"], content["open_points"], content["seal"]
        (folder / "run.json").write_bytes(sealed(content))

        record = load(folder)

        assert (record.whole, record.run["released"]) == (True, True)
        assert (record.run["purpose"], record.run["open_points"]) == ("release", [])


class TestHostileFolders:
    @pytest.mark.parametrize("what", ["nothing", "file", "empty", "nul"])
    def test_no_record_is_one_clear_error(self, tmp_path: Path, what: str) -> None:
        """A folder that is none, or holds no record, is an error of the record."""
        place = {"nothing": tmp_path / "x", "file": tmp_path / "f", "empty": tmp_path}.get(what)
        if what == "file":
            (tmp_path / "f").write_text("", encoding="utf-8")

        with pytest.raises(RecordError):
            load("a\0b" if place is None else place)

    @pytest.mark.skipif(not hasattr(os, "symlink"), reason="no links here")
    @pytest.mark.parametrize("name", ["readings.csv", "events.csv", "checks.csv", "run.json"])
    def test_a_link_is_never_followed(
        self, make_record: MakeRecord, tmp_path: Path, name: str
    ) -> None:
        """A file replaced by a link to the very same bytes is not read."""
        folder = make_record()
        outside = tmp_path / "outside"
        (folder / name).rename(outside)
        (folder / name).symlink_to(outside)

        record = load(folder)

        assert f"{name}: it is no regular file, and was not opened" in record.problems
        assert (record.whole, record.run["released"]) == (False, False)

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
    def test_a_pipe_keeps_nobody_waiting(self, make_record: MakeRecord) -> None:
        """A named pipe in the place of a table is not opened."""
        folder = make_record()
        (folder / "readings.csv").unlink()
        os.mkfifo(folder / "readings.csv")

        assert len(load(folder).readings) == 0

    def test_a_huge_run_json_is_not_read(self, make_record: MakeRecord) -> None:
        """A file far larger than any real one is left alone."""
        folder = make_record()
        with (folder / "run.json").open("r+b") as file:
            file.truncate(2**32)

        assert load(folder).run["outcome"] == "interrupted"

    @pytest.mark.parametrize("name", ["readings", "events", "checks", "budgets"])
    def test_a_table_too_large_for_memory_is_an_error(self, tmp_path: Path, name: str) -> None:
        """A table of many gigabytes is refused, with a way to read it all the same."""
        Journal(tmp_path).close()
        with (tmp_path / f"{name}.csv").open("a+b") as file:
            file.truncate(2**34)

        with pytest.raises(RecordError, match="read it in parts"):
            load(tmp_path)
