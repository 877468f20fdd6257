"""``softwake suspects``: what most likely explains a run."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from jsonschema import Draft202012Validator

from harness.cli.documents import schema
from harness.report.explained import CAUTION
from harness.suspects import asked, stock
from harness.suspects.library import Library, compiled
from harness.suspects.shelf import Shelf
from tests.command import called
from tests.suspects.conftest import DC, EACH, KINDS, units

#: What a tool may say of no unit.
_NEVER = ("harmless", "is safe", "no danger", "without risk")


@pytest.fixture(scope="module")
def results(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results folder with the record of one rehearsal: the output is 6 % low."""
    folder = tmp_path_factory.mktemp("suspects") / "results"
    assert called("rehearse", DC, "--fault", "output-low", "--results", str(folder)).returncode == 1
    return folder


@pytest.fixture(scope="module")
def dead(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A results folder with the record of one rehearsal: the fuse is open."""
    folder = tmp_path_factory.mktemp("dead") / "results"
    called("rehearse", DC, "--fault", "open-fuse", "--results", str(folder))
    return folder


def _chance(told: dict[str, Any], name: str) -> float:
    """Return the probability of a suspect in a document."""
    return sum(one["probability"] for one in told["suspects"] if one["name"] == name)


@pytest.fixture(scope="module")
def small() -> Library:
    """A library of a few classes."""
    from harness.api import simulated_bench_file
    from harness.profile.load import load_profile

    profile = load_profile(DC)
    return compiled(profile, units(profile, simulated_bench_file(profile), seed=1, each=EACH))


@pytest.fixture
def at_hand(small: Library, monkeypatch: pytest.MonkeyPatch) -> None:
    """The library is at hand, and whole."""
    monkeypatch.setattr(asked, "compiled_in", lambda _: Path(__file__))
    monkeypatch.setattr(Shelf, "library", lambda _: small)


@pytest.mark.usefixtures("at_hand")
class TestSuspects:
    def test_names_the_fault_and_what_to_measure(self, results: Path) -> None:
        """The fault of the rehearsal comes first, with what speaks for it, and the caution last."""
        done = called("suspects", "last", "--results", str(results))

        assert (done.returncode, done.stderr) == (0, "")
        assert "Most likely: output too low" in done.stdout
        assert "such units" in done.stdout
        assert CAUTION in done.stdout
        assert not [word for word in _NEVER if word in done.stdout]

    def test_what_can_be_found_is_listed(self, results: Path) -> None:
        """Every measurement without power, as its result is typed."""
        done = called("suspects", "last", "--results", str(results), "--found", "list")

        assert done.returncode == 0
        assert '--found "resistance across input = 12 ohm"' in done.stdout
        assert "ohmmeter across the input of the unit" in done.stdout

    def test_as_a_document(self, results: Path) -> None:
        """With --json it is a document of the schema."""
        done = called("suspects", "last", "--results", str(results), "--json")
        content = json.loads(done.stdout)

        Draft202012Validator(json.loads(schema())).validate(content)
        assert content["suspects"][0]["name"] == "output-low"
        assert content["units_each"] == content["library"]["most_each"] == EACH
        assert content["suspects"][0]["units"] == EACH
        severity = content["suspects"][0]["severity"]
        assert 0.03 <= severity["low"] <= severity["value"] <= severity["high"] <= 0.3

    def test_what_was_found_moves_it(self, dead: Path) -> None:
        """A result of a cold measurement is taken in, and not asked for again."""
        words = ("suspects", "last", "--results", str(dead), "--json")
        before = json.loads(called(*words, "--anew").stdout)
        found = ("--found", "resistance of fuse = 0.06 ohm")
        after = json.loads(called(*words, *found).stdout)

        assert _chance(before, "open-fuse") > 0.5
        assert _chance(after, "open-fuse") < _chance(before, "open-fuse")
        assert "resistance of fuse" not in {one["name"] for one in after["measure"]}

    def test_parts_of_the_unit_file(self, dead: Path) -> None:
        """Parts are named as the unit file has them."""
        unit = "units/mount-controller-HRW-0012"
        done = called("suspects", "last", "--results", str(dead), "--unit", unit, "--json")
        told = json.loads(done.stdout)["suspects"]

        parts = next(one["parts"] for one in told if one["name"] == "open-fuse")
        assert parts == ["F1"]

    def test_after_a_trip(self, tmp_path: Path) -> None:
        """After a trip the suspects and the next measurement stand below the words on power."""
        done = called("rehearse", DC, "--fault", "shorted-input", "--results", str(tmp_path / "r"))
        power, _, below = done.stdout.partition("OUTPUT OFF, CONFIRMED")

        assert done.returncode == 3
        assert "input shorted behind the fuse" in below
        assert "discharged and cold: " in below
        assert CAUTION in below
        assert "simulated units" not in power

    def test_after_a_failed_check(self, tmp_path: Path) -> None:
        """A failed run says it, too; document and page of the record have it, the verdict stays."""
        words = ("--results", str(tmp_path / "r"))
        done = called("rehearse", DC, "--fault", "output-low", *words, "--json")
        told = json.loads(done.stdout)
        shown = json.loads(called("results", "show", "last", *words, "--json").stdout)

        assert (done.returncode, told["verdict"], told["whole"]) == (1, "fail", True)
        Draft202012Validator(json.loads(schema())).validate(told)
        assert told["suspects"]["suspects"][0]["name"] == "output-low"
        assert told == shown
        assert called("results", "verify", "last", *words).returncode == 0

    def test_who_does_not_wait_for_it_has_the_run_all_the_same(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Ctrl-C meanwhile leaves the ranking out: exit code and document are the run's."""

        def interrupted(_: Shelf) -> Library:
            raise KeyboardInterrupt

        monkeypatch.setattr(Shelf, "library", interrupted)
        words = ("--results", str(tmp_path / "r"), "--json")
        done = called("rehearse", DC, "--fault", "output-low", *words)

        assert done.returncode == 1
        assert json.loads(done.stdout)["suspects"] is None

    def test_a_run_that_passed_is_told_nothing(self, tmp_path: Path) -> None:
        """Nothing narrow, nothing failed: nothing is said, and nothing is kept."""
        done = called("rehearse", DC, "--results", str(tmp_path / "r"))

        assert done.returncode == 0
        assert "simulated units" not in done.stdout
        assert not list((tmp_path / "r").glob("*.json"))

    def test_a_failed_check_is_never_explained_by_nothing(self, results: Path) -> None:
        """No healthy unit reads so low: that nothing is wrong is next to no explanation."""
        done = called("suspects", "last", "--results", str(results), "--json")
        told = json.loads(done.stdout)

        assert not told["nothing_wrong"]
        assert _chance(told, "healthy") < 0.05

    def test_what_was_found_is_kept_for_the_next_question(self, dead: Path) -> None:
        """A result counts until another of the same measurement, or a question anew."""
        words = ("suspects", "last", "--results", str(dead), "--json")
        fuse = ("--found", "resistance of fuse = 0.06 ohm")
        first = json.loads(called(*words, *fuse, "--anew").stdout)
        other = json.loads(called(*words, "--found", "leads as they should be = yes").stdout)
        again = json.loads(called(*words, "--found", "resistance of fuse = open").stdout)
        anew = json.loads(called(*words, "--anew").stdout)

        assert [one["name"] for one in first["found"]] == ["resistance of fuse"]
        assert {one["name"]: one["value"] for one in other["found"]} == {
            "resistance of fuse": 0.06,
            "leads as they should be": 1.0,
        }
        assert again["found"][0]["value"] > 1e6
        assert anew["found"] == []

    def test_no_power_for_a_short(self, tmp_path: Path) -> None:
        """Asked for steps under power, a shorted unit gets none, nor a file: cold comes first."""
        words = ("--results", str(tmp_path / "r"))
        called("rehearse", DC, "--fault", "shorted-input", *words)
        file = tmp_path / "step.toml"
        done = called("suspects", "last", *words, "--steps", "--to", str(file))

        assert done.returncode == 0
        assert "No step under power is proposed: input shorted" in done.stdout
        assert "not under power again" in done.stdout
        assert "Under power, once" not in done.stdout
        assert not file.exists()
        assert "is not written" in done.stderr

    def test_a_file_is_for_a_step(self, results: Path, tmp_path: Path) -> None:
        """Without asking for steps there is nothing to write."""
        words = ("suspects", "last", "--results", str(results), "--to", str(tmp_path / "s.toml"))

        assert called(*words).returncode == 2

    def test_nonsense_is_refused(self, results: Path) -> None:
        """A result that says nothing is refused in words."""
        done = called("suspects", "last", "--results", str(results), "--found", "colour = blue")

        assert done.returncode == 2
        assert "there is no measurement 'colour'" in done.stderr


def test_without_a_library_a_trip_waits_for_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Without a library at hand none is made at the end of a run: the command is named."""
    monkeypatch.setattr(stock, "cache_folder", lambda: tmp_path / "none")
    done = called("rehearse", DC, "--fault", "shorted-input", "--results", str(tmp_path / "r"))

    assert done.stdout.endswith("What explains it: softwake suspects last\n")
    assert not (tmp_path / "none").exists()


def test_a_run_that_measured_nothing(results: Path, tmp_path: Path) -> None:
    """A record without a reading is no case: told so, before any library is made."""
    folder = tmp_path / "results"
    cut = folder / "20261125T063119Z-HRW-0007-3fa2"
    cut.mkdir(parents=True)
    (cut / "events.csv").write_text("time_s,kind,step,detail\n", encoding="utf-8")
    done = called("suspects", "last", "--results", str(folder))

    assert done.returncode == 2
    assert "record" in done.stderr
    assert results.exists()


def test_kinds_of_the_small_library() -> None:
    """The small library has the classes that the tests here speak of."""
    assert {"output-low", "shorted-input"} <= set(KINDS)
