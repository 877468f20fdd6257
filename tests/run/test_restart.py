"""A start that is not the first: power off, what is left measured, and the same rules of safety."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import pytest

from harness.api import simulated_unit
from harness.errors import NoReading
from harness.judge.start_curve import LevelReadings, StartFigures
from harness.power.trip import TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level
from harness.profile.schema import Profile
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.rehearse.unit_model import UnitModel
from harness.run import start_figures
from harness.run.operator import Nobody
from harness.run.restart import _resistor_ohm, as_entered
from harness.run.start_log import StartLog
from tests.repeats import repeats
from tests.run.conftest import HEADS, LIMITS, START, Ran, RunSteps


def again(kind: str, *lines: str) -> str:
    """The start of the fixture once more, with some keys more."""
    limit = {"dc": "0.3 A", "ac": "0.5 A"}[kind]
    return START.replace("LIMIT", limit) + "\n".join(['title = "again"', *lines, ""])


def residual_v(ran: Ran) -> float:
    """What was told to be left on the capacitor."""
    [told] = ran.events[ran.events["kind"] == "residual"]["detail"]
    number, unit = told.removeprefix("at most ").split()[:2]
    return float(number) * {"V": 1.0, "mV": 1e-3}[unit]


class Late(SimulatedOperator):
    """Asked for what is left, a part breaks: 0.5 ohm across the bulk capacitor."""

    def __init__(self, bench: SimulatedBench) -> None:
        super().__init__(bench, None)  # type: ignore[arg-type]
        self.bench = bench

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Answer, and let it break."""
        told = self.bench.bulk_voltage_v(), "simulated"
        self.bench.circuit.connect_across_bulk(0.5)
        return told


@pytest.mark.parametrize("kind", ["dc", "ac"])
@pytest.mark.parametrize("off", ["0.2 s", "10 s"])
def test_a_healthy_unit_starts_again(run_steps: RunSteps, kind: str, off: str) -> None:
    """Whatever is left on its capacitor, it is taken through every level once more."""
    ran = run_steps(kind, after=again(kind, f'off = "{off}"'))
    off_s = [row.time_s for row in ran.events.itertuples() if row.kind in ("power off", "power on")]

    assert ran.result.trip is None, ran.result.reason
    assert list(ran.events["kind"]).count("power on") == 2
    assert off_s[2] - off_s[1] >= float(off.removesuffix(" s"))
    assert 0.0 <= residual_v(ran) < 200.0


@pytest.mark.parametrize("off", repeats(["1 s", "0.1 s", "3 s"]))
@pytest.mark.parametrize("capacitance", repeats(["4700 uF", "2200 uF", "10 mF"]))
def test_a_converter_still_at_work_is_not_cut(
    run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch, capacitance: str, off: str
) -> None:
    """What it takes from its capacitor while the levels are climbed, it may be given back."""
    head = HEADS["dc"].replace("470 uF", capacitance)
    assert head != HEADS["dc"]
    monkeypatch.setitem(HEADS, "dc", head)
    ran = run_steps("dc", after=again("dc", f'off = "{off}"'))

    assert ran.result.trip is None, ran.result.reason
    assert residual_v(ran) > 5.0


