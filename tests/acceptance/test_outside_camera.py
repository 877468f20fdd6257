"""Whole runs of the guide-camera supply on the outside bench: from its story to its label.

The shipped full release, its holds cut short; a person who moves the leads and reads the testers.
What takes its time in the unit is as much quicker: the limiter warms, and the 24 V rail empties.
"""

from __future__ import annotations

import csv
import json
import os
import re
import signal
import sys
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import pytest

from tests.command import called
from tests.outside.journal import keeper_of, last_of_power, reached
from tests.outside.partner import ROOT, OutsideBench
from tests.outside.person import Person
from tests.outside.runs import Ended, Running, side_by_side

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="types through a FIFO, and finds the keeper in /proc"
)

SHIPPED = ROOT / "profiles" / "guide-camera-supply-full-release.toml"
UNIT = "guide-camera-supply-HRW-0021"
SERIAL = "HRW-0021"
#: Longest time from what ends a run to power off.
LONGEST_S = 2.0
#: Steps that a short run leaves out; torture carries all of them out.
LEFT_OUT = ("dip of a period", "line, no load", "load of 24 V", "load of standby", "current limit")
#: A limiter and an output capacitor with a tenth of the usual time.
QUICK = {"limiter_j_k": 0.11}
QUICK_MAIN = {"farads": 220e-6}


def shortened(*, whole: bool = False) -> str:
    """Return the shipped profile with short holds; ``whole``: with every step."""
    head, *steps = re.split(r"^(?=\[\[steps\]\])", SHIPPED.read_text("utf-8"), flags=re.MULTILINE)
    kept = [step for step in steps if whole or not any(f'= "{each}"' in step for each in LEFT_OUT)]
    first = next(number for number, step in enumerate(kept) if 'kind          = "start"' in step)
    quick = [head, *(_cut_short(step) if n != first else step for n, step in enumerate(kept))]
    text = "".join(quick)
    return text if whole else text.replace('["90 %", "100 %", "110 %"]', '["90 %", "110 %"]')


def _cut_short(step: str) -> str:
    """Cut the holds of a step short; those of the first start weigh the bulk capacitor."""
    step = re.sub(r'^(dwell +)= "([\d.]+) s"', _share(0.25), step, flags=re.MULTILINE)
    return re.sub(r'^(off +|duration )= "(\d+) s"', _share(0.1), step, flags=re.MULTILINE)


def _share(share: float) -> Callable[[re.Match[str]], str]:
    return lambda found: f'{found[1]}= "{share * float(found[2]):.3g} s"'


@dataclass(frozen=True)
class Case:
    """What is wrong with the supply, and what happens once it is loaded.

    Attributes:
        unit: Fields of the outside unit's parts; ``camera``: of its rails and pins.
        misbehaviours: Of the bench.
        happens: To the run, in the step where both rails are fully loaded first.
    """

    unit: dict[str, Any] = field(default_factory=dict)
    camera: dict[str, Any] = field(default_factory=dict)
    misbehaviours: tuple[dict[str, Any], ...] = ()
    happens: Callable[[Running], None] | None = None
    whole: bool = False


BREAKS_OVER = {"name": "short-circuit", "ohm": 6.0, "when": {"setting_v": 99.0, "after_s": 0.2}}
CASES = {
    "healthy": Case(),
    "keeper killed": Case(happens=lambda run: os.kill(keeper_of(run), signal.SIGKILL)),
    "engine killed": Case(happens=lambda run: run.process.kill()),
    "healthy, every step": Case(whole=True),
    "standby weak": Case(camera={"standby": {"ohm": 0.9}}),
    "boost stage dead": Case({"works": False}),
    "boost voltage high": Case({"held_v": 425.0}),
    "bulk capacitor weak": Case({"bulk_f": 35e-6}),
    # 16 ms: with half a period of the line that a drop may wait for, 35 ms are out of its reach
    "converter stops early": Case(camera={"main": {"start_v": 360.0, "stop_v": 350.0}}),
    "enable without effect": Case(camera={"enable": "never"}),
    "enable ignored": Case(camera={"enable": "always"}),
    "24 V rail high": Case(camera={"main": {"volts": 25.2}}),
    "shorted input": Case({"input_ohm": 0.4}),
    "limiter bridged": Case({"limiter_ohm": 0.05}),
    "breaks over": Case(misbehaviours=(BREAKS_OVER,)),
}
#: Of these the default run has the first; torture has the others.
FIRST = 2


