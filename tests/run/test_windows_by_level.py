"""Windows of consumption at each corner and load point, on DC and on AC."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.profile.check import Check
from harness.profile.expand import make_plan
from harness.profile.load import load_profile
from harness.profile.window_rules import window_rules
from harness.run.result import RunResult

#: A board with one output, by its nameplate, what its windows may show, and its start.
BOARDS = {
    "dc": {
        "input": 'kind = "dc"\nnominal = "12 V"\nbulk_capacitance = "1000 uF"\n'
        'start_threshold = "6 V"\ncurrent = "2 A"',
        "envelope": 'voltage = "13.2 V"\ncurrent = "2.5 A"\npower = "25 W"',
        "levels": '["25 %", "42 %", "75 %", "100 %"]',
        "limit": "2 A",
        "output": "5 V",
    },
    "ac": {
        "input": 'kind = "ac"\nnominal = "120 V"\nbulk_capacitance = "47 uF"\n'
        'start_threshold = "55 V"\ncurrent = "0.5 A"\nfrequency = ["60 Hz"]',
        "envelope": 'voltage = "132 V"\ncurrent = "0.8 A"\npower = "40 W"',
        "levels": '["15 %", "35 %", "60 %", "100 %"]',
        "limit": "600 mA",
        "output": "12 V",
    },
}

PROFILE = """
title = "Lamp controller of the dome, in phases"
purpose = "pre-check"

[unit]
protection_class = "III"
[unit.input]
{input}
tolerance = "10 %"
idle_power = "0.5 W"
busy_power = "5 W"
boot_time = "2 s"
[unit.output.main]
kind = "dc"
nominal = "{output}"
current = "1 A"

[envelope]
{envelope}

[rest]
tolerance = "3 %"
span = "0.5 s"
longest = "20 s"

[[steps]]
kind = "start"
levels = {levels}
current_limit = "{limit}"
dwell = "0.2 s"
[[steps.checks]]
name = "boots: most power"
measure = "supply.power"
figure = "max"
from = "0.4 s"
to = "1.4 s"
low = "3.5 W"
high = "5 W"

[[steps]]
kind = "line"
voltages = ["90 %", "110 %"]
dwell = "0.2 s"
[[steps.checks]]
name = "at work: least power"
measure = "supply.power"
figure = "min"
from = "0.2 s"
to = "2.2 s"
low = "1.5 W"
[[steps.checks]]
name = "at work: most power"
measure = "supply.power"
figure = "max"
from = "0.2 s"
to = "2.2 s"
high = "4.6 W"

