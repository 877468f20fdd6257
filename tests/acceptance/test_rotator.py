"""The rotator controller board on the outside bench, from the story of its failure to its label.

A digital board without outputs: what it draws over time is all that the bench sees of it, and the
person at the bench looks at its indicator. The profile is the shipped full release with shorter
times, for a board that boots in a second; dips and a power cycle are put in before its soak.
"""

from __future__ import annotations

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

from harness.record import load
from harness.shipped import shipped
from tests.command import called, started
from tests.outside.journal import keeper_of, last_of_power, reached
from tests.outside.partner import OutsideBench
from tests.outside.person import Person
from tests.outside.runs import Ended, Running, side_by_side

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="types through a FIFO, and finds the keeper in /proc"
)

#: Longest time from what ends a run to power off.
LONGEST_S = 2.0
UNIT = "rotator-controller-HRW-0041"
FULL = "rotator-controller-full-release"
#: What the shipped profile says, and what it says here.
SHORTER = {
    'boot_time        = "4 s"': 'boot_time = "1.3 s"',
    'span      = "0.5 s"': 'span = "0.3 s"',
    'dwell         = "1 s"': 'dwell = "100 ms"',
    'from    = "0.6 s"\nto      = "2.4 s"': 'from = "0.25 s"\nto = "1 s"',
    'from    = "4 s"\nto      = "6 s"': 'from = "1.3 s"\nto = "2.3 s"',
    'dwell         = "2 s"': 'dwell = "1.2 s"',
    'dwell         = "8 s"': 'dwell = "4 s"',
    'duration      = "12 s"': 'duration = "2 s"',
    'from    = "1 s"\nto      = "12 s"': 'from = "0.3 s"\nto = "2 s"',
}
#: Before the soak, which finds what a dip leaves behind.
MORE_STEPS = """\
[[steps]]
kind          = "cycle"
times         = 1
off           = "1 s"
current_limit = "700 mA"
dwell         = "1.2 s"

[[steps.checks]]
name    = "power at work"
measure = "supply.power"
low     = "1.3 W"
high    = "2.5 W"

[[steps.checks]]
name    = "off for long enough"
measure = "cycle.off_time"
low     = "1 s"

[[steps]]
kind          = "dip"
title         = "short dip"
residual      = "0 %"
duration      = "10 ms"
current_limit = "700 mA"
dwell         = "1.2 s"

[[steps.checks]]
name    = "power at work"
measure = "supply.power"
low     = "1.3 W"
high    = "2.5 W"

[[steps]]
kind          = "dip"
title         = "long dip"
residual      = "0 %"
duration      = "90 ms"
current_limit = "700 mA"
dwell         = "1.2 s"

[[steps.checks]]
name    = "power at work"
measure = "supply.power"
low     = "1.3 W"
high    = "2.5 W"

"""
#: A board that boots in a second and works in bursts, four of them each second.
BOARD = {
    "power_on_s": 0.1,
    "boot": [[0.1, 1.3], [0.75, 2.3], [0.1, 1.6]],
    "burst_s": 0.03,
    "period_s": 0.25,
}
#: The board as it is sold: it boots for more than three seconds.
AS_SOLD = {"power_on_s": 0.3, "boot": [[0.8, 1.3], [1.5, 2.4], [0.6, 1.6]]}
#: What is typed of it where no profile is at hand.
NAMEPLATE = (
    *("--kind", "dc", "--nominal", "12 V", "--current", "0.8 A", "--protection-class", "III"),
    *("--bulk-capacitance", "1000 uF", "--idle-power", "0.5 W", "--start-threshold", "6 V"),
    *("--busy-power", "4 W", "--boot-time", "4 s"),
)
#: As `softwake bench --wiring` tells of this supply.
STATES = 'output_capacitance = "220 uF"\noutput_capacitance_error = "10 uF"'
#: Checks that a brief profile leaves out.
SLOW = r'across += "(bulk|input)"\nlow +=.*k|"start.bulk_capacitance"'
#: Where the meter's leads go, by what the run says.
PLACES = {
    "Take the meter's leads off the unit": "away",
    "across the input terminals the other way round": "input reversed",
    "across the input terminals": "input",
    "across the fuse": "fuse",
    "across the bulk capacitor: red": "bulk",
}


