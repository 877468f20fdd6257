"""What the journal says for whoever watches a run."""

from __future__ import annotations

import json
import re

from harness.api import rehearse_profile
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from tests.run.conftest import RunSteps


class TestPlan:
    def test_it_is_the_first_event(self) -> None:
        """The first event has the plan in numbers: unit, envelope, every level of every step."""
        record = rehearse_profile("mount-controller-board", serial="HRW-0007").record
        first = record.events.iloc[0]
        told = json.loads(first["detail"])
        start = told["steps"][0]

        assert (first["kind"], first["time_s"]) == ("plan", 0.0)
        assert (told["serial"], told["rehearsal"]) == ("HRW-0007", True)
        assert told["envelope"]["voltage_v"] == 26.4
        assert [step["kind"] for step in told["steps"]][:2] == ["start", "nominal"]
        assert start["levels"][0] == {
            "label": "10 %",
            "voltage_v": 2.4,
            "current_limit_a": 0.3,
            "dwell_s": 1.0,
            "load": "",
            "allowance": True,
        }

    def test_the_same_rehearsal_says_the_same(self) -> None:
        """Two rehearsals with one seed have the same events, the moment they began included."""
        first, second = (rehearse_profile("mount-controller-board").record for _ in range(2))
        told = json.loads(first.events["detail"].iloc[0])

        assert first.events.equals(second.events)
        assert told["begun_utc"].startswith("2026-01-01T00:00:00")

    def test_the_report_leaves_it_out(self) -> None:
        """The report lists the events without the plan's numbers."""
        from harness.report.page import report_from_record

        record = rehearse_profile("mount-controller-board").record
        page = report_from_record(record).decode()

        assert "switching on" in page
        assert "current_limit_a" not in page.partition("<h2>Profile")[0]


class TestLevels:
    def test_each_is_noted_before_it_is_set(self) -> None:
        """Each level is noted before power rises to it, and output on before it is sent."""
        events = rehearse_profile("mount-controller-board").record.events
        kinds = [kind for kind in events["kind"] if kind in {"level", "switching on", "power on"}]
        levels = list(events.loc[events["kind"] == "level", "detail"])

        assert kinds[:3] == ["level", "switching on", "power on"]
        assert levels[:2] == [
            "10 %: 2.4 V, limit 300 mA, hold 1 s",
            "25 %: 6 V, limit 300 mA, hold 1 s",
        ]

    def test_the_keeper_accounts_for_what_went_in(self) -> None:
        """While a level is entered the record has what was taken, explained and allowed."""
        for profile, unit in (("mount-controller-board", "C"), ("dome-shutter-power-unit", "J")):
            readings = rehearse_profile(profile).record.readings
            told = readings[readings["source"] == "keeper"]

            assert set(told["quantity"]) == {"taken", "explained", "allowed"}
            assert set(told["unit"]) == {unit}
            assert set(told["step"]) == {"start"}
            assert (told.loc[told["quantity"] == "allowed", "value"] > 0).all()


class TestChecks:
    def test_each_says_what_was_found_and_wanted(self) -> None:
        """A check's event has its verdict, value and uncertainty, and in brackets the limits."""
        events = rehearse_profile("mount-controller-board").record.events
        checks = list(events.loc[events["kind"] == "check", "detail"])

        assert checks
        for detail in checks:
            assert re.fullmatch(r".+: pass, .+ ± .+ \(.+\)", detail), detail


class TestQuestions:
    def test_each_is_noted_before_it_is_asked(self, run_steps: RunSteps) -> None:
        """What the operator is asked stands in the record before the answer does."""
        cold = """
[[steps]]
kind = "cold"
[[steps.checks]]
name = "no damage"
measure = "operator.yes_no"
ask = "No damage?"
"""

        class Asked(SimulatedOperator):
            def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
                asked.append(prompt)
                return True, ""

        asked: list[str] = []

        def operator(bench: SimulatedBench) -> Asked:
            from harness.profile.load import load_profile

            return Asked(bench, load_profile("mount-controller-board").unit)

        ran = run_steps("dc", cold=cold, operator=operator)

        assert ran.said("question")[0] == asked[0] == "No damage?"
        kinds = list(ran.events["kind"])
        assert kinds.index("question") < kinds.index("answer")
