"""An efficiency is no better known than the input power it is divided by."""

from __future__ import annotations

from collections.abc import Callable

from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from tests.run.conftest import RunSteps

SOAK = """
[[steps]]
kind = "soak"
duration = "1 s"
current = "1 A"
[[steps.checks]]
name = "efficiency"
measure = "efficiency"
low = "40 %"
"""


def knowing(power_w: float) -> Callable[[BenchFile], BenchFile]:
    """Return what has the supply state its power to within so many watts."""

    def changed(file: BenchFile) -> BenchFile:
        accuracy = {**file.supply.accuracy, "power": Accuracy(0.0, power_w)}
        return file.model_copy(
            update={"supply": file.supply.model_copy(update={"accuracy": accuracy})}
        )

    return changed


def test_a_coarse_input_power_makes_an_efficiency_wide(run_steps: RunSteps) -> None:
    """5 W out of 6 W, known to 2 W: as an interval that may be 125 %, which is 42 % above."""
    ran = run_steps("dc", after=SOAK, bench=knowing(2.0))
    row = ran.checks.set_index("check").loc["efficiency"]
    share = 1.96 * 2.0 / 3**0.5 / (5.0 / row["value"])

    assert row["uncertainty"] > 0.99 * row["value"] * share / (1.0 - share)
    assert row["verdict"] == "undecided"


def test_an_input_power_that_may_be_none_leaves_it_undecided(run_steps: RunSteps) -> None:
    """The reason stands in the record."""
    ran = run_steps("dc", after=SOAK, bench=knowing(20.0))

    words = "efficiency is undecided: supply.power: not known to differ from zero."
    assert words in ran.result.warnings
    [said] = ran.said("check")
    assert said.startswith("efficiency: undecided, ")
    assert said.endswith("; supply.power: not known to differ from zero")
