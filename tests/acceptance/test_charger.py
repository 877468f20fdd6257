"""Whole runs of a charger on the outside bench, with an auxiliary supply and a person.

The person is a thread that reads the screen and does what stands there: measures the battery,
connects it, takes it off.
"""

from __future__ import annotations

import os
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
from tests.outside.partner import OutsideBench
from tests.outside.person import Person
from tests.outside.runs import Ended, Running, side_by_side

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="types through a FIFO, and finds the keeper in /proc"
)

#: What a person takes at least to move a battery: a converter has stopped by then.
TAKES_S = 1.0
#: Longest time from what ends a run to power off.
LONGEST_S = 2.0
PROFILE = """\
title = "Lamp battery charger, shortened"

[unit]
protection_class = "II"

[unit.input]
kind             = "ac"
nominal          = "100 V"
tolerance        = "10 %"
frequency        = ["60 Hz"]
current          = "1 A"
bulk_capacitance = "120 uF"
idle_power       = "1.7 W"
start_threshold  = "55 V"

[unit.output.main]
kind        = "charger"
range       = ["7.2 V", "18 V"]
current     = "2 A"
limit       = "2.3 A"
wake        = "5 V"
end_current = "0.2 A"
drain       = "5 mA"

[envelope]
voltage = "110 V"
current = "1.5 A"
power   = "80 W"

[envelope.aux]
voltage = "6.5 V"
current = "20 mA"

[[steps]]
kind          = "start"
levels        = ["50 %", "100 %"]
current_limit = "500 mA"
dwell         = "100 ms"

[[steps]]
kind  = "nominal"
title = "no battery"
dwell = "300 ms"

[[steps.checks]]
name    = "nothing without a battery"
measure = "meter.voltage_dc"
low     = "-0.5 V"
high    = "0.5 V"

[[steps]]
kind     = "load"
title    = "held"
mode     = "voltage"
voltages = ["7.2 V", "17 V"]
wake     = "5 V"
wait     = "1 s"
dwell    = "300 ms"

[[steps.checks]]
name    = "charge current"
measure = "load.current"
low     = "1.8 A"
high    = "2.2 A"

[[steps]]
kind         = "line"
title        = "corners"
voltages     = ["90 %", "110 %"]
load_voltage = "17.5 V"
wake         = "5 V"
wait         = "1 s"
dwell        = "300 ms"

[[steps.checks]]
name    = "charge current"
measure = "load.current"
low     = "1.8 A"
high    = "2.2 A"

[[steps]]
kind     = "soak"
title    = "to the end"
load     = "battery"
wait     = "1 s"
duration = "5 s"

[[steps.checks]]
name    = "charge has ended"
measure = "meter.current_dc"
figure  = "end"
low     = "-5 mA"
high    = "0.2 A"

[[steps]]
kind  = "drain"
title = "mains off"

[[steps.checks]]
name    = "reverse leakage"
measure = "meter.current_dc"
low     = "-5 mA"
high    = "5 mA"

[[steps]]
kind  = "nominal"
title = "battery removed"
dwell = "300 ms"

[[steps.checks]]
name    = "nothing once it is gone"
measure = "meter.voltage_dc"
low     = "-0.5 V"
high    = "0.5 V"
"""
UNIT = {
    "bulk_f": 120e-6,
    "start_v": 85.0,
    "stop_v": 60.0,
    "soft_start_s": 0.03,
    "idle_w": 1.4,
    "loss_frac": 0.16,
    "rail_v": 18.0,
}
HEALTHY = {"current_a": 2.0, "highest_v": 18.0}


@dataclass(frozen=True)
class Case:
    """What is wrong with the charger, and what happens in which step."""

    charger: dict[str, Any] = field(default_factory=dict)
    step: str = ""
    happens: Callable[[OutsideBench, Running], Any] | None = None


def kill_keeper(_: OutsideBench, run: Running) -> None:
    os.kill(keeper_of(run), signal.SIGKILL)


def kill_engine(_: OutsideBench, run: Running) -> None:
    run.process.kill()


