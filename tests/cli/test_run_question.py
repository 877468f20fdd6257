"""The question before power, as a run asks it."""

from __future__ import annotations

from contextlib import nullcontext
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


class TestSafetyRecord:
    """What names the record of the safety tests goes with the run, into its plan."""

    def _asked(self, monkeypatch: pytest.MonkeyPatch, *words: str) -> tuple[str, str]:
        """Return the question before power of a unit for mains, and what the command says."""
        asked: list[str] = []
        monkeypatch.setattr(WatchingOperator, "confirm", lambda _, text: bool(asked.append(text)))
        command = ["dome-shutter-power-unit", "--bench", "bench-simulated-ac"]
        command += ["--serial", "HRW-0007", "--results", "results", *words]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("harness.api.hold_supply", lambda *_, **__: nullcontext())
            result = CliRunner().invoke(app, command)
        return " ".join(asked), result.output

    def test_without_one_the_question_says_what_is_missing(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A unit for mains without its safety tests cannot be released, and that comes first."""
        asked, _ = self._asked(monkeypatch)

        assert asked.startswith(
            "This run cannot release the unit. Safety tests after repair are missing: insulation "
            "resistance, touch current."
        )

    def test_with_one_nothing_is_missing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The plan names the record that is said to hold them."""
        asked, output = self._asked(monkeypatch, "--safety-record", "test sheet 2026-118")

        assert "cannot release" not in asked
        assert "the record 'test sheet 2026-118' is said to hold them" in " ".join(output.split())

    @pytest.mark.parametrize("text", ["sheet\n118", "\x1b[8m", "x" * 101])
    def test_what_is_no_line_of_text_is_a_mistake(
        self, monkeypatch: pytest.MonkeyPatch, text: str
    ) -> None:
        """It has to stand on screen, page and label: one line, exit 2, nothing energised."""
        asked, output = self._asked(monkeypatch, "--safety-record", text)

        assert asked == ""
        assert "is one line of at most 100 printable characters" in output

    def test_blanks_name_nothing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A reference of blanks is none."""
        asked, _ = self._asked(monkeypatch, "--safety-record", "   ")

        assert "Safety tests after repair are missing" in asked
