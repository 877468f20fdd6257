"""What a start tells of an AC unit: the figures' event, the checks of them, the peak current."""

from __future__ import annotations

import json
from collections.abc import Callable
from importlib.resources import files
from pathlib import Path
from typing import Any

import pytest

from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile

PEAK = 'measure_current_peak = "MEAS:CURR:AMPL:MAX?"\n'


@pytest.fixture
def with_peak(tmp_path: Path) -> Callable[..., Callable[[BenchFile], BenchFile]]:
    """Return what gives the supply a dialect that asks for its peak, and perhaps an accuracy."""
    built_in = files("harness.bench") / "dialects" / "scpi-ac-source.toml"
    text = built_in.read_text(encoding="utf-8").replace("scpi-ac-source", "own")
    path = tmp_path / "own.toml"
    path.write_text(text.replace("[ask]\n", f"[ask]\n{PEAK}"), encoding="utf-8")

    def change(*, stated: bool) -> Callable[[BenchFile], BenchFile]:
        def changed(file: BenchFile) -> BenchFile:
            accuracy = dict(file.supply.accuracy)
            if stated:
                accuracy["current_peak"] = Accuracy(0.01, 0.05)
            update = {"dialect": str(path), "accuracy": accuracy}
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

        assert set(told) == {"start.bulk_capacitance", "start.begin_voltage", "start.energy"}
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
