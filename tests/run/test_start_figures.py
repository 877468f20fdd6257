"""What a start tells of an AC unit: the figures' event, the checks of them, the peak current."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.api import plan_for, simulated_bench_file
from harness.judge.start_curve import StartFigures
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.windowed_means import Means
from harness.run import start_figures


@pytest.fixture
def gave(monkeypatch: pytest.MonkeyPatch) -> list[float]:
    """Count the energy that a simulated supply gives until its start has been weighed, in J."""
    total, seen = [0.0], [0.0]
    record, weigh = Circuit._record, start_figures.weigh_energy

    def recorded(self: Circuit, duration_s: float, means: Means, line_a2: float) -> None:
        total[0] += duration_s * means.power_w
        record(self, duration_s, means, line_a2)

    def weighed(*args: Any, **named: Any) -> StartFigures:
        seen[0] = total[0]
        return weigh(*args, **named)

    monkeypatch.setattr(Circuit, "_record", recorded)
    monkeypatch.setattr(start_figures, "weigh_energy", weighed)
    return seen


@pytest.fixture
def with_peak() -> Callable[..., Callable[[BenchFile], BenchFile]]:
    """Return what makes the supply one that holds its peak, and perhaps states its accuracy."""

    def change(*, stated: bool) -> Callable[[BenchFile], BenchFile]:
        def changed(file: BenchFile) -> BenchFile:
            accuracy = dict(file.supply.accuracy)
            if stated:
                accuracy["current_peak"] = Accuracy(0.01, 0.05)
            update = {"dialect": "scpi-ac-source-peak", "accuracy": accuracy}
            return file.model_copy(update={"supply": file.supply.model_copy(update=update)})

        return changed

    return change


def figures(ran: Any) -> dict[str, dict[str, Any]]:
    """The figures of the start, by measure."""
    (detail,) = ran.said("figures")
    return {each["measure"]: each for each in json.loads(detail)["figures"]}


class TestAcStart:
    def test_its_figures_are_told(self, run_steps: Callable[..., Any]) -> None:
        """One event tells them; a capacitor that filled too fast to be weighed says so."""
        told = figures(run_steps("ac"))

        names = ("bulk_capacitance", "leakage_current", "idle_power", "begin_voltage", "energy")
        assert list(told) == [f"start.{name}" for name in names]
        assert "a lower current limit" in told["start.bulk_capacitance"]["why_not"]
        assert told["start.begin_voltage"]["value"] == pytest.approx(45.0, abs=0.2)
        assert told["start.energy"]["value"] > 0.0

    def test_the_peak_is_read_where_the_dialect_has_it(
        self, run_steps: Callable[..., Any], with_peak: Any
    ) -> None:
        """The highest current of the start is a figure with the accuracy stated for it."""
        ran = run_steps("ac", bench=with_peak(stated=True))
        told = figures(ran)["start.switch_on_current"]

        true_a = ran.bench.circuit.source_peak_current_a()
        assert abs(told["value"] - true_a) <= told["expanded"]
        assert told["expanded"] < 0.1 + 0.02 * true_a

    def test_without_its_accuracy_there_is_no_figure(
        self, run_steps: Callable[..., Any], with_peak: Any
    ) -> None:
        """A peak that nobody states an accuracy of is not told."""
        told = figures(run_steps("ac", bench=with_peak(stated=False)))

        assert "no accuracy" in told["start.switch_on_current"]["why_not"]


ENERGY = """
[[steps.checks]]
name = "energy"
measure = "start.energy"
high = "60 J"
"""


class TestPlanAndRun:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_the_energy_is_known_as_well_as_was_planned(
        self, kind: str, run_steps: Callable[..., Any], gave: list[float], tmp_path: Path
    ) -> None:
        """What the simulated supply really gave is inside, and U is as the plan said."""
        ran = run_steps(kind, after=ENERGY)
        told = figures(ran)["start.energy"]
        profile = load_profile(tmp_path / "profile.toml")
        [planned] = plan_for(profile, simulated_bench_file(profile)).forecasts

        assert abs(told["value"] - gave[0]) <= told["expanded"]
        assert told["expanded"] == pytest.approx(planned.expanded, rel=0.2)
        assert ran.verdict("energy") == "pass"

    def test_the_peak_is_known_as_well_as_was_planned(
        self, run_steps: Callable[..., Any], with_peak: Any, tmp_path: Path
    ) -> None:
        """The clamp of the source is what the plan expects, and U goes with the reading."""
        check = ENERGY.replace("energy", "switch_on_current").replace("60 J", "5 A")
        told = figures(run_steps("ac", after=check, bench=with_peak(stated=True)))
        profile = load_profile(tmp_path / "profile.toml")
        file = with_peak(stated=True)(simulated_bench_file(profile))
        [planned] = plan_for(profile, file).forecasts

        found = told["start.switch_on_current"]
        assert found["value"] == pytest.approx(planned.expected, rel=0.02)
        assert found["expanded"] == pytest.approx(planned.expanded, rel=0.02)


AT_A_LEVEL = """
[[steps.checks]]
name = "{name}"
measure = "start.{measure}"
at = "{level}"
high = "{high}"
"""


class TestByLevel:
    @pytest.mark.parametrize(
        ("kind", "asleep", "works"),
        [("dc", "10 %, 25 %", "50 %, 75 %, 100 %"), ("ac", "10 %, 25 %", "50 %, 75 %, 100 %")],
    )
    def test_each_level_tells_what_is_drawn(
        self, kind: str, asleep: str, works: str, run_steps: Callable[..., Any]
    ) -> None:
        """A healthy unit leaks next to nothing, and idles with what its model draws."""
        ran = run_steps(kind)
        (detail,) = ran.said("figures")
        told = json.loads(detail)["figures"]
        idle_w = ran.bench.circuit.model.converter.idle_power_w

        leaks = [one for one in told if one["measure"] == "start.leakage_current"]
        idles = [one for one in told if one["measure"] == "start.idle_power"]
        assert ", ".join(one["level"] for one in leaks) == asleep
        assert ", ".join(one["level"] for one in idles) == works
        assert all(abs(one["value"]) <= one["expanded"] for one in leaks)
        assert all(abs(one["value"] - idle_w) <= one["expanded"] + 0.1 * idle_w for one in idles)

    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_a_check_is_judged_at_its_level(
        self, kind: str, run_steps: Callable[..., Any], tmp_path: Path
    ) -> None:
        """By what that level told, as well known as was planned; without one, by the highest."""
        after = "".join(
            AT_A_LEVEL.format(name=f"{measure} {level}", measure=measure, level=level, high=high)
            for measure, level, high in (
                ("leakage_current", "10 %", "100 mA"),
                ("leakage_current", "25 %", "100 mA"),
                ("idle_power", "50 %", "20 W"),
            )
        )
        after += ENERGY.replace("energy", "leakage_current").replace("60 J", "100 mA")
        ran = run_steps(kind, after=after)
        rows = ran.checks.set_index("check")
        profile = load_profile(tmp_path / "profile.toml")
        planned = plan_for(profile, simulated_bench_file(profile)).forecasts

        assert set(rows.loc[[each.check.name for each in planned], "verdict"]) == {"pass"}
        assert len(planned) == 4
        assert "leakage_current: it will be known to ±" in planned[-1].text
        for each in planned:
            found = rows.loc[each.check.name, "uncertainty"]
            assert found == pytest.approx(each.expanded, rel=0.1)
        highest, low = rows.loc["leakage_current"], rows.loc["leakage_current 10 %"]
        assert highest["value"] == rows.loc["leakage_current 25 %", "value"]
        assert kind == "dc" or low["uncertainty"] > 2.0 * highest["uncertainty"]


class TestUntold:
    @pytest.mark.parametrize(
        ("measure", "limit", "why"),
        [
            ("switch_on_current", "5 A", "has no measure_current_peak"),
            ("series_resistance", "5 ohm", "the inrush limiter of an AC unit"),
            ("time_constant", "2 ms", "show no exponential"),
        ],
    )
    def test_a_check_of_what_no_start_tells_says_why(
        self, measure: str, limit: str, why: str, run_steps: Callable[..., Any]
    ) -> None:
        """It is undecided, and its budget names the reason, as the plan does."""
        check = ENERGY.replace("energy", measure).replace("60 J", limit)

        def no_peak(file: BenchFile) -> BenchFile:
            update = {"dialect": "scpi-ac-source"}
            return file.model_copy(update={"supply": file.supply.model_copy(update=update)})

        ran = run_steps("ac", after=check, bench=no_peak)

        assert ran.verdict(measure) == "undecided"
        (row,) = (row for row in ran.sink._checks if row.check == measure)
        assert why in " ".join(row.unknown)
