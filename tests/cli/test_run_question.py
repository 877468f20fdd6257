"""The question before power, as a run asks it."""

from __future__ import annotations

from contextlib import nullcontext
from typing import Any

import pytest
import typer
from typer.testing import CliRunner

from harness.api import plan_for, simulated_bench_file
from harness.cli.plan import plan_lines, question
from harness.cli.prompts import WatchingOperator
from harness.cli.run import run
from harness.cli.tables import show
from harness.errors import Refused
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.profile.schema import Profile

#: The shipped profiles.
SHIPPED = (
    "mount-controller-board",
    "mount-controller-full-release",
    "dome-shutter-power-unit",
    "dome-shutter-full-release",
)

CANNOT = (
    "This run cannot release the unit. Check '5 V rail' of step 2 (nominal) proves nothing: this "
    "bench has no meter. Check '5 V ripple' of step 2 (nominal) proves nothing: this bench has no "
    "meter. "
)
COMES = (
    "HRW-0007: 2.4 V with a limit of 300 mA first, up to 24 V; beyond 26.4 V, 1.5 A, 36 W power is "
    "cut. Go on to the steps of this plan, and energise the unit?"
)

PRE_CHECK = "A pre-check releases no unit. "


def for_release(name: str) -> Profile:
    """Return a short profile as it were if its purpose was a release."""
    return load_profile(name).model_copy(update={"purpose": "release"})


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
        plan = make_plan(for_release("mount-controller-board"), bench)
        asked: list[str] = []

        def run_profile(*_: object, confirm: Any, **__: object) -> None:
            confirm(plan)
            raise Refused(["the operator did not confirm"])

        monkeypatch.setattr("harness.api.run_profile", run_profile)
        monkeypatch.setattr(WatchingOperator, "confirm", lambda _, text: bool(asked.append(text)))
        CliRunner().invoke(app, ["p", "--bench", "b", "--serial", "HRW-0007", "--results", "r"])

        assert [" ".join(text.split()) for text in asked] == [question]


class TestInView:
    """At 24 rows of 80 columns all cautions and the whole question stand in view together."""

    @staticmethod
    def shown(plan: Plan, serial: str, capsys: pytest.CaptureFixture[str]) -> list[str]:
        """Return the last rows of the terminal as it waits for the answer."""
        show(plan_lines(plan))
        before = capsys.readouterr().out
        screen = f"{before}\n{question(plan, serial)}\n  yes or no\n> "
        rows = [
            row[at : at + 80] for row in screen.split("\n") for at in range(0, len(row) or 1, 80)
        ]
        return rows[-24:]

    @staticmethod
    def long_plan() -> Plan:
        """A unit for mains with a high output, on a bench without a meter: all that can be long."""
        loaded = load_profile("dome-shutter-full-release")
        output = {"main": loaded.unit.output["main"].model_copy(update={"nominal_v": 400.0})}
        unit = loaded.unit.model_copy(update={"output": output})
        profile = loaded.model_copy(update={"unit": unit, "title": "Dome shutter " * 12})
        bench = load_bench("bench-simulated-ac").model_copy(update={"meter": None})
        return make_plan(profile, bench)

    @pytest.mark.parametrize("profile", [*SHIPPED, None], ids=[*SHIPPED, "a long one"])
    def test_cautions_and_question_fit(
        self,
        monkeypatch: pytest.MonkeyPatch,
        capsys: pytest.CaptureFixture[str],
        profile: str | None,
    ) -> None:
        """What is left out for room is said to stand above; serial, volts and limit never are."""
        monkeypatch.setenv("COLUMNS", "80")
        monkeypatch.setenv("LINES", "24")
        serial = "HRW-0007"
        if profile is None:
            plan, serial = self.long_plan(), "HRW-" + 56 * "7"
        else:
            loaded = load_profile(profile)
            plan = plan_for(loaded, simulated_bench_file(loaded))
        rows = self.shown(plan, serial, capsys)
        text = " ".join(" ".join(rows).split())

        assert "Cautions" in rows
        for caution in plan.cautions:
            assert caution in text
        assert "energise the unit?" in text
        assert serial in text
        assert ("... (see above)" in text) == (profile is None)
        pre_check = profile in {"mount-controller-board", "dome-shutter-power-unit"}
        assert (PRE_CHECK.strip() in text) == pre_check
        if plan.cannot_release and not pre_check:
            assert "This run cannot release the unit." in text


class TestSafetyRecord:
    """What names the record of the safety tests goes with the run, into its plan."""

    def _asked(
        self, monkeypatch: pytest.MonkeyPatch, *words: str, purpose: str = "release"
    ) -> tuple[str, str]:
        """Return the question before power of a unit for mains, and what the command says."""
        asked: list[str] = []
        monkeypatch.setattr(WatchingOperator, "confirm", lambda _, text: bool(asked.append(text)))
        command = ["dome-shutter-power-unit", "--bench", "bench-simulated-ac"]
        command += ["--serial", "HRW-0007", "--results", "results", *words]
        with pytest.MonkeyPatch.context() as patch:
            patch.setattr("harness.api.hold_supply", lambda *_, **__: nullcontext())
            if purpose == "release":
                patch.setattr("harness.api.load_profile", for_release)
            result = CliRunner().invoke(app, command)
        return " ".join(asked), result.output

    def test_without_one_the_question_says_what_is_missing(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A unit for mains without its safety tests cannot be released, and that comes first."""
        asked, _ = self._asked(monkeypatch)

        assert " ".join(asked.split()).startswith(
            "This run cannot release the unit. Safety tests after repair are missing: insulation "
            "resistance, touch current."
        )

    def test_a_pre_check_says_first_that_it_releases_nothing(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The shipped short profile is a pre-check: no safety tests are asked of it."""
        asked, _ = self._asked(monkeypatch, purpose="pre-check")

        assert " ".join(asked.split()).startswith(f"{PRE_CHECK}HRW-0007: 12 V")

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