CASES = {
    "healthy": Case(),
    "keeper killed, battery there": Case(step="to the end", happens=kill_keeper),
    "keeper killed, woken": Case(step="held", happens=kill_keeper),
    "no diode": Case({"diode": False}),
    "wakes late": Case({"wake_v": 7.6}),
    "weak at high line": Case({"weak_above_v": 147.0}),
    "never ends": Case({"ends": False}),
    "leaks back": Case({"drain_a": 12e-3}),
    "engine killed, woken": Case(step="held", happens=kill_engine),
    "engine killed, battery there": Case(step="to the end", happens=kill_engine),
    "aux silent": Case(
        step="held", happens=lambda bench, _: bench.control("misbehave", name="silent", who="aux")
    ),
}
#: Of these the default run has the first; the others are repeats.
FIRST = 3


@dataclass(frozen=True)
class Ran:
    """How a run ended, what the bench saw, and when something happened to it."""

    ended: Ended
    bench: OutsideBench
    happened_s: float

    @property
    def on_after_s(self) -> float:
        """Return how long power, or the auxiliary supply, was on after it happened."""
        offs = [
            event["t"] for what in ("power", "aux") for event in self.bench.events(what, on=False)
        ]
        return max(0.0, max(offs) - self.happened_s) if offs else float("inf")

    @property
    def screen(self) -> str:
        """What was on the screen, its lines joined."""
        return " ".join(self.ended.screen.split())

    @property
    def aux_is_off(self) -> bool:
        """Whether the last that the auxiliary supply did was to go off."""
        told = self.bench.events("aux")
        return not told or told[-1]["on"] is False


def person_at(bench: OutsideBench, fifo: Path) -> Person:
    """Return a person who measures the battery, connects it and takes it off."""

    def answer(question: str) -> str:
        if "battery" in question:
            person.over.wait(TAKES_S)
        if "voltage at its own terminals" in question:
            return "17.2 V"
        if "Connect to output main: battery" in question:
            bench.control("battery", there=True)
        if "Disconnect: battery" in question:
            bench.control("battery", there=False)
        return ""

    person = Person(fifo, answer)
    return person


def carry_out(folder: Path, case: Case) -> Ran:
    """Run the product once with a charger and a person."""
    battery = {"capacity_c": 12.0, "charged": (17.2 - 14.4) / 3.6}
    charger = {**HEALTHY, "battery": battery, **case.charger}
    config = {"kind": "ac", "unit": UNIT, "charger": charger}
    folder.mkdir(parents=True)
    fifo = folder / "keys"
    with OutsideBench(folder, config) as bench:
        person = person_at(bench, fifo)
        with Running(bench, PROFILE, typed=fifo) as running, person.at_bench(running.screen):
            happened_s = 0.0
            if case.happens is not None:
                assert reached(running, case.step)
                happened_s = time.monotonic()
                case.happens(bench, running)
            ended = running.end(120.0)
            if ended.code < 0:  # the keeper goes on, and writes the last words
                assert ended.record is not None
                record = ended.record
                bench.wait(
                    lambda _: last_of_power(record).startswith("power off"),
                    longest_s=5 * LONGEST_S,
                )
    return Ran(ended, bench, happened_s)


def _all(folder: Path, names: Sequence[str]) -> dict[str, Ran]:
    return side_by_side(folder, names, lambda place, name: carry_out(place, CASES[name]), at_once=5)