def test_a_start_is_weighed_by_what_was_found(
    run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Whatever a converter may have taken since: levels below that are not filled by the source."""
    seen: list[float] = []
    usual = StartLog.begin

    def begin(self: StartLog, level: Level, time_s: float) -> None:
        assert level.budget is not None
        seen.append(level.budget.charged_v)
        usual(self, level, time_s)

    monkeypatch.setattr(StartLog, "begin", begin)
    ran = run_steps("dc", after=again("dc", 'off = "0.2 s"'))

    assert seen == [0.0] * 5 + [pytest.approx(residual_v(ran), abs=0.05)] * 5


def test_what_is_left_is_not_allowed_again(run_steps: RunSteps) -> None:
    """Up to what is left for certain, the voltage explains the supply's own capacitor alone.

    That is 4.8 V, where a converter that starts at 8 V has stopped at the latest, of 6 V.
    """
    ran = run_steps("dc", after=again("dc", 'off = "0.2 s"'))
    told = ran.readings[(ran.readings["quantity"] == "explained")]
    first, later = (
        told[(told["step"] == step) & (told["level"] == "25 %")]["value"].max()
        for step in ("start", "again")
    )

    assert residual_v(ran) > 6.0
    assert later < 0.5 * first


def test_a_part_that_broke_meanwhile_is_found(run_steps: RunSteps) -> None:
    """Safety rule 6 stays in force in every start: a short is cut at the lowest level."""
    ran = run_steps("dc", after=again("dc"), operator=Late)

    assert ran.result.trip is not None
    assert ran.result.trip.reason is TripReason.CHARGE_BUDGET
    last = [row.detail for row in ran.events.itertuples() if row.kind == "level"][-1]
    assert last.startswith(("10 %", "25 %"))


DISCHARGE = """
[[steps]]
kind = "discharge"
across = "bulk"
below = "5 V"
within = "60 s"
"""


class TestPowerThatAStepFindsOff:
    """Where a meter stands across the bulk capacitor what is left is measured there as well."""

    def test_what_is_left_is_not_allowed_again(self, run_steps: RunSteps) -> None:
        """The meter was moved there with power off; the levels of the start are less allowed."""
        ran = run_steps("dc", after=DISCHARGE)
        told = ran.readings[(ran.readings["quantity"] == "explained")]
        first, later = (
            told[(told["step"] == step) & (told["level"] == "25 %")]["value"].max()
            for step in ("start", "discharge")
        )

        assert ran.result.trip is None, ran.result.reason
        assert residual_v(ran) > 4.0
        assert later < 0.7 * first

    def test_a_converter_still_at_work_is_not_cut(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """It goes on below its threshold while hands move the meter, and while levels are climbed.

        A converter stops at 0.6 of where it starts, at the least (common practice).
        """
        monkeypatch.setitem(HEADS, "dc", HEADS["dc"].replace("470 uF", "10 mF"))
        monkeypatch.setitem(LIMITS, "dc", "1 A")
        monkeypatch.setattr("harness.rehearse.simulated_operator._MOVING_S", 4.2)

        def unit(profile: Profile, fault: str | None) -> UnitModel:
            model = simulated_unit(profile, fault)
            return replace(
                model,
                converter=replace(model.converter, stop_v=0.62 * model.converter.start_v),
            )

        monkeypatch.setattr("tests.run.conftest.simulated_unit", unit)
        ran = run_steps("dc", after=DISCHARGE)

        assert ran.result.trip is None, ran.result.reason
        assert residual_v(ran) > 8.0

    def test_a_part_that_broke_meanwhile_is_found(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A short that comes while hands move the meter is cut at the lowest level."""
        usual = SimulatedOperator.place_meter

        def breaks(self: SimulatedOperator, where: str, text: str) -> bool:
            self._bench.circuit.connect_across_bulk(0.5)
            return usual(self, where, text)

        monkeypatch.setattr(SimulatedOperator, "place_meter", breaks)
        ran = run_steps("dc", after=DISCHARGE)

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.CHARGE_BUDGET
        assert ran.said("level")[-1].startswith("10 %")

    def test_a_meter_that_reads_nothing_leaves_it_at_an_empty_one(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """It says so, and power comes back as for a unit whose capacitor is empty."""

        def silent(*_: object) -> float:
            raise NoReading("no value", instrument="meter")

        monkeypatch.setattr("harness.run.restart.read_cold", silent)
        ran = run_steps("dc", after=DISCHARGE)

        assert ran.result.trip is None, ran.result.reason
        assert ran.said("residual") == []
        assert any("what is left on the bulk" in text for text in ran.said("no reading"))

    @pytest.mark.parametrize("sign", [1.0, -1.0])
    def test_it_counts_as_high_as_it_may_be(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch, sign: float
    ) -> None:
        """Leads the wrong way round show it as well, and the meter may read too little."""
        monkeypatch.setattr("harness.run.restart.read_cold", lambda *_: sign * 5.0)
        monkeypatch.setattr("harness.run.context.Context.error_of", lambda *_: 0.5)
        ran = run_steps("dc", after=DISCHARGE)

        assert residual_v(ran) == 5.5


class Absurd(Nobody):
    """Answers with what is no number."""

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:  # noqa: ARG002
        """Answer."""
        return math.nan, ""


@pytest.mark.parametrize("who", [Nobody, Absurd])
def test_nobody_measures(run_steps: RunSteps, who: type[Nobody]) -> None:
    """Without a number for what is left there is no second start; power is off."""
    ran = run_steps("dc", after=again("dc"), operator=lambda _bench: who())

    assert ran.result.outcome == "interrupted"
    assert "Nobody measured what is left on the bulk capacitor" in ran.result.reason
    assert ran.result.output == "off, confirmed"


def test_more_than_the_start_is_for(run_steps: RunSteps) -> None:
    """A capacitor that holds more than it may is not started from."""
    ran = run_steps("dc", after=again("dc", 'off = "0.1 s"', 'bulk_below = "10 mV"'))

    assert ran.result.outcome == "interrupted"
    assert "and the start is for less than 10 mV" in ran.result.reason


@pytest.mark.parametrize(("volts", "ohm"), [(60.0, 4.7e3), (26.4, 1e3), (187.0, 47e3), (1.0, 1.0)])
def test_resistor_takes_little(volts: float, ohm: float) -> None:
    """The resistor that empties the capacitor takes a watt at most."""
    assert _resistor_ohm(volts) == pytest.approx(ohm)
    assert volts**2 / _resistor_ohm(volts) <= 1.0 + 1e-9
    assert math.isfinite(_resistor_ohm(400.0))


@pytest.mark.parametrize(("off", "weighed"), [("10 s", []), ("60 s", ["25 %"])])
def test_levels_below_what_is_left_weigh_nothing(
    run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch, off: str, weighed: list[str]
) -> None:
    """Behind its rectifier the capacitor keeps more than the peak of a low line.

    Taken for one that stood at that peak, 58 V on 82 uF read as 45 uF.
    """
    seen: list[list[str]] = []
    weigh = start_figures.weigh_ac

    def noted(levels: Sequence[LevelReadings], *others: Any) -> StartFigures:
        seen.append([level.label for level in levels])
        return weigh(levels, *others)

    monkeypatch.setattr(start_figures, "weigh_ac", noted)
    ran = run_steps("ac", after=again("ac", f'off = "{off}"'))

    assert ran.result.trip is None, ran.result.reason
    assert residual_v(ran) > math.sqrt(2.0) * 12.0  # the peak at 10 %
    assert seen == [["10 %", "25 %"], weighed]


class TestWhatAConverterMayHaveTaken:
    """A level entered later is allowed more, by C V^2 / 2 = P t and no faster (textbook)."""

    BUDGET = InrushAllowance(
        kind="charge",
        capacitance_f=10e-3,
        peak_factor=1.0,
        charge_factor=2.0,
        from_v=0.0,
        to_v=12.0,
        idle_power_w=0.6,
        threshold_v=8.0,
        leakage_a=0.012,
    )

    def entered(self, found_v: float, after_s: float, budget: InrushAllowance = BUDGET) -> float:
        """Return the voltage that is counted as there, some time after so many volts were found."""
        context: Any = SimpleNamespace(clock=SimpleNamespace(now_s=lambda: 100.0 + after_s))
        context.found_s = 100.0
        level = Level(
            label="50 %",
            voltage_v=12.0,
            current_limit_a=0.3,
            dwell_s=1.0,
            budget=budget.found(found_v / budget.peak_factor),
        )
        budget_then = as_entered(level, context).budget
        assert budget_then is not None
        return budget_then.charged_v * budget.peak_factor

    @pytest.mark.parametrize(
        ("found_v", "after_s", "left_v"),
        [
            (10.0, 0.0, 10.0),
            # 0.6 W for 0.25 s out of half the capacitance, 5 mF, which is the least that counts
            (10.0, 0.25, math.sqrt(10.0**2 - 2 * 0.15 / 5e-3)),
            (10.0, 1e6, 4.8),  # no further down than where a converter stops
            (4.7, 1e6, 4.7),  # asleep by then
        ],
    )
    def test_of_a_dc_unit(self, found_v: float, after_s: float, left_v: float) -> None:
        """By the idle power, out of the least capacitance, down to where it stops."""
        assert self.entered(found_v, after_s) == pytest.approx(left_v)

    def test_of_an_ac_unit(self) -> None:
        """Its capacitor is charged to the peak of the line."""
        budget = replace(self.BUDGET, kind="energy", peak_factor=math.sqrt(2.0))

        assert self.entered(14.0, 0.25, budget) == pytest.approx(math.sqrt(14.0**2 - 60.0))

    @pytest.mark.parametrize("after", [DISCHARGE, again("dc")], ids=["found off", "again"])
    def test_it_is_counted_from_when_the_capacitor_was_looked_at(
        self, run_steps: RunSteps, monkeypatch: pytest.MonkeyPatch, after: str
    ) -> None:
        """By a meter where a step finds power off, or by hand before another start."""
        counted: list[float] = []

        def entered(level: Level, context: Any) -> Level:
            counted.append(context.clock.now_s() - context.found_s)
            return as_entered(level, context)

        monkeypatch.setattr("harness.run.levels.as_entered", entered)
        ran = run_steps("dc", after=after)

        assert ran.result.trip is None, ran.result.reason
        first, *later = [each for each in counted if math.isfinite(each)]
        assert 0.0 <= first < (0.1 if after == DISCHARGE else 60.0)
        assert later == sorted(later)
