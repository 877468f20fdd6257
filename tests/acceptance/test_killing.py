from __future__ import annotations

import csv
import itertools
import os
import random
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import pytest
from typer.testing import CliRunner

from harness.cli.main import app
from tests.acceptance.conftest import ROOT
from tests.command import started

if TYPE_CHECKING:
    from tests.acceptance.conftest import Campaign, Ended, Running, ServedBench

pytestmark = pytest.mark.skipif(
    sys.platform != "linux", reason="finds the keeper's process in /proc, and sends POSIX signals"
)

#: Longest time from the kill to output off, in seconds.
LONGEST_S = 1.0
#: What the record may lack before the kill.
LOST_S = 0.2
#: A stopped engine goes on after so long, and must find what has happened.
STOPPED_S = 1.5

#: Exit codes the engine must end with; negative: it was killed.
CODES = {
    "engine SIGKILL": -9,
    "engine SIGTERM": 143,
    "engine SIGINT": 130,
    "engine SIGHUP": 129,
    "engine SIGSTOP": 3,
    "keeper SIGKILL": 3,
    "keeper SIGTERM": 3,
}

OUTCOMES = {
    "engine SIGTERM": "interrupted",
    "engine SIGINT": "interrupted",
    "engine SIGHUP": "interrupted",
    "engine SIGSTOP": "tripped",
    "keeper SIGKILL": "tripped",
    "keeper SIGTERM": "tripped",
}


@dataclass(frozen=True)
class Kill:
    """One kill: of what, by what, and how long after output on."""

    how: str
    after_s: float


def kills(count: int, seed: int) -> list[Kill]:
    """Return kills of every kind in turn, at random instants of a run with power on."""
    rng = random.Random(seed)
    names = list(CODES)
    return [Kill(names[number % len(names)], rng.uniform(0.0, 2.8)) for number in range(count)]


def carry_out(campaign: Campaign, kill: Kill) -> tuple[list[str], Path | None]:
    """Kill one run; return what was wrong and its record, and print how long output off took."""
    with campaign.bench() as bench, campaign.run(bench) as running:
        if not bench.wait(on=True, longest_s=30.0):
            return [f"{kill}: no power in 30 s: {running.end().screen}"], None
        time.sleep(kill.after_s)
        target, name = kill.how.split()
        number = getattr(signal, name)
        at_s = time.monotonic()
        os.kill(running.keeper() if target == "keeper" else running.process.pid, number)
        off = bench.wait(on=False, longest_s=10.0)
        ended = _end(running, name)
        lag_s = bench.off_s - at_s if off else float("inf")
        print(  # noqa: T201 - the figures of a campaign, seen with `pytest -s`
            f"{kill.how:15} after {kill.after_s:.3f} s: off in {lag_s:.3f} s"
        )
        found = [] if lag_s <= LONGEST_S else [f"output off after {lag_s:.3f} s"]
        if bench.on:
            found.append("the output is on at the end")
        found += _wrong(kill, bench, ended, at_s)
        return [f"{kill}: {what}\n{ended.screen}" for what in found], ended.record


def _end(running: Running, name: str) -> Ended:
    if name == "SIGSTOP":
        time.sleep(STOPPED_S)
        os.kill(running.process.pid, signal.SIGCONT)
    return running.end()


def _wrong(kill: Kill, bench: ServedBench, ended: Ended, at_s: float) -> list[str]:
    """Return what is wrong with the record of a killed run."""
    found = []
    if ended.code != CODES[kill.how]:
        found.append(f"exit code {ended.code}")
    if ended.run.get("outcome") != OUTCOMES.get(kill.how):
        found.append(f"outcome {ended.run.get('outcome')}")
    if "Traceback" in ended.screen:
        found.append("a traceback on the screen")
    assert ended.record is not None
    # what a stopped engine has not read yet, it reads later
    missing = _missing(bench, ended.record, at_s - LOST_S)
    if missing:
        found.append(f"{len(missing)} readings are not in the record, the first {missing[0]}")
    return found


def _wrong_listing(kill: Kill, record: Path) -> list[str]:
    """Return what ``softwake results`` says wrongly of the record."""
    found = []
    whole = kill.how in OUTCOMES
    show = CliRunner().invoke(app, ["results", "list", "--results", str(record.parent)])
    ended = OUTCOMES.get(kill.how, "interrupted")
    if ended not in show.output or "yes" in show.output:
        found.append(f"listed as {show.output}")
    verify = CliRunner().invoke(
        app, ["results", "verify", record.name, "--results", str(record.parent)]
    )
    if verify.exit_code != (0 if whole else 1):
        found.append(f"verify ends with {verify.exit_code}: {verify.output}")
    if not whole and not ("run.json: it is missing" in verify.output and "bytes" in verify.output):
        found.append(f"verify does not say what is there and what is not: {verify.output}")
    return found


def _missing(bench: ServedBench, record: Path, until_s: float) -> list[str]:
    """Return readings the instruments gave before a time that the record does not have."""
    with (record / "readings.csv").open(encoding="utf-8", newline="") as file:
        recorded = {(row["source"], float(row["value"])) for row in csv.DictReader(file)}
    on_s = next(time_s for time_s, on in bench.switched if on)
    return [
        f"{role} {part}"
        for role, log in bench.spoken.items()
        for said in log
        if said.message.startswith("MEAS:") and on_s < said.time_s < until_s
        for part in said.answer.decode().strip().split(";")
        if "E" in part and (role, float(part)) not in recorded
    ]