def unit_file(folder: Path, case: Case) -> Path:
    """Write the board's unit file beside its profile: its nameplate and story."""
    path = shipped("profiles", f"units/{UNIT}")
    assert path is not None
    text = path.read_text(encoding="utf-8")
    if case.board.get("boot") is None:
        text = text.replace('boot_time        = "4 s"', 'boot_time = "1.3 s"')
    file = folder / "HRW-0041.toml"
    file.write_text(text, encoding="utf-8")
    return file


def profile_of(case: Case) -> str:
    """Return the profile of a case."""
    path = shipped("profiles", FULL)
    assert path is not None
    text = path.read_text(encoding="utf-8")
    return text if case.profile == "shipped" else shortened(text, case)


def drafted(folder: Path) -> str:
    """Return the profile that is drafted from what stands on the board, and nothing else."""
    file = folder / "drafted.toml"
    done = started("new", "profile", "--yes", "--to", str(file), *NAMEPLATE)
    assert done.returncode == 0, done.stderr
    return file.read_text(encoding="utf-8")


def shortened(text: str, case: Case) -> str:
    """Return the profile with short times; of its steps those of a case, which is a pre-check."""
    for old, new in SHORTER.items():
        assert old in text, old
        text = text.replace(old, new)
    head, *steps = re.split(r"^(?=\[\[steps\]\])", text, flags=re.MULTILINE)
    soak = next(at for at, step in enumerate(steps) if '"soak"' in step)
    steps[soak:soak] = re.split(r"^(?=\[\[steps\]\])", MORE_STEPS, flags=re.MULTILINE)[1:]
    if not case.steps:
        return head + "".join(steps)
    kept = "".join(
        step for step in steps if any(re.search(rf'kind += "{kind}"', step) for kind in case.steps)
    )
    if case.profile != "brief":
        return head.replace("[unit]", 'purpose = "pre-check"\n\n[unit]', 1) + kept
    first, *checks = re.split(r"^(?=\[\[steps)", head + kept, flags=re.MULTILINE)
    return first + "".join(each for each in checks if not re.search(SLOW, each))


def kill_keeper(_: OutsideBench, running: Running) -> None:
    os.kill(keeper_of(running), signal.SIGKILL)


def kill_engine(_: OutsideBench, running: Running) -> None:
    running.process.kill()


def interrupt(_: OutsideBench, running: Running) -> None:
    running.process.send_signal(signal.SIGINT)


@dataclass(frozen=True)
class Case:
    """What is wrong with the board, which steps are carried out, and what happens when.

    ``profile``: ``shipped`` as it is; ``brief`` without the checks that an ohmmeter takes ten
    seconds for, or that a busy machine may leave undecided.
    """

    board: dict[str, Any] = field(default_factory=dict)
    unit: dict[str, Any] = field(default_factory=dict)
    steps: tuple[str, ...] = ()
    happens: Callable[[OutsideBench, Running], Any] | None = None
    when: str = "question"  #: or the step in which a level has settled
    profile: str = ""


