"""What `--json` prints: one document a command, as the shipped schema says."""

from __future__ import annotations

import datetime as dt
import json
import re
import sys
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator, FormatChecker
from typer.testing import CliRunner

from harness.bench import discover
from harness.cli import documents
from harness.cli.contents import of_bench, of_lost_record, of_record
from harness.cli.documents import document, schema
from harness.cli.main import _ended, app
from harness.judge.verdict import Verdict
from harness.power.trip import Trip, TripReason
from harness.profile.load import load_bench
from harness.record.figures import figures_detail, known_detail
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.run.result import RunResult
from tests.record.test_figures import KNOWN, TOLD

DC, AC = "mount-controller-board", "dome-shutter-power-unit"
FULL = "mount-controller-full-release"
UNIT = "units/dome-shutter-HRW-0007"


def named(case: object) -> str:
    """Name a case by its words."""
    return " ".join(case) if isinstance(case, list) else str(case)


@pytest.fixture(scope="module")
def schema_of_all() -> dict[str, Any]:
    """The shipped schema."""
    told: dict[str, Any] = json.loads(schema())
    return told


@pytest.fixture(scope="module")
def is_right(schema_of_all: dict[str, Any]) -> Draft202012Validator:
    """What decides whether a document is as the schema says.

    Source: JSON Schema, draft 2020-12, by the `jsonschema` library.
    """
    Draft202012Validator.check_schema(schema_of_all)
    return Draft202012Validator(schema_of_all, format_checker=FormatChecker())


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a rehearsal that passed, and one that was cut short."""
    folder = tmp_path_factory.mktemp("json") / "results"
    assert CliRunner().invoke(app, ["rehearse", DC, "--results", str(folder)]).exit_code == 0
    cut_short = folder / "20261125T063119Z-HRW-0007-3fa2"
    cut_short.mkdir()
    (cut_short / "events.csv").write_text("time_s,kind,step,detail\n", encoding="utf-8")
    return folder


def told(*words: str) -> tuple[int, dict[str, Any]]:
    """Return the exit code of a command and its document; there is nothing else on its output."""
    done = CliRunner().invoke(app, [*words, "--json"])
    assert done.stdout.isascii()
    content: dict[str, Any] = json.loads(done.stdout)
    return done.exit_code, content


class TestDocuments:
    @pytest.mark.parametrize(
        ("words", "kind", "code"),
        [
            (["plan", DC], "plan", 0),
            (["plan", AC, "--bench", "bench-simulated-ac"], "plan", 0),
            (["plan", FULL, "--bench", "bench-simulated-dc"], "plan", 0),
            (["plan", AC, "--bench", "bench-simulated-dc"], "plan", 1),
            (["assess", UNIT], "assessment", 0),
            (["qualify", DC, "--units", "2", "--workers", "1"], "rates", 0),
            (["qualify", DC, "--law", "list"], "names", 0),
            (["rehearse", "--fault", "list"], "names", 0),
            (["rehearse", "--link-fault", "list"], "names", 0),
        ],
        ids=named,
    )
    def test_each_is_as_the_schema_says(
        self, is_right: Draft202012Validator, words: list[str], kind: str, code: int
    ) -> None:
        """A command prints its document alone, and ends as it does without it.

        A plan that is refused is an error of the command, which has code 1 where nobody tells it.
        """
        ended, content = told(*words)

        is_right.validate(content)
        assert (content["kind"], ended) == (kind, code)

    def test_a_bench_is_as_the_schema_says(
        self, is_right: Draft202012Validator, tmp_path: Path
    ) -> None:
        """Nobody answers here: each instrument has its findings, and the code is 5."""
        file = tmp_path / "bench.toml"
        text = load_bench("bench-simulated-dc").text
        file.write_text(re.sub(r"::50(2\d)::", r"::10\1::", text), encoding="utf-8")
        ended, content = told("bench", str(file))

        is_right.validate(content)
        assert (content["kind"], content["ready"], ended) == ("bench", False, 5)
        marks = {one["mark"] for each in content["instruments"] for one in each["findings"]}
        assert marks == {"ok", "wrong"}

    def test_a_plan_says_what_a_start_will_tell(self) -> None:
        """A program reads which figures of the start a bench can judge, and how well."""
        (found,) = told("plan", FULL, "--bench", "bench-simulated-dc")[1]["forecasts"]

        assert (found["check"], found["measure"]) == ("bulk capacitance", "start.bulk_capacitance")
        assert (found["expected"], found["why_not"], found["proposal"]) == (470e-6, None, None)
        assert 0 < found["uncertainty"] < found["distance"]
        assert found["good_enough"]

    def test_figures_stand_beside_what_was_known(self, is_right: Draft202012Validator) -> None:
        """A figure of the unit comes with the nameplate's and with those of earlier runs."""
        recorder = MemoryRecorder(serial="7", started=dt.datetime(2026, 11, 25, tzinfo=dt.UTC))
        recorder.event(0.0, "plan", "", json.dumps({"known": known_detail(KNOWN)}))
        recorder.event(1.0, "figures", "start", figures_detail(TOLD))
        content = json.loads(document("run", of_record(recorder.frames())))
        found, none = content["figures"]

        assert is_right.is_valid(content)
        assert (found["value"], found["nameplate"], none["value"]) == (466e-6, 470e-6, None)
        assert [each["value"] for each in found["earlier"]] == [471e-6]
        assert (none["why_not"], none["earlier"]) == ("one level only", [])

    def test_what_is_connected_is_as_the_schema_says(
        self, is_right: Draft202012Validator, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Nothing answers at a port that is not there; it is listed all the same."""
        monkeypatch.setattr(discover, "_local", lambda _: ["ASRL/dev/ttyNONE9::INSTR"])
        ended, content = told("bench", "--discover")

        is_right.validate(content)
        assert (content["kind"], ended) == ("connected", 0)
        assert [one["identity"] for one in content["instruments"]] == [""]

    @pytest.mark.parametrize(
        ("words", "kind", "code"),
        [
            (["rehearse", DC], "run", 0),
            (["rehearse", AC, "--fault", "shorted-bridge-diode"], "run", 3),
            (["results", "list"], "runs", 0),
            (["results", "show", "last"], "run", 0),
            (["results", "verify", "last"], "verification", 0),
            (["results", "show", "20261125T063119Z-HRW-0007-3fa2"], "run", 0),
            (["results", "verify", "20261125T063119Z-HRW-0007-3fa2"], "verification", 1),
        ],
        ids=named,
    )
    def test_each_of_runs_is_as_the_schema_says(
        self,
        is_right: Draft202012Validator,
        results: Path,
        words: list[str],
        kind: str,
        code: int,
    ) -> None:
        """Runs that passed, tripped or were cut short have the same keys."""
        ended, content = told(*words, "--results", str(results))

        is_right.validate(content)
        assert (content["kind"], ended) == (kind, code)

    def test_every_kind_is_tried(self, schema_of_all: dict[str, Any]) -> None:
        """Nothing in the schema is there without a command that prints it."""
        kinds = {name.removeprefix("document.") for name in schema_of_all["$defs"]}
        known = {"plan", "bench", "assessment", "rates", "names", "run", "runs", "verification"}

        assert {kind for kind in kinds if f"document.{kind}" in schema_of_all["$defs"]} == {
            *known,
            *("page", "connected", "error", "suspects"),
        }

    def test_a_key_that_nobody_described_is_found(self, is_right: Draft202012Validator) -> None:
        """The schema is closed: what is not in it is no part of a document."""
        content = json.loads(document("page", {"address": "http://127.0.0.1:1/t/", "more": 1}))

        assert not is_right.is_valid(content)
        assert is_right.is_valid({key: content[key] for key in ("kind", "format", "address")})


class TestSameFigures:
    def test_a_plan_has_what_the_run_sets(self) -> None:
        """Levels in SI, under keys that name the unit."""
        _, content = told("plan", DC, "--bench", "bench-simulated-dc")
        first = content["steps"][0]["levels"][0]

        assert content["envelope"] == {"voltage_v": 26.4, "current_a": 1.5, "power_w": 36.0}
        assert first["voltage_v"] == pytest.approx(2.4)
        assert first["current_limit_a"] == pytest.approx(0.3)
        assert first["budget"]["of"] == "charge"

    def test_a_run_says_what_its_record_says(self, results: Path) -> None:
        """Shown at its end or later, it is the same document."""
        done = CliRunner().invoke(app, ["rehearse", DC, "--results", str(results), "--json"])
        _, later = told("results", "show", "last", "--results", str(results))

        assert json.loads(done.stdout) == later
        assert later["whole"]
        assert later["checks"]
        assert "outcome completed" in done.stderr

    def test_a_run_whose_record_is_lost_says_how_it_ended(
        self, is_right: Draft202012Validator
    ) -> None:
        """What the run itself knows is there under the same keys, and releases nothing."""
        trip = Trip(reason=TripReason.RECORD_LOST, detail="full", time_s=1.0, live=True)
        result = RunResult(
            run_id="r", outcome=Outcome.TRIPPED, verdict=Verdict.UNDECIDED, reason="full", trip=trip
        )
        content = json.loads(document("run", of_lost_record(result, "nothing was written")))

        is_right.validate(content)
        assert (content["trip"], content["released"]) == ("record_lost", False)

    def test_a_look_at_the_wiring_is_there_where_there_was_one(
        self, is_right: Draft202012Validator
    ) -> None:
        """Null says that nobody looked, an empty list that nothing was found."""
        looks = [
            json.loads(document("bench", of_bench("b", "", [], found))) for found in (None, [])
        ]

        for look in looks:
            is_right.validate(look)
        assert [look["wiring"] for look in looks] == [None, []]


class TestErrors:
    """Whatever ends a command before it has a document is one: what, where, what to do."""

    @staticmethod
    def ended(
        monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], *words: str
    ) -> tuple[int | str | None, str, str]:
        """Return exit code and both streams of a command as the program ends it."""
        monkeypatch.setattr(documents, "_printed", [])
        monkeypatch.setattr(sys, "argv", ["softwake", *words])
        code = _ended()
        return code, *capsys.readouterr()

    @pytest.mark.parametrize(
        ("words", "code", "what"),
        [
            (["plan", "nonsense", "--json"], 2, "there is no such file"),
            (["plan", "--nonsense", "--json"], 2, "No such option: --nonsense"),
            (["nonsense", "--json"], 2, "No such command 'nonsense'."),
            (["results", "show", "last", "--results", "/nowhere", "--json"], 2, "no"),
            (["rehearse", "--listen", "--json"], 2, "serves a bench"),
        ],
        ids=named,
    )
    def test_it_is_a_document(
        self,
        is_right: Draft202012Validator,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
        words: list[str],
        code: int,
        what: str,
    ) -> None:
        """Standard output has the document, standard error the words for a person, as ever."""
        ended, out, err = self.ended(monkeypatch, capsys, *words)
        content = json.loads(out)

        is_right.validate(content)
        assert (content["kind"], content["exit_code"], ended) == ("error", code, code)
        assert what in content["what"]
        assert err

    def test_a_plan_that_is_refused_stays_a_plan(
        self,
        is_right: Draft202012Validator,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
    ) -> None:
        """There is one document: it has the reasons, and the exit code is that of a refusal."""
        ended, out, err = self.ended(
            monkeypatch, capsys, "plan", AC, "--bench", "bench-simulated-dc", "--json"
        )
        content = json.loads(out)

        is_right.validate(content)
        assert (content["kind"], ended) == ("plan", 5)
        assert content["refused"]
        assert all(reason in err for reason in content["refused"])

    def test_without_the_option_nothing_is_printed(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Who wants no JSON gets none."""
        _, out, _ = self.ended(monkeypatch, capsys, "plan", "nonsense")

        assert out == ""

    def test_the_schema_can_be_had(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """`softwake --schema` prints what the documents are judged by."""
        code, out, _ = self.ended(monkeypatch, capsys, "--schema")

        assert (code, out) == (0, schema())