@pytest.fixture(scope="module")
def ran(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The first cases."""
    return _all(tmp_path_factory.mktemp("charger"), list(CASES)[:FIRST])


@pytest.fixture(scope="module")
def ran_more(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Ran]:
    """The others."""
    return _all(tmp_path_factory.mktemp("chargers"), list(CASES)[FIRST:])


def _goes_off(case: Ran, code: int) -> None:
    """Hold a run that was ended from outside against what is owed."""
    assert case.ended.code == code, case.ended.screen
    assert case.on_after_s < LONGEST_S
    assert not case.bench.left_on
    assert case.aux_is_off
    assert case.ended.record is not None
    assert last_of_power(case.ended.record).startswith("power off")


def _rejected(case: Ran, check: str) -> None:
    """Hold a run that found a fault against the check that is to find it."""
    assert case.ended.code == 1, case.ended.screen
    assert case.ended.run["released"] is False
    assert not case.bench.left_on
    assert case.aux_is_off
    assert case.ended.record is not None
    rows = (case.ended.record / "checks.csv").read_text(encoding="utf-8").splitlines()
    assert any(check in row and "fail" in row for row in rows), rows


class TestCharger:
    def test_a_healthy_one_is_released(self, ran: dict[str, Ran]) -> None:
        """Woken by the auxiliary supply, charged to its end, drained, and the battery taken off."""
        healthy = ran["healthy"]

        assert healthy.ended.code == 0, healthy.ended.screen
        assert healthy.ended.released
        assert not healthy.bench.left_on
        assert [event["on"] for event in healthy.bench.events("aux")] == [True, False] * 2
        assert healthy.bench.events("error") == []
        before, after = (event["charged"] for event in healthy.bench.events("battery"))
        assert before < 0.8
        assert after > 0.98

    def test_a_battery_is_moved_with_power_off_and_the_auxiliary_supply_off(
        self, ran: dict[str, Ran]
    ) -> None:
        """Nobody's hand is at a live charger."""
        bench = ran["healthy"].bench
        moved = bench.events("battery")
        let_go_s = bench.events("aux", on=False)[-1]["t"]

        assert [event["there"] for event in moved] == [True, False]
        assert not any(event["live"] for event in moved)
        assert moved[0]["t"] > let_go_s

    def test_a_keeper_that_is_killed_leaves_supply_and_auxiliary_supply_off(
        self, ran: dict[str, Ran]
    ) -> None:
        """The engine tells both off over links of its own."""
        _goes_off(ran["keeper killed, woken"], 3)

    def test_that_a_battery_is_still_there_is_said(self, ran: dict[str, Ran]) -> None:
        """Power is off; the battery feeds what is wrong in the unit all the same."""
        case = ran["keeper killed, battery there"]

        _goes_off(case, 3)
        assert "Battery is still connected to output main: take it off" in case.screen


@pytest.mark.repeat
@pytest.mark.torture
class TestMoreChargers:
    @pytest.mark.parametrize(
        ("name", "check"),
        [
            ("wakes late", "charge current at 7.2 V"),
            ("weak at high line", "charge current at 110 %"),
            ("never ends", "charge has ended"),
            ("leaks back", "reverse leakage"),
        ],
    )
    def test_faulty_ones_are_rejected(
        self, ran_more: dict[str, Ran], name: str, check: str
    ) -> None:
        """Found by the check that is there for it, and nothing is left on."""
        _rejected(ran_more[name], check)

    @pytest.mark.parametrize(
        ("name", "code"),
        [
            ("engine killed, woken", -9),
            ("engine killed, battery there", -9),
            ("aux silent", 6),
        ],
    )
    def test_whoever_goes_leaves_everything_off(
        self, ran_more: dict[str, Ran], name: str, code: int
    ) -> None:
        """The keeper goes on without the engine; one that falls silent is told off all the same."""
        _goes_off(ran_more[name], code)

    def test_the_next_command_tells_of_the_battery_that_a_killed_engine_left(
        self, ran_more: dict[str, Ran]
    ) -> None:
        """Keeper, record, bench check and the next run say what to do first."""
        case = ran_more["engine killed, battery there"]
        folder, record = case.bench.file.parent, case.ended.record
        assert record is not None
        results = ["--results", str(record.parent)]
        told = "A BATTERY MAY STILL BE CONNECTED: measure, and disconnect it first"
        of_run = ["run", str(folder / "profile.toml"), "--bench", str(case.bench.file)]
        for words in (
            ["results", "show", "last", *results],
            ["results", "list", *results],
            ["bench", str(case.bench.file), *results],
            [*of_run, "--serial", "HRW-0008", *results, "--yes"],
        ):
            done = called(*words, COLUMNS="400")
            assert told in " ".join((done.stdout + done.stderr).split()), words
        screen = (folder / "screen.txt").read_text(encoding="utf-8")
        assert told in " ".join(screen.split())

    def test_a_diode_that_is_missing_cuts_power(self, ran_more: dict[str, Ran]) -> None:
        """What the charger drives into the auxiliary supply is outside that one's envelope."""
        case = ran_more["no diode"]

        assert case.ended.code == 3, case.ended.screen
        assert "read at the auxiliary supply, 6.5 V is its envelope" in case.screen
        assert not case.bench.left_on
        assert case.aux_is_off
