"""Further steps under power: which there are, when none is proposed, and what they would tell."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from harness.api import plan_for, rehearse_profile, simulated_bench_file
from harness.errors import UsageError
from harness.profile.held_steps import LineStep
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.record import load
from harness.suspects import weighing
from harness.suspects.answer import Answer, answered
from harness.suspects.case import Case, case_of
from harness.suspects.further import further_steps
from harness.suspects.information import information
from harness.suspects.kinds import unseen
from harness.suspects.library import Library
from harness.suspects.measuring import Found
from harness.suspects.population import Member
from harness.suspects.ranking import Ranking
from harness.suspects.step_drafts import full_load
from harness.suspects.stock import Stock
from harness.suspects.weighing import StepProposal, weighed, withheld
from tests.suspects.conftest import DC


@pytest.fixture(scope="module")
def low(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A run that was completed: the output is low."""
    return _case(tmp_path_factory.mktemp("low"), "output-low")


@pytest.fixture(scope="module")
def short(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A run in which power was cut: the input is shorted."""
    return _case(tmp_path_factory.mktemp("short"), "shorted-input")


def _case(results: Path, fault: str) -> Case:
    result = rehearse_profile(DC, fault=fault, results=results)
    assert result.folder is not None
    return case_of(load(result.folder))


def _with(answer: Answer, **chances: float) -> Answer:
    """Return an answer in which suspects have these chances, and the others next to none."""
    suspects = tuple(
        dataclasses.replace(one, probability=chances.get(one.name.replace("-", "_"), 1e-6))
        for one in answer.ranking.suspects
    )
    ranking = dataclasses.replace(answer.ranking, suspects=suspects, likeness=1.0)
    return dataclasses.replace(answer, ranking=ranking)


class TestFurtherSteps:
    @pytest.mark.parametrize(
        ("name", "steps"),
        [
            (
                "mount-controller-board",
                {
                    *("slow start", "line without load", "load", "line at full load"),
                    *("soak", "discharge through a resistor"),
                },
            ),
            (
                "dome-shutter-power-unit",
                {
                    *("line without load", "line at full load", "soak"),
                    "discharge through a resistor",
                },
            ),
            (
                "lamp-battery-charger",
                {
                    *("line without load", "charge current", "line while it charges"),
                    *("end of the charge", "discharge through a resistor"),
                },
            ),
            (
                "rotator-controller-board",
                {"line without load", "soak", "discharge through a resistor"},
            ),
        ],
    )
    def test_what_the_bench_can_do_and_the_profile_does_not(
        self, name: str, steps: set[str]
    ) -> None:
        """A step is there where bench and nameplate bear it, and the run has not made it."""
        profile = load_profile(name)

        assert {one.name for one in further_steps(profile, simulated_bench_file(profile))} == steps

    def test_all_outputs_are_loaded_at_once(self) -> None:
        """Each by its own load, with the enable input pulled, at what the nameplate says."""
        profile = load_profile("guide-camera-supply")
        found = {one.name: one for one in further_steps(profile, simulated_bench_file(profile))}
        (_, line) = found["line at full load"].profile.steps

        assert isinstance(line, LineStep)
        assert (line.current_a, line.others, line.enable) == (2.5, {"standby": 1.0}, True)
        assert {check.output for check in line.checks} == {"main", "standby"}

    def test_a_full_load_is_no_more_than_all_outputs_may_give(self) -> None:
        """Where the nameplate states less than the sum of the outputs, each takes its share."""
        profile = load_profile("guide-camera-supply")
        unit = profile.unit.model_copy(update={"total_power_w": 32.5})
        loaded = full_load(profile.model_copy(update={"unit": unit}), simulated_bench_file(profile))

        assert loaded is not None
        assert (loaded.main_a, loaded.others) == (1.25, {"standby": "500 mA"})

    def test_the_soak_warms_the_unit(self) -> None:
        """Half an hour at full load with a thermometer: what the faults of the cooling need."""
        profile = load_profile("dome-shutter-power-unit")
        found = {one.name: one for one in further_steps(profile, simulated_bench_file(profile))}

        hidden = set(unseen(profile, ("dead-fan", "blocked-air")))
        assert hidden == {"dead-fan", "blocked-air"}
        assert unseen(found["soak"].profile, tuple(hidden)) == ()

    @pytest.mark.parametrize("name", ["mount-controller", "dome-shutter"])
    def test_a_full_release_of_the_same_nameplate(self, name: str) -> None:
        """A profile that there is, is one step as it stands."""
        short = "-board" if name.startswith("mount") else "-power-unit"
        profile, release = load_profile(name + short), load_profile(f"{name}-full-release")
        first = next(further_steps(profile, simulated_bench_file(profile), [release]))

        assert first.profile is release
        assert "the whole release" in first.how

    def test_a_profile_of_another_nameplate_is_refused(self) -> None:
        """What another unit takes would tell nothing of this one."""
        profile = load_profile(DC)
        other = load_profile("rotator-controller-full-release")

        with pytest.raises(UsageError, match="another nameplate"):
            next(further_steps(profile, simulated_bench_file(profile), [other]))

    @pytest.mark.parametrize(
        "name",
        [
            *("mount-controller-board", "dome-shutter-power-unit", "guide-camera-supply"),
            *("lamp-battery-charger", "rotator-controller-board"),
        ],
    )
    def test_each_is_a_pre_check_within_the_same_bounds(self, name: str) -> None:
        """Nameplate and envelope are the run's, nothing is released, and the bench can run it."""
        profile = load_profile(name)
        bench = simulated_bench_file(profile)
        for one in further_steps(profile, bench):
            made = one.profile

            assert (made.purpose, made.envelope) == ("pre-check", profile.envelope)
            assert made.unit == profile.unit
            plan = plan_for(made, bench)
            assert not preflight(plan, today=dt.date(2026, 1, 1)).reasons
            volts = [level.voltage_v for step in plan.steps for level in step.levels]
            assert max(volts) <= profile.envelope.voltage_v

    def test_the_slow_start_stays_below_the_threshold(self) -> None:
        """The mildest one never reaches the voltage at which the converter starts."""
        profile = load_profile(DC)
        slow = next(further_steps(profile, simulated_bench_file(profile)))
        plan = plan_for(slow.profile, simulated_bench_file(profile))

        volts = [level.voltage_v for step in plan.steps for level in step.levels]
        assert max(volts) < profile.unit.input.start_threshold_v

    def test_without_a_load_a_resistor_is_connected(self) -> None:
        """A bench without an electronic load has full load by a resistor, and no load step."""
        profile = load_profile(DC)
        bench = simulated_bench_file(profile).only("supply", "meter")
        found = {one.name: one for one in further_steps(profile, bench)}

        assert "load" not in found
        assert "resistor of 2.5 ohm" in found["line at full load"].how


class TestWithheld:
    """A unit that may be shorted is not energised again to learn more of it."""

    def test_a_short_among_the_suspects(self, low: Case, library: Library) -> None:
        """With a short at ten per cent no step under power is proposed, whatever else is likely."""
        answer = _with(answered(low, library), output_low=0.9, shorted_input=0.1)

        assert "not under power again" in withheld(low, library, answer)

    def test_a_leak_among_the_suspects(self, low: Case, library: Library) -> None:
        """A leak takes the supply's current as a short does."""
        answer = _with(answered(low, library), output_low=0.9, leaky_bulk_capacitor=0.1)

        assert "not under power again" in withheld(low, library, answer)

    def test_nothing_that_conducts(self, low: Case, library: Library) -> None:
        """A completed run without such a suspect may be followed by another."""
        answer = _with(answered(low, library), output_low=0.7, healthy=0.3)

        assert withheld(low, library, answer) == ""

    def test_after_a_trip_the_input_is_measured_first(self, short: Case, library: Library) -> None:
        """Whatever the ranking says: power was cut, so the input is measured before any more."""
        answer = _with(answered(short, library), output_low=1.0)
        measured = dataclasses.replace(
            answer, found=(Found.parse("resistance across input = 300 kohm"),)
        )

        assert "resistance across input" in withheld(short, library, answer)
        assert withheld(short, library, measured) == ""

    def test_unlike_anything(self, low: Case, library: Library) -> None:
        """Nobody knows what power does to a unit that no simulated one is like."""
        answer = _with(answered(low, library), output_low=1.0)
        ranking: Ranking = dataclasses.replace(answer.ranking, likeness=0.0)

        assert withheld(low, library, dataclasses.replace(answer, ranking=ranking))


class TestInformation:
    _KINDS = np.array(["a"] * 6 + ["b"] * 6)
    _EVEN = np.full(12, 1.0 / 12.0)

    def test_what_parts_two_classes_tells_one_bit(self) -> None:
        """Two classes, even odds, never the same reading: 1 bit (Shannon 1948), less chance."""
        reads = np.array([1.0] * 6 + [2.0] * 6)

        assert 0.8 < information(reads, self._KINDS, self._EVEN) <= 1.0

    def test_what_scatters_alike_tells_nothing(self) -> None:
        """Readings that have nothing to do with the class tell none, few as the units are."""
        rng = np.random.default_rng(3)
        told = [information(rng.standard_normal(12), self._KINDS, self._EVEN) for _ in range(20)]

        assert np.mean(told) < 0.15

    def test_what_is_missing_of_one_class_tells(self) -> None:
        """A figure that one class does not reach parts it from the other."""
        reads = np.array([np.nan] * 6 + [2.0] * 6)

        assert information(reads, self._KINDS, self._EVEN) > 0.8


class _Told:
    """A shelf whose units read what they are told to."""

    def __init__(self, library: Library, stock: Stock, *, tripped: bool) -> None:
        self._library, self._kinds, self._tripped = library, stock.kinds, tripped

    def units(self, numbers: list[int], **_: object) -> dict[int, Member]:
        """Return one unit a number: its class shows in the input power at 110 %."""
        return {number: self._unit(number) for number in numbers}

    def _unit(self, number: int) -> Member:
        kind, place = self._kinds[number % len(self._kinds)], number // len(self._kinds)
        row = np.flatnonzero(self._library.kinds == kind)[place]
        rail = self._library.values[row, self._library.names.index("check nominal: 5 V rail")]
        features = {
            "line, 110 %: power": (1.0 if kind == "output-low" else 2.0) + 0.01 * place,
            "check line: output at 110 %": rail,  # read once more, it tells no more
            "line, 110 %: power, scatter": float(kind == "output-low"),
        }
        if self._tripped and kind == "output-low":
            features["trip: over-current"] = 1.0
        return Member(kind, 0.0, passed=True, features=features, cold={})


class TestWeighed:
    @pytest.fixture
    def asked(
        self, low: Case, library: Library, monkeypatch: pytest.MonkeyPatch
    ) -> Callable[..., tuple[StepProposal, ...]]:
        """Return a function that weighs one further step, a low output against a leak."""

        def ask(
            *, tripped: bool = False, never_with: str = "", low_frac: float = 0.5
        ) -> tuple[StepProposal, ...]:
            line = next(
                one for one in further_steps(low.profile, low.bench) if one.name.startswith("line")
            )
            line = dataclasses.replace(line, never_with=frozenset({never_with}))
            monkeypatch.setattr(weighing, "further_steps", lambda *_: [line])
            monkeypatch.setattr(
                weighing,
                "stock_for",
                lambda profile, bench: Stock(profile=profile, bench=bench, seed=1, key="one"),
            )
            monkeypatch.setattr(
                weighing.Shelf, "of", lambda stock: _Told(library, stock, tripped=tripped)
            )
            answer = _with(
                answered(low, library), output_low=low_frac, leaky_bulk_capacitor=1.0 - low_frac
            )
            return weighed(low, library, answer, workers=1)

        return ask

    def test_the_figure_that_parts_them(
        self, asked: Callable[..., tuple[StepProposal, ...]]
    ) -> None:
        """Named is what tells most and the run has not told; each class with what it reads."""
        (found,) = asked()

        assert (found.figure, found.unit) == ("line, 110 %: power", "W")
        assert 0.6 < found.bits <= 1.0
        assert found.worth < found.bits / found.work_min
        expected = {name: (low, high) for name, low, high in found.expected}
        assert expected["output-low"][1] < expected["leaky-bulk-capacitor"][0]

    def test_a_step_that_would_trip_is_not_proposed(
        self, asked: Callable[..., tuple[StepProposal, ...]]
    ) -> None:
        """Where half of the units would have power cut, nobody is sent there to learn."""
        assert asked(tripped=True) == ()

    def test_a_step_that_a_suspect_forbids_is_not_proposed(
        self, asked: Callable[..., tuple[StepProposal, ...]]
    ) -> None:
        """No battery is connected to a charger that may burst it, whatever it would tell."""
        assert asked(never_with="output-low") == ()
        assert asked(never_with="shorted-input")

    def test_what_cannot_tell_enough_is_not_simulated(
        self, asked: Callable[..., tuple[StepProposal, ...]], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where hardly anything is open no step tells more, however long it is held."""
        monkeypatch.setattr(_Told, "units", None)

        assert asked(low_frac=0.9999) == ()