POWERED = ("start", "nominal", "line", "soak")
ASKED = ("start", "nominal")
CYCLED = ("start", "cycle")
CASES = {
    "healthy, briefly": Case(steps=("cold", "start", "nominal", "dip"), profile="brief"),
    "keeper killed while it is asked": Case(steps=ASKED, happens=kill_keeper),
    "engine killed while power cycles": Case(steps=CYCLED, happens=kill_engine, when="restart 1"),
    "engine killed while it is asked": Case(steps=ASKED, happens=kill_engine),
    "healthy": Case(),
    "keeper killed while power cycles": Case(steps=CYCLED, happens=kill_keeper, when="restart 1"),
    "stopped while it is asked": Case(steps=ASKED, happens=interrupt),
    "as sold": Case(AS_SOLD, profile="shipped"),
    "drafted": Case(AS_SOLD, profile="drafted"),
    "boots again and again": Case({"watchdog_s": 0.7}, steps=POWERED),
    "starts again at work": Case({"watchdog_s": 3.1}, steps=POWERED),
    "never boots": Case({"clock": False}, steps=POWERED),
    "boot never ends": Case({"finishes": False}, steps=POWERED),
    "draws too much": Case({"driver_a": 0.16}, steps=POWERED),
    "resets at low line": Case({"supervisor_v": 10.6}, steps=POWERED),
    "weak bulk capacitor": Case(unit={"bulk_f": 400e-6}, steps=POWERED),
    "hangs after a dip": Case({"brown_out_v": 0.0}, steps=("start", "dip", "soak")),
    "hangs quietly after a dip": Case(
        {"brown_out_v": 0.0, "hung_w": 0.9}, steps=("start", "dip", "soak")
    ),
    "regulator shorted": Case({"shorted": True}),
    "regulator shorted, no cold checks": Case({"shorted": True}, steps=POWERED),
    "suppressor shorted": Case({"suppressor_ohm": 0.3}),
    "suppressor shorted, no cold checks": Case({"suppressor_ohm": 0.3}, steps=POWERED),
    "leaky bulk capacitor": Case(unit={"leak_ohm": 700.0}),
    "bulk capacitor leaks at work": Case({"breaks_v": 7.5}, steps=POWERED),
    "bulk capacitor breaks over": Case({"breaks_v": 7.5, "breaks_ohm": 1.0}, steps=POWERED),
    "fuse open": Case({"fuse_ohm": 60e6}),
}
#: Of these the default run has the first; torture has the others.
FIRST = 3


@dataclass(frozen=True)
class Ran:
    """How a run ended, what the bench saw, and when something happened to it."""

    ended: Ended
    bench: OutsideBench
    happened_s: float
    asked: list[str]

    @property
    def on_after_s(self) -> float:
        """Return how long power was on after it happened."""
        offs = [event["t"] for event in self.bench.events("power", on=False)]
        return max(0.0, offs[-1] - self.happened_s) if offs else float("inf")

    @property
    def screen(self) -> str:
        """What was on the screen, its lines joined."""
        return " ".join(self.ended.screen.split())

    def verdicts(self, verdict: str) -> set[str]:
        """Return the checks that have a verdict, each with its step."""
        assert self.ended.record is not None
        checks = load(self.ended.record).checks
        found = checks.loc[checks["verdict"] == verdict]
        return {
            f"{step}: {check}" for step, check in zip(found["step"], found["check"], strict=True)
        }


def answered(bench: OutsideBench, question: str) -> str:
    """Do what the screen says, and return what is typed: of what was seen and measured there."""
    if "Discharge the bulk capacitor" in question:
        bench.control("discharge")
    for words, at in PLACES.items():
        if words in question:
            bench.control("probe", at=at)
            return ""
    if "Series resistance of the bulk capacitor" in question:
        return "63 mohm"
    if "Voltage across the bulk capacitor" in question:
        return f"{bench.control('state')['bulk_v']:.2f} V"
    if "indicator" in question:
        return "yes" if bench.control("look")["indicator"] == "blinks" else "no"
    return "yes" if "no damage" in question else "no"


def carry_out(folder: Path, case: Case) -> Ran:
    """Run the product once with a board and a person."""
    config = {
        "controller": BOARD | case.board,
        "unit": case.unit,
        "states": STATES,
        "load": False,
        "latency_s": 0.004,
    }
    folder.mkdir(parents=True)
    options = ("--serial", "HRW-0041", "--unit", str(unit_file(folder, case)))
    happened: list[float] = []
    with OutsideBench(folder, config) as bench:

        def happen(running: Running) -> None:
            happened.append(time.monotonic())
            assert case.happens is not None
            case.happens(bench, running)

        def answer(question: str) -> str | None:
            if "indicator" not in question or case.happens is None or case.when != "question":
                return answered(bench, question)
            happen(running)
            return None

        person = Person(folder / "keys", answer)
        profile = drafted(folder) if case.profile == "drafted" else profile_of(case)
        running = Running(bench, profile, options=options, typed=folder / "keys")
        with running, person.at_bench(running.screen):
            if case.happens is not None and case.when != "question":
                assert reached(running, case.when), running.screen.read_text(encoding="utf-8")
                happen(running)
            ended = running.end(240.0)
            if ended.code < 0:  # the keeper goes on, and writes the last words
                assert ended.record is not None
                record = ended.record
                bench.wait(
                    lambda _: last_of_power(record).startswith("power off"),
                    longest_s=5 * LONGEST_S,
                )
    return Ran(ended, bench, happened[0] if happened else 0.0, person.asked)