def problems(campaign: Campaign, cases: list[Kill]) -> list[str]:
    found: list[str] = []
    for kill, (wrong, record) in campaign.each(cases, lambda kill: carry_out(campaign, kill)):
        found += wrong
        if record is not None:  # here and not above: the command's output is caught for all threads
            found += [f"{kill}: {what}" for what in _wrong_listing(kill, record)]
    return found


@dataclass(frozen=True)
class EarlyKill:
    """One kill on the way to power: of what, by what, at which message to any instrument.

    Either the number of the message, or a text that it holds.
    """

    how: str
    at: int | str


#: How a run may end that was killed on its way to power, or in the moment it came.
EARLY = {
    "engine SIGKILL": {(-9, None)},
    "engine SIGTERM": {(143, "interrupted")},
    "engine SIGINT": {(130, "interrupted")},
    "engine SIGHUP": {(129, "interrupted")},
    "engine SIGSTOP": {(0, "completed"), (3, "tripped")},  # before power it may go on
    "keeper SIGKILL": {(5, "refused"), (3, "tripped")},
    "keeper SIGTERM": {(5, "refused"), (3, "tripped")},
}

#: Messages up to the one that switches the output on, and a few more.
TO_POWER = 42


def kill_early(campaign: Campaign, kill: EarlyKill) -> list[str]:
    """Kill one run at a message, while the instrument still carries it out."""
    target, name = kill.how.split()
    count = itertools.count(1)
    killed_s: list[float] = []
    with campaign.bench() as bench:

        def look(_role: str, message: str) -> None:
            number = next(count)
            if not killed_s and kill.at in {number, message}:
                killed_s.append(time.monotonic())
                pid = running.keeper() if target == "keeper" else running.process.pid
                os.kill(pid, getattr(signal, name))

        with campaign.run(bench) as running:
            bench.on_message = look
            while not killed_s and running.process.poll() is None:
                time.sleep(0.01)
            if name != "SIGSTOP":
                bench.wait(on=False, longest_s=5.0)
            ended = _end(running, name)
        found = []
        if (ended.code, ended.run.get("outcome")) not in EARLY[kill.how]:
            found.append(f"exit code {ended.code}, outcome {ended.run.get('outcome')}")
        if bench.on or not bench.wait(on=False, longest_s=LONGEST_S):
            found.append("the output is on at the end")
        if ended.code and bench.switched and bench.off_s - killed_s[0] > LONGEST_S:
            found.append(f"output off after {bench.off_s - killed_s[0]:.3f} s")
        if "Traceback" in ended.screen:
            found.append("a traceback on the screen")
        return [f"{kill}: {what}\n{ended.screen}" for what in found]


def early_problems(campaign: Campaign, cases: list[EarlyKill]) -> list[str]:
    found = campaign.each(cases, lambda kill: kill_early(campaign, kill))
    return [what for _, wrong in found for what in wrong]


def test_power_is_off_where_it_is_killed_as_it_comes(campaign: Campaign) -> None:
    """Killed with the very message that switches on: the output does not stay on."""
    names = ("engine SIGKILL", "keeper SIGKILL", "engine SIGSTOP")

    found = early_problems(campaign, [EarlyKill(name, "OUTP ON") for name in names])

    assert not found, "\n".join(found)


@pytest.mark.torture
def test_power_does_not_come_to_stay_whenever_it_is_killed(campaign: Campaign) -> None:
    """Killed at every message on the way to power, by everything in turn."""
    cases = [
        EarlyKill(name, number)
        for number in range(1, TO_POWER)
        for index, name in enumerate(EARLY)
        if index % 3 == number % 3
    ]

    found = early_problems(campaign, cases)

    assert not found, "\n".join(found)


def test_power_is_off_whatever_is_killed(campaign: Campaign) -> None:
    """Each kind of kill at a random instant: off within a second, the record kept, no pass."""
    found = problems(campaign, kills(len(CODES), seed=20261125))

    assert not found, "\n".join(found)


def test_the_supply_is_not_free_before_the_keeper_has_switched_off(campaign: Campaign) -> None:
    """While the keeper of a killed run still tries to switch off, no other run gets the supply."""
    with campaign.bench() as bench, campaign.run(bench) as running:
        assert bench.wait(on=True, longest_s=30.0), running.screen.read_text(encoding="utf-8")
        bench.links["supply"].inject("output-stays-on")
        keeper = running.keeper()
        running.signal(signal.SIGKILL)
        running.process.wait(timeout=10.0)
        try:
            second = started("bench", str(bench.file), cwd=ROOT)
            assert second.returncode == 5
            assert "still in the hands of an earlier run's keeper" in second.stderr
            bench.links["supply"].heal()
            assert bench.wait(on=False, longest_s=10.0)
        finally:
            bench.links["supply"].heal()
            end_s = time.monotonic() + 10.0
            while Path(f"/proc/{keeper}").exists() and time.monotonic() < end_s:
                time.sleep(0.05)
        third = started("bench", str(bench.file), cwd=ROOT)
        assert third.returncode == 0, third.stdout + third.stderr


@pytest.mark.torture
def test_power_is_off_after_two_hundred_kills(campaign: Campaign) -> None:
    """Two hundred kills at random instants: off within a second every time, nothing lost."""
    found = problems(campaign, kills(200, seed=1))

    assert not found, "\n".join(found)