@dataclass(frozen=True)
class Ran:
    """How a run ended, what the bench saw, and when something happened to it."""

    ended: Ended
    bench: OutsideBench
    happened_s: float
    asked: list[str]

    @property
    def on_after_s(self) -> float:
        """Return how long anything that feeds or loads the unit was on after it happened."""
        offs = [
            event["t"]
            for what in ("power", "aux", "load")
            for event in self.bench.events(what, on=False)
        ]
        return max(0.0, max(offs) - self.happened_s) if offs else float("inf")

    @property
    def screen(self) -> str:
        """What was on the screen, its lines joined."""
        return " ".join(self.ended.screen.split())

    def is_off(self) -> bool:
        """Whether the last that supply, auxiliary supply and both loads did was to go off."""
        last = {
            (each["what"], each.get("at")): each["on"] for each in self.bench.log if "on" in each
        }
        return not any(last.values()) and not self.bench.left_on

    def failed(self) -> set[str]:
        """Return the checks that failed, without the corners they failed at."""
        assert self.ended.record is not None
        text = (self.ended.record / "checks.csv").read_text(encoding="utf-8")
        rows = csv.DictReader(text.splitlines())
        return {row["check"].partition(" at ")[0] for row in rows if row["verdict"] == "fail"}


def answer(bench: OutsideBench, asked: str) -> str:
    """Do what stands on the screen, and return what is typed."""
    question = asked.rpartition("question: ")[2]
    for words, at in (
        ("across the bulk", "bulk"),
        ("across the fuse", "fuse"),
        ("across the inrush limiter", "limiter"),
        ("the other way round", "input reversed"),
        ("across the input", "input"),
        ("across the output", ""),
    ):
        if words in question:
            bench.control("probe", at=at)
            return ""
    for words, reading in (
        ("Series resistance", "0.35 ohm"),
        ("earth pin", "0.08 ohm"),
        ("Insulation resistance", "200 Mohm"),
        ("Current in the protective conductor", "0.4 mA"),
        ("yes, no or skip", "yes"),
    ):
        if words in question:
            return reading
    return ""


def carry_out(folder: Path, case: Case) -> Ran:
    """Run the product once with the supply and a person."""
    camera = {**case.camera, "main": {**QUICK_MAIN, **case.camera.get("main", {})}}
    config = {
        "kind": "ac",
        "unit": {**QUICK, **case.unit},
        "camera": camera,
        "misbehaviours": list(case.misbehaviours),
    }
    folder.mkdir(parents=True)
    with OutsideBench(folder, config) as bench:
        person = Person(folder / "keys", lambda asked: answer(bench, asked))
        running = Running(
            bench,
            shortened(whole=case.whole),
            typed=folder / "keys",
            serial=SERIAL,
            options=("--unit", UNIT),
        )
        with running, person.at_bench(running.screen):
            happened_s = 0.0
            if case.happens is not None:
                assert reached(running, "warming up")
                happened_s = time.monotonic()
                case.happens(running)
            ended = running.end(240.0)
            if ended.code < 0:  # the keeper goes on, and writes the last words
                assert ended.record is not None
                record = ended.record
                bench.wait(
                    lambda _: last_of_power(record).startswith("power off"), longest_s=5 * LONGEST_S
                )
    return Ran(ended, bench, happened_s, person.asked)


def _all(folder: Path, names: Sequence[str]) -> dict[str, Ran]:
    return side_by_side(folder, names, lambda place, name: carry_out(place, CASES[name]))


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The first cases."""
    return _all(tmp_path_factory.mktemp("camera"), list(CASES)[:FIRST])


@pytest.fixture(scope="module")
def ran_more(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The others."""
    return _all(tmp_path_factory.mktemp("cameras"), list(CASES)[FIRST:])


def _goes_off(case: Ran, code: int) -> None:
    """Hold a run that was ended from outside against what is owed."""
    assert case.ended.code == code, case.ended.screen
    assert case.on_after_s < LONGEST_S
    assert case.is_off()
    assert case.ended.record is not None
    assert last_of_power(case.ended.record).startswith("power off")


def _is_released(case: Ran) -> None:
    assert case.ended.code == 0, case.ended.screen
    assert case.ended.released
    assert case.is_off()
    assert case.bench.events("error") == []
    assert case.bench.events("interrupted") == []