def _all(folder: Path, names: Sequence[str]) -> dict[str, Ran]:
    return side_by_side(folder, names, lambda place, name: carry_out(place, CASES[name]))


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The first cases."""
    return _all(tmp_path_factory.mktemp("rotator"), list(CASES)[:FIRST])


@pytest.fixture(scope="module")
def ran_more(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The others."""
    return _all(tmp_path_factory.mktemp("rotators"), list(CASES)[FIRST:])


def _goes_off(case: Ran, code: int) -> None:
    """Hold a run that was ended from outside against what is owed."""
    assert case.ended.code == code, case.ended.screen
    assert case.on_after_s < LONGEST_S
    assert not case.bench.left_on
    assert case.ended.record is not None
    assert last_of_power(case.ended.record).startswith("power off")


class TestRotator:
    def test_a_healthy_one_is_released(self, ran: dict[str, Ran]) -> None:
        """It boots once as power comes on, works on through 10 ms, and boots again after 90 ms."""
        healthy = ran["healthy, briefly"]

        assert healthy.ended.code == 0, healthy.ended.screen
        assert healthy.ended.released
        assert not healthy.bench.left_on
        assert healthy.bench.events("error") == []
        assert [event["count"] for event in healthy.bench.events("boots")] == [1, 2]

    def test_leads_are_moved_with_power_off_and_off_the_unit_in_the_end(
        self, ran: dict[str, Ran]
    ) -> None:
        """There is no output to measure; what the ohmmeter has charged is discharged."""
        healthy = ran["healthy, briefly"]
        moved = healthy.bench.events("probe")
        before = healthy.bench.events("power", on=True)[0]["t"]

        assert [event["at"] for event in moved] == ["bulk", "fuse", "input reversed", "away"]
        assert not any(event["live"] for event in moved)
        assert moved[-1]["t"] < before
        assert any("the ohmmeter has charged it" in question for question in healthy.asked)

    def test_the_question_is_asked_with_power_on(self, ran: dict[str, Ran]) -> None:
        """The screen says so, and the keeper goes on watching."""
        [asked] = [one for one in ran["healthy, briefly"].asked if "indicator" in one]

        assert "POWER IS ON. Does the indicator beside the connector blink" in asked

    def test_from_the_story_to_the_label(self, ran: dict[str, Ran]) -> None:
        """What over-stressed it, what is planned, what was found, and two labels."""
        record = ran["healthy, briefly"].ended.record
        assert record is not None
        folder = record.parents[1]
        unit, label, plug = (folder / name for name in ("HRW-0041.toml", "l.svg", "plug.svg"))
        told = called("assess", str(unit))
        words = ("plan", str(folder / "profile.toml"), "--bench", str(folder / "bench.toml"))
        planned = called(*words, "--unit", str(unit))
        shown = called("results", "show", str(record))
        made = called("results", "label", str(record), "--to", str(label))
        for_plug = called("results", "label", str(record), "--input", "--to", str(plug))

        assert all(done.returncode == 0 for done in (told, shown, made, for_plug)), for_plug.stderr
        assert planned.returncode == 0, planned.stdout
        assert "D2 suppressor" in told.stdout
        assert "WHILE POWER IS ON" in planned.stdout
        assert "released yes" in shown.stdout
        assert "HRW-0041" in label.read_text(encoding="utf-8")
        assert "12 V DC ONLY" in plug.read_text(encoding="utf-8")

    def test_a_keeper_that_is_killed_during_a_question_leaves_power_off(
        self, ran: dict[str, Ran]
    ) -> None:
        """The engine switches off over a link of its own, whoever is still thinking."""
        _goes_off(ran["keeper killed while it is asked"], 3)

    def test_an_engine_that_is_killed_between_restarts_leaves_power_off(
        self, ran: dict[str, Ran]
    ) -> None:
        """The keeper goes on alone."""
        _goes_off(ran["engine killed while power cycles"], -9)


