"""Consumption over time: windows, and boards that draw now this, now that."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from harness.api import rehearse_profile
from harness.bench.sample import SupplySample
from harness.profile.check import Check
from harness.profile.expand import make_plan
from harness.profile.level import Level
from harness.profile.load import load_profile
from harness.run.result import RunResult
from harness.run.windows import Found, Windows

BOARD, DC = "rotator-controller-board", "dome-shutter-dc-pre-check"


def check(figure: str, begin: str = "1 s", end: str = "3 s") -> Check:
    """Return a check of the supply's power in a window."""
    return Check.model_validate(
        {
            "name": figure,
            "measure": "supply.power",
            "figure": figure,
            "from": begin,
            "to": end,
            "high": "9 W",
        }
    )


def level(voltage_v: float) -> Level:
    return Level(label="x", voltage_v=voltage_v, current_limit_a=1.0, dwell_s=1.0)


def seen(checks: list[Check], powers: list[tuple[float, float]], **how: Any) -> list[Found | None]:
    """Return the figures of windows that saw powers, each with its time since the level was set."""
    windows = Windows(
        checks, threshold_v=how.get("threshold_v", 0.0), averaged_s=how.get("averaged_s", 0.0)
    )
    for voltage_v, now_s in how.get("levels", [(12.0, 100.0)]):
        windows.enter(level(voltage_v), now_s)
    for at_s, power_w in powers:
        windows.add(
            SupplySample(100.0 + at_s, 10.0, power_w / 10.0, power_w, None, protection=False)
        )
    return [found for _, found in windows.found()]


#: 1 W, from 2 s on 4 W: read ten times a second.
STEPPED = [(0.1 * n, 1.0 if n < 20 else 4.0) for n in range(60)]


class TestFigures:
    @pytest.mark.parametrize(("figure", "value"), [("min", 1.0), ("max", 4.0), ("mean", 2.575)])
    def test_of_a_window(self, figure: str, value: float) -> None:
        """Least and most are single readings; the mean is the integral over the time."""
        # trapezoids: 0.9 s at 1 W, 0.1 s from 1 W to 4 W, 1 s at 4 W, over 2 s
        [found] = seen([check(figure)], STEPPED)

        assert found is not None
        assert found.value == pytest.approx(value, abs=1e-6)

    def test_readings_at_any_pace_have_the_same_mean(self) -> None:
        """Where readings come closer together for a while, they do not count for more."""
        even = [(0.1 * n, 2.0) for n in range(20)]
        closer = [(2.0 + 0.01 * n, 4.0) for n in range(101)]
        [found] = seen([check("mean", "0.5 s", "3 s")], [*even, *closer])

        assert found is not None
        # 1.4 s at 2 W, 0.1 s between, 1 s at 4 W
        assert found.value == pytest.approx((1.4 * 2.0 + 0.1 * 3.0 + 1.0 * 4.0) / 2.5, rel=1e-6)

    def test_a_gap_decides_nothing(self) -> None:
        """A window with a gap of more than a fifth of it has no figure."""
        gappy = [(at_s, power_w) for at_s, power_w in STEPPED if not 1.5 < at_s < 2.1]

        assert seen([check("max")], gappy) == [None]
        assert seen([check("max")], STEPPED[:25]) == [None]  # not read to its end

    def test_time_counts_from_where_the_unit_begins_to_work(self) -> None:
        """In a start the levels below the threshold are no part of any window."""
        levels = [(3.0, 99.0), (9.0, 101.0), (12.0, 103.0)]
        [found] = seen([check("max", "0 s", "0.9 s")], STEPPED, threshold_v=6.0, levels=levels)

        assert found is not None
        assert found.value == 1.0  # until 1.9 s: before the step

    def test_a_mean_that_began_before_the_window_is_none_of_it(self) -> None:
        """A reading counts where all of the time that it is the mean over lies in the window."""
        # 1 W until 2 s, 4 W then; readings are means over the half second before
        read = [(0.1 * n, min(max(1.0 + 6.0 * (0.1 * n - 2.0), 1.0), 4.0)) for n in range(60)]
        as_read, as_meant = (
            seen([check("min", "2 s", "5 s")], read, averaged_s=averaged_s)[0]
            for averaged_s in (0.0, 0.5)
        )

        assert as_read is not None
        assert as_read.value == 1.0  # what was there before
        assert as_meant is not None
        assert as_meant.value == pytest.approx(4.0)

    def test_nothing_is_over_before_its_time(self) -> None:
        """The level is held until the last window has ended."""
        windows = Windows([check("max")])
        windows.enter(level(12.0), 100.0)

        assert not windows.are_over(103.0)
        assert windows.are_over(103.01)