class TestGuideCameraSupply:
    def test_the_story_names_what_to_look_at_and_accepts_what_was_fitted(self) -> None:
        """The dried-out capacitor of the standby rail leads, and its replacement will do."""
        assessed = called("assess", UNIT)

        assert assessed.returncode == 0, assessed.stderr
        first = assessed.stdout.partition("Suspicion, the gravest first")[2].splitlines()[2]
        assert first.startswith("C21")
        assert "Every replacement is acceptable." in assessed.stdout

    def test_a_healthy_one_is_released(self, ran: dict[str, Ran]) -> None:
        """Cold checks, both starts, every corner at full load, hold-up, discharge: all pass."""
        healthy = ran["healthy"]

        _is_released(healthy)
        powered = [event["on"] for event in healthy.bench.events("power")]
        assert powered == [True, False, True, False]
        assert all(f"at {each}" in healthy.screen for each in ("110 %, 60 Hz", "0 % for 0.2 s"))

    def test_the_bulk_capacitor_is_weighed_as_it_is(self, ran: dict[str, Ran]) -> None:
        """82 uF by the first start; the second one, which finds it charged, claims nothing else."""
        record = ran["healthy"].ended.record
        assert record is not None
        rows = csv.DictReader((record / "events.csv").read_text(encoding="utf-8").splitlines())
        told = [json.loads(row["detail"])["figures"] for row in rows if row["kind"] == "figures"]
        found = [
            (figure["value"], figure["expanded"])
            for figures in told
            for figure in figures
            if figure["measure"] == "start.bulk_capacitance" and figure["value"] is not None
        ]

        assert found
        assert all(abs(value - 82e-6) <= expanded for value, expanded in found)

    def test_leads_are_moved_with_power_off(self, ran: dict[str, Ran]) -> None:
        """Nobody's hand is at the unit while the supply feeds it."""
        moved = ran["healthy"].bench.events("probe")

        assert "bulk" in {event["at"] for event in moved}
        assert not any(event["live"] for event in moved)

    def test_both_labels_are_printed_for_it(self, ran: dict[str, Ran], tmp_path: Path) -> None:
        """What stands in its record is shown; unit and plug get a label each, on one line each."""
        record = str(ran["healthy"].ended.record)
        shown = called("results", "show", record)
        verified = called("results", "verify", record)
        label, plug = tmp_path / "label.svg", tmp_path / "plug.svg"
        written = [
            called("results", "label", record, "--to", str(label)),
            called("results", "label", record, "--input", "--to", str(plug)),
        ]

        assert (shown.returncode, verified.returncode) == (0, 0)
        assert "hold-up time" in shown.stdout
        assert [each.returncode for each in written] == [0, 0], written
        assert SERIAL in label.read_text(encoding="utf-8")
        assert "100 V TO 240 V AC ONLY" in plug.read_text(encoding="utf-8")

    def test_a_keeper_that_is_killed_under_full_load_leaves_everything_off(
        self, ran: dict[str, Ran]
    ) -> None:
        """Supply, both loads and the enable input: the engine tells them over links of its own."""
        case = ran["keeper killed"]

        assert {event["at"] for event in case.bench.events("load", on=True)} == {"main", "standby"}
        assert case.bench.events("aux", on=True)
        _goes_off(case, 3)


@pytest.mark.torture
class TestMoreGuideCameraSupplies:
    def test_a_healthy_one_is_released_by_every_step(self, ran_more: dict[str, Ran]) -> None:
        """Each rail by itself, the idle line, all corners, the current limit: all pass as well."""
        _is_released(ran_more["healthy, every step"])

    @pytest.mark.parametrize(
        ("name", "checks"),
        [
            ("standby weak", {"5 V standby"}),
            ("boost stage dead", {"power factor", "input current", "boosted voltage"}),
            ("boost voltage high", {"boosted voltage"}),
            ("bulk capacitor weak", {"bulk capacitance"}),
            ("converter stops early", {"hold-up time"}),
            ("enable without effect", {"24 V rail", "current of the enable input"}),
            ("enable ignored", {"24 V rail is off"}),
            ("24 V rail high", {"24 V rail"}),
        ],
    )
    def test_faulty_ones_are_rejected(
        self, ran_more: dict[str, Ran], name: str, checks: set[str]
    ) -> None:
        """Found by the checks that are there for it, and everything is off."""
        case = ran_more[name]

        assert case.ended.code == 1, case.ended.screen
        assert case.ended.run["released"] is False
        assert case.failed() >= checks
        assert case.is_off()

    @pytest.mark.parametrize(
        ("name", "check"),
        [("shorted input", "input, one way"), ("limiter bridged", "inrush limiter")],
    )
    def test_what_a_cold_check_finds_is_never_energised(
        self, ran_more: dict[str, Ran], name: str, check: str
    ) -> None:
        """The run is refused before power, and says by which reading."""
        case = ran_more[name]

        assert case.ended.code == 5, case.ended.screen
        assert f"Cold check failed: {check}" in case.screen
        assert not case.bench.was_on

    def test_what_breaks_over_is_cut(self, ran_more: dict[str, Ran]) -> None:
        """A part across the line that gives way at 100 V, within a moment and for its reason."""
        case = ran_more["breaks over"]

        assert case.ended.code == 3, case.ended.screen
        assert case.ended.reason == "energy_budget"
        assert case.bench.on_after_s("short-circuit") < LONGEST_S
        assert case.is_off()

    def test_an_engine_that_is_killed_under_full_load_leaves_everything_off(
        self, ran_more: dict[str, Ran]
    ) -> None:
        """The keeper goes on without it, and writes the last words."""
        _goes_off(ran_more["engine killed"], -9)