[[steps]]
kind = "load"
currents = ["0 A", "0.5 A"]
dwell = "0.2 s"
[[steps.checks]]
name = "mean power"
measure = "supply.power"
figure = "mean"
from = "0.1 s"
to = "2.1 s"
low = "1.8 W"
high = "{all_w} W"
[[steps.checks]]
name = "least power under load"
measure = "supply.power"
figure = "min"
from = "0.1 s"
to = "2.1 s"
at = "0.5 A"
low = "{load_w} W"
"""

#: Output power at half an ampere, and one and a half times that with all the board takes at work.
SHARES = {"dc": (2.5, 7.5), "ac": (6.0, 12.0)}

EVERY = {
    f"{name} at {label}"
    for name, labels in (
        ("at work: least power", ("90 %", "110 %")),
        ("at work: most power", ("90 %", "110 %")),
        ("mean power", ("0 A", "500 mA")),
    )
    for label in labels
} | {"boots: most power", "least power under load"}


def written(kind: str, folder: Path, more: str = "") -> Path:
    """Write the profile of a board; return where."""
    load_w, all_w = SHARES[kind]
    path = folder / f"{kind}.toml"
    text = PROFILE.format(**BOARDS[kind], load_w=load_w, all_w=all_w) + more
    path.write_text(text, encoding="utf-8")
    return path


Rehearsed = dict[tuple[str, str | None], tuple[RunResult, dict[str, str]]]


@pytest.fixture(scope="module")
def rehearsed(tmp_path_factory: pytest.TempPathFactory) -> Rehearsed:
    """Rehearse a healthy board and wrong ones on each kind of input; verdicts by check."""
    folder = tmp_path_factory.mktemp("windows")
    found: Rehearsed = {}
    runs = [(kind, fault) for kind in BOARDS for fault in (None, "idles-high")]
    for kind, fault in (*runs, ("dc", "restarts")):
        result = rehearse_profile(written(kind, folder), fault=fault, results=folder)
        assert result.folder is not None
        checks = (result.folder / "checks.csv").read_text(encoding="utf-8").splitlines()
        names = checks[0].split(",")
        rows = [dict(zip(names, line.split(","), strict=False)) for line in checks[1:]]
        found[kind, fault] = result, {row["check"]: row["verdict"] for row in rows}
    return found


@pytest.mark.parametrize("kind", BOARDS)
class TestEachLevel:
    def test_a_healthy_board_passes_at_every_one(self, kind: str, rehearsed: Rehearsed) -> None:
        """Each corner and load point has windows of its own, from when it was set."""
        result, verdicts = rehearsed[kind, None]

        assert result.trip is None, result.reason
        assert verdicts == dict.fromkeys(EVERY, "pass")

    def test_one_that_draws_too_much_fails_at_every_corner(
        self, kind: str, rehearsed: Rehearsed
    ) -> None:
        """A part that draws on all the while shows in the most of each window of the line."""
        _, verdicts = rehearsed[kind, "idles-high"]

        assert verdicts["at work: most power at 90 %"] == "fail"
        assert verdicts["at work: most power at 110 %"] == "fail"


def test_one_that_starts_again_and_again_fails_by_a_least(rehearsed: Rehearsed) -> None:
    """A watchdog that bites while a corner is held shows as a least that is too low."""
    result, verdicts = rehearsed["dc", "restarts"]

    assert result.trip is None
    assert verdicts["at work: least power at 90 %"] == "fail"


class TestPhasesUnderLoad:
    def test_what_a_loaded_board_may_jump_to_is_its_nameplate(self, tmp_path: Path) -> None:
        """Unloaded it draws its busy power at most, loaded up to what the nameplate states."""
        load = make_plan(load_profile(written("dc", tmp_path))).steps[2]
        idle, loaded = (level.works_a for level in load.levels)

        assert idle == pytest.approx((0.5 * 0.5 / 12.0, 1.1 * 5.0 / 12.0))
        assert loaded == pytest.approx((0.5 * 0.5 / 12.0, 1.1 * 2.0))

    @pytest.mark.parametrize(
        "step",
        [
            'kind = "dip"\nresidual = "0 %"\nduration = "400 ms"\ntimes = 3\ndwell = "0.2 s"',
            'kind = "soak"\nload = "resistor 10 ohm"\nduration = "1 s"',
        ],
    )
    def test_it_boots_again_where_power_was_gone(self, step: str, tmp_path: Path) -> None:
        """After a drop, or with a load connected by hand, its boot time is waited for."""
        path = written("dc", tmp_path, f"\n[[steps]]\n{step}\n")
        last = make_plan(load_profile(path)).steps[-1]

        assert {level.wait_s for level in last.levels} == {2.0}


@pytest.mark.parametrize(
    ("step", "accepted"),
    [("line", True), ("load", True), ("dip", False), ("cycle", False), ("discharge", False)],
)
def test_where_windows_belong(step: str, accepted: bool) -> None:
    """A window is of a step that holds a unit at work, and of the start."""
    one = Check.model_validate(
        {"name": "x", "measure": "supply.power", "from": "0 s", "to": "1 s", "high": "1 W"}
    )
    problems = [mistake.problem for mistake in window_rules(("steps", 0), one, step)]

    assert bool(problems) is not accepted


class TestReadingsThatAreMeans:
    def test_a_window_too_short_for_them_falls_away(self, tmp_path: Path) -> None:
        """A window of less than five times what a reading is the mean over shows nothing."""
        profile = load_profile(written("ac", tmp_path))
        near, far = (make_plan(profile, window_s=window_s).steps[0] for window_s in (0.2, 0.21))

        assert near.dropped == ()
        [(check, why)] = far.dropped
        assert check.name == "boots: most power"
        assert "too short for readings that are means over 0.21 s" in why