@pytest.fixture(scope="module")
def rehearsed() -> dict[str | None, RunResult]:
    """Rehearse the pre-check of the board, healthy and with each fault of its own."""
    faults = (None, "boot-hangs", "stays-in-reset", "restarts", "idles-high")
    return {fault: rehearse_profile(BOARD, fault=fault) for fault in faults}


class TestABoardWithoutOutputs:
    def test_a_healthy_one_is_not_cut(self, rehearsed: dict[str | None, RunResult]) -> None:
        """It boots, draws up to eight times its idle power, and comes to rest all the same."""
        assert rehearsed[None].trip is None
        assert rehearsed[None].verdict == "pass"

    @pytest.mark.parametrize("fault", ["boot-hangs", "stays-in-reset", "idles-high", "restarts"])
    def test_what_it_draws_shows_its_faults(
        self, rehearsed: dict[str | None, RunResult], fault: str
    ) -> None:
        """A boot that hangs, a reset that stays, a watchdog: none passes."""
        assert rehearsed[fault].verdict != "pass" or rehearsed[fault].trip is not None

    def test_nothing_is_looked_for_while_it_boots(self) -> None:
        """At the level at which it begins to work its boot time is waited for, and at no other."""
        start = make_plan(load_profile(BOARD)).steps[0]

        assert {level.label: level.wait_s for level in start.levels} == {
            **dict.fromkeys(("25 %", "42 %", "100 %"), 0.0),
            "75 %": 4.0,
        }

    @pytest.mark.parametrize(
        ("what", "instead", "reason"),
        [
            ("harness.unit.nameplate._Input.own_power_w", property(lambda _: 0.5), "budget"),
            ("harness.profile.level.LevelMaker._works_a", lambda *_, **__: None, "unsettled"),
        ],
    )
    def test_it_is_cut_without_what_the_nameplate_says(
        self, monkeypatch: pytest.MonkeyPatch, what: str, instead: object, reason: str
    ) -> None:
        """Without its busy power in the budget, or in what may jump, a healthy board is cut."""
        monkeypatch.setattr(what, instead)
        result = rehearse_profile(BOARD)

        assert result.trip is not None
        assert reason in result.trip.reason.value


def test_on_dc_it_begins_where_a_mains_unit_begins_to_work(tmp_path: Path) -> None:
    """Fed with 59 V DC a converter that begins at 55 V AC, 78 V peak, is still asleep."""
    text = load_profile(DC).text
    head, cold, start, *more = text.split("[[steps]]")
    start += """
[[steps.checks]]
name    = "power at first"
measure = "supply.power"
figure  = "mean"
from    = "0 s"
to      = "0.5 s"
high    = "9 W"

"""
    path = tmp_path / "windowed.toml"
    path.write_text("[[steps]]".join((head, cold, start, *more)), encoding="utf-8")

    result = rehearse_profile(path, results=tmp_path)

    assert result.trip is None, result.reason
    assert result.folder is not None
    events = (result.folder / "events.csv").read_text(encoding="utf-8")
    assert "power at first: too few readings fell into its window" in events
