"""The question before power, as a run asks it."""

from __future__ import annotations

from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from harness.cli.prompts import WatchingOperator
from harness.cli.run import run
from harness.errors import Refused
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile

CANNOT = (
    "This run cannot release the unit. Check '5 V rail' of step 2 (nominal) proves nothing: this "
    "bench has no meter. Check '5 V ripple' of step 2 (nominal) proves nothing: this bench has no "
    "meter. "
)
COMES = (
    "HRW-0007: 2.4 V with a limit of 300 mA first, up to 24 V; beyond 26.4 V, 1.5 A, 36 W power is "
    "cut. Go on to the steps of this plan, and energise the unit?"
)

app = typer.Typer()
app.command()(run)


class TestQuestion:
    @pytest.mark.parametrize(
        ("without", "question"),
        [
            (
                "meter",
                CANNOT + COMES,
            ),
            ("load", COMES),
        ],
    )
    def test_says_what_the_run_cannot_do(
        self, monkeypatch: pytest.MonkeyPatch, without: str, question: str
    ) -> None:
        """The question before power has serial, volts and limit; and why it cannot release."""
        bench = load_bench("bench-simulated-dc").model_copy(update={without: None})
        plan = make_plan(load_profile("mount-controller-board"), bench)
        asked: list[str] = []

        def run_profile(*_: object, confirm: Any, **__: object) -> None:
            confirm(plan)
            raise Refused(["the operator did not confirm"])

        monkeypatch.setattr("harness.api.run_profile", run_profile)
        monkeypatch.setattr(WatchingOperator, "confirm", lambda _, text: bool(asked.append(text)))
        CliRunner().invoke(app, ["p", "--bench", "b", "--serial", "HRW-0007", "--results", "r"])

        assert asked == [question]