@pytest.mark.torture
class TestMoreRotators:
    @pytest.mark.parametrize(("name", "boots"), [("healthy", 4), ("as sold", 2)])
    def test_healthy_ones_are_released(
        self, ran_more: dict[str, Ran], name: str, boots: int
    ) -> None:
        """Every step, and the shipped profile as it is; each power on is one boot."""
        case = ran_more[name]

        assert case.ended.code == 0, case.ended.screen
        assert case.ended.released
        assert len(case.bench.events("boots")) == boots
        assert not case.bench.left_on

    def test_a_profile_drafted_from_the_nameplate_passes_it(self, ran_more: dict[str, Ran]) -> None:
        """What a new user has after a few answers lets a healthy board boot, and releases none."""
        case = ran_more["drafted"]

        assert case.ended.code == 0, case.ended.screen
        assert not case.ended.released
        assert "boots: most power" in case.screen

    @pytest.mark.parametrize(
        ("name", "code"),
        [
            ("keeper killed while power cycles", 3),
            ("engine killed while it is asked", -9),
            ("stopped while it is asked", 130),
        ],
    )
    def test_whoever_goes_leaves_everything_off(
        self, ran_more: dict[str, Ran], name: str, code: int
    ) -> None:
        """Within two seconds, and the journal says so."""
        _goes_off(ran_more[name], code)

    @pytest.mark.parametrize(
        ("name", "checks"),
        [
            (
                "boots again and again",
                {"start: works after its boot time: mean power", "nominal: indicator"},
            ),
            ("starts again at work", {"soak: at work: least power"}),
            ("never boots", {"start: boots: most power", "nominal: indicator"}),
            ("boot never ends", {"start: works after its boot time: mean power"}),
            ("bulk capacitor leaks at work", {"nominal: power at work"}),
            ("draws too much", {"nominal: power at work", "soak: at work: mean power"}),
            ("resets at low line", {"line: power at work at 90 %"}),
            ("weak bulk capacitor", {"start: bulk capacitance"}),
            ("hangs after a dip", {"long dip: power at work at 0 % for 90 ms"}),
            ("hangs quietly after a dip", {"soak: at work: most power"}),
        ],
    )
    def test_faulty_ones_are_rejected(
        self, ran_more: dict[str, Ran], name: str, checks: set[str]
    ) -> None:
        """Found by the checks that are there for it, and nothing is left on."""
        case = ran_more[name]

        assert case.ended.code == 1, case.ended.screen
        assert not case.ended.released
        assert not case.bench.left_on
        assert case.verdicts("fail") >= checks

    @pytest.mark.parametrize(
        ("name", "checks"),
        [
            ("regulator shorted", {"cold: bulk capacitor is not shorted", "cold: input, one way"}),
            ("suppressor shorted", {"cold: input, one way", "cold: input, other way"}),
            (
                "leaky bulk capacitor",
                {"cold: bulk capacitor is not shorted", "cold: input, one way"},
            ),
            ("fuse open", {"cold: fuse"}),
        ],
    )
    def test_what_an_ohmmeter_finds_is_never_energised(
        self, ran_more: dict[str, Ran], name: str, checks: set[str]
    ) -> None:
        """Refused before power, by the checks that show it and by no other."""
        case = ran_more[name]

        assert case.ended.code == 5, case.ended.screen
        assert case.verdicts("fail") == checks
        assert not case.bench.was_on

    @pytest.mark.parametrize(
        ("name", "level"),
        [
            ("regulator shorted, no cold checks", "42 %"),
            ("suppressor shorted, no cold checks", "25 %"),
            ("bulk capacitor breaks over", "75 %"),
        ],
    )
    def test_what_nobody_measured_cold_is_cut_at_the_level_that_shows_it(
        self, ran_more: dict[str, Ran], name: str, level: str
    ) -> None:
        """By the charge that nothing explains, before the next level."""
        case = ran_more[name]

        assert case.ended.code == 3, case.ended.screen
        assert case.ended.reason == "charge_budget"
        assert not case.bench.left_on
        assert case.ended.record is not None
        readings = load(case.ended.record).readings
        assert readings.loc[readings["source"] == "supply", "level"].iloc[-1] == level
