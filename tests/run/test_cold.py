from __future__ import annotations

import math
import signal
from collections.abc import Callable
from typing import Any

import pytest

import harness
from harness.judge.verdict import Verdict
from harness.profile.unit_at_hand import UnitAtHand
from harness.record.run_summary import Outcome
from harness.rehearse import meters
from harness.rehearse.circuit import Circuit
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.report.wording import safety_text
from harness.run.operator import Nobody, StopRequest
from tests.instrument_faults import swap_answers

COLD = """
[[steps]]
kind = "cold"
[[steps.checks]]
name = "fuse"
measure = "meter.resistance"
across = "fuse"
high = "2 ohm"
[[steps.checks]]
name = "input"
measure = "meter.resistance"
across = "input"
low = "10 kohm"
[[steps.checks]]
name = "input reversed"
measure = "meter.resistance"
across = "input reversed"
low = "10 kohm"
[[steps.checks]]
name = "bulk"
measure = "meter.resistance"
across = "bulk"
low = "10 kohm"
[[steps.checks]]
name = "residual voltage"
measure = "meter.voltage_dc"
across = "bulk"
high = "5 V"
"""
ASKED = """
[[steps]]
kind = "cold"
[[steps.checks]]
name = "insulation"
measure = "operator.value"
ask = "Insulation resistance?"
unit = "ohm"
accuracy = "5 %"
limit = "insulation resistance"
[[steps.checks]]
name = "no damage"
measure = "operator.yes_no"
ask = "No damage?"
"""


class Answers(Nobody):
    """An operator with fixed answers, who keeps what he was told."""

    def __init__(
        self, *, value: float | None = 3e6, yes: bool | None = True, goes_on: bool = False
    ) -> None:
        self.value, self.yes, self.goes_on = value, yes, goes_on
        self.told: list[str] = []
        self.live: list[bool] = []
        self.bench: SimulatedBench | None = None

    def on(self, bench: SimulatedBench) -> Answers:
        """Take a seat at a bench."""
        self.bench = bench
        return self

    def _hear(self, text: str) -> None:
        self.told.append(text)
        assert self.bench is not None
        self.live.append(self.bench.circuit.source_on)

    def place_meter(self, where: str, text: str) -> bool:
        """Move the leads."""
        self._hear(text)
        assert self.bench is not None
        self.bench.meter_at = where
        return True

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Say the value."""
        self._hear(f"{prompt} [{unit}]")
        return self.value, "by tester 3"

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Say yes or no."""
        self._hear(prompt)
        return self.yes, ""

    def confirm(self, text: str) -> bool:
        """Go on, or not."""
        self._hear(text)
        return self.goes_on


class TestMeter:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    @pytest.mark.parametrize("seed", [1, 2, 3])
    def test_a_healthy_unit_goes_on_to_power(
        self, run_steps: Callable[..., Any], kind: str, seed: int
    ) -> None:
        """A healthy unit passes its cold checks at every place, and power comes on."""
        ran = run_steps(kind, cold=COLD, seed=seed)

        assert set(ran.checks["verdict"]) == {"pass"}
        assert ran.result.outcome is Outcome.COMPLETED
        assert ran.energised

    @pytest.mark.parametrize(
        ("kind", "fault", "failed"),
        [
            ("dc", "shorted-input", "input"),
            ("dc", "shorted-varistor", "input reversed"),
            ("dc", "shorted-switch", "bulk"),
            ("dc", "leaky-bulk-capacitor", "bulk"),
            ("dc", "open-fuse", "fuse"),
            ("ac", "shorted-input", "input"),
            ("ac", "shorted-varistor", "input reversed"),
            ("ac", "shorted-switch", "bulk"),
            ("ac", "leaky-bulk-capacitor", "bulk"),
            ("ac", "open-fuse", "fuse"),
        ],
    )
    def test_a_failed_check_stops_the_run_before_power(
        self, run_steps: Callable[..., Any], kind: str, fault: str, failed: str
    ) -> None:
        """What a meter finds cold is never energised: refused, exit 5, with the figure."""
        ran = run_steps(kind, cold=COLD, fault=fault)

        assert ran.verdict(failed) == "fail"
        assert ran.result.outcome is Outcome.REFUSED
        assert ran.result.exit_code == 5
        assert ran.result.verdict is Verdict.FAIL
        assert f"{failed}: " in ran.result.reason
        assert not ran.energised
        assert ran.bench.circuit.let_through.charge_c == 0

    def test_a_meter_out_of_step_proves_nothing_before_power(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Its answers are looked at before its readings are believed: refused, never energised."""
        ran = run_steps("dc", cold=COLD, bend=lambda on: swap_answers(on["meter"], 3, "MEAS:RES?"))

        assert ran.result.outcome is Outcome.REFUSED
        assert "at the start it was" in ran.result.reason
        assert not ran.energised

    def test_an_open_circuit_is_more_than_the_meters_range(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Overload of an ohmmeter with a known range counts as that range: open, so it fails."""
        ran = run_steps("dc", cold=COLD, fault="open-fuse")
        row = ran.checks.set_index("check").loc["fuse"]

        assert row["value"] == 100e6
        assert ran.said("beyond range")[0] == "fuse: more than 100 Mohm"

    def test_overload_without_a_known_range_proves_nothing(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Where the bench file does not say the meter's range, overload stays no value."""
        ran = run_steps("dc", cold=COLD, fault="open-fuse", meter_range=False)

        assert ran.verdict("fuse") == "undecided"

    def test_readings_go_to_the_record_with_their_place(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Each cold reading stands in the record under the place it was taken at."""
        ran = run_steps("dc", cold=COLD)
        cold = ran.readings[ran.readings["step"] == "cold"]

        assert set(cold["level"]) == {"fuse", "input", "input reversed", "bulk"}
        assert set(cold["source"]) == {"meter"}

    def test_the_meter_is_back_at_the_output_before_power(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Leads are moved with power off alone, and stand at the output when it comes on."""
        person = Answers()
        ran = run_steps("dc", cold=COLD, operator=person.on)

        assert ran.result.outcome is Outcome.COMPLETED
        assert ran.bench.meter_at == "output"
        assert not any(person.live)
        assert "Connect the meter across the fuse" in person.told[0]
        assert "Disconnect the supply's leads from the unit" in person.told[1]
        assert "Reconnect the supply's leads to the unit" in person.told[3]
        assert all("Stored charge may remain" in text for text in person.told)

    def test_without_a_meter_its_checks_are_undecided(self, run_steps: Callable[..., Any]) -> None:
        """A bench without a meter proves nothing cold, and nobody agreeing there is no power."""
        ran = run_steps("dc", cold=COLD, without=("meter",), operator=lambda _: Nobody())

        assert set(ran.checks["verdict"]) == {"undecided"}
        assert ran.result.outcome is Outcome.REFUSED
        assert not ran.energised


class TestOperator:
    @pytest.mark.parametrize(
        ("value", "verdict"),
        # 0.25 Mohm is the limit of class III; the tester is off by 5 %, so U is about 5.7 %
        [(3e6, "pass"), (0.26e6, "undecided"), (0.2e6, "fail")],
    )
    def test_a_value_is_judged_by_the_limit_of_the_class(
        self, run_steps: Callable[..., Any], value: float, verdict: str
    ) -> None:
        """What the operator reads off is held to the table, with the tester's uncertainty."""
        ran = run_steps("dc", cold=ASKED, operator=Answers(value=value, goes_on=True).on)
        row = ran.checks.set_index("check").loc["insulation"]

        assert (row["verdict"], row["low"], row["unit"]) == (verdict, 0.25e6, "ohm")
        assert ran.energised is (verdict != "fail")

    def test_a_no_is_a_failure_and_its_note_is_kept(self, run_steps: Callable[..., Any]) -> None:
        """A question expects a yes: a no refuses the run; answers stand in the record."""
        ran = run_steps("dc", cold=ASKED, operator=Answers(yes=False).on)

        assert ran.verdict("no damage") == "fail"
        assert "no damage: no" in ran.result.reason
        assert ran.said("answer") == ["insulation: 3 Mohm (by tester 3)", "no damage: no"]
        assert not ran.energised

    def test_no_answer_is_undecided_and_asks_whether_to_go_on(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """An unanswered check proves nothing: power comes on only where somebody agrees."""
        refused = run_steps("dc", cold=ASKED, operator=Answers(value=None).on)
        agreed = run_steps("dc", cold=ASKED, operator=Answers(value=None, goes_on=True).on)

        assert refused.result.outcome is Outcome.REFUSED
        assert refused.result.exit_code == 5
        assert not refused.energised
        assert agreed.result.outcome is Outcome.COMPLETED
        assert agreed.result.exit_code == 4
        assert "insulation" in agreed.said("agreed")[0]

    def test_nobody_there_never_hangs_and_energises_nothing(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Without an operator every answer is missing, and the run ends before power."""
        ran = run_steps("dc", cold=ASKED, operator=lambda _: Nobody())

        assert set(ran.checks["verdict"]) == {"undecided"}
        assert ran.result.outcome is Outcome.REFUSED

    def test_a_stop_during_a_question_ends_the_run(self, run_steps: Callable[..., Any]) -> None:
        """A signal that comes while the operator is asked is obeyed before the next thing."""
        stop = StopRequest()

        class Leaves(Answers):
            def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
                stop.note(signal.SIGINT)
                return super().ask_value(prompt, unit)

        ran = run_steps("dc", cold=ASKED, operator=Leaves().on, stop=stop)

        assert ran.result.outcome is Outcome.INTERRUPTED
        assert ran.result.exit_code == 130
        assert not ran.energised

    def test_leads_that_nobody_puts_back_keep_power_off(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """A meter left at another place would read something else: no power."""

        class Forgets(Answers):
            def place_meter(self, where: str, text: str) -> bool:
                return where != "output" and super().place_meter(where, text)

        ran = run_steps("dc", cold=COLD, operator=Forgets().on)

        assert ran.result.outcome is Outcome.REFUSED
        assert "nobody moved it back" in ran.result.reason
        assert not ran.energised

    def test_which_table_was_used_stands_in_the_record(self, run_steps: Callable[..., Any]) -> None:
        """The record names the table of limits, and each limit with its source."""
        ran = run_steps("dc", cold=ASKED)
        run = ran.sink.frames().run

        assert run["limits"]["title"] == "After repair: EN 50678 and others"
        assert run["limit_sources"] == [
            {
                "step": "cold",
                "check": "insulation",
                "source": "DIN VDE 0701-0702:2008; that EN 50678 keeps it is from memory",
            }
        ]


TESTED = ASKED.replace('accuracy = "5 %"\n', 'tester = "insulation"\n')


class TestTester:
    """What an operator reads is traced to the tester it was read off."""

    def test_it_is_named_to_the_operator_and_in_the_record(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Name and serial number stand in the question, in the event and in `run.json`."""
        answers = Answers()
        ran = run_steps("ac", cold=TESTED, operator=answers.on)
        by = "by Insulation tester, 500 V DC, serial SIMULATED-1"

        assert answers.told[0] == f"Insulation resistance? [read {by}] [ohm]"
        assert ran.said("answer")[0] == f"insulation: 3 Mohm {by} (by tester 3)"
        tester = ran.sink.frames().run["testers"]["insulation"]
        assert (tester["serial"], tester["calibration_due"]) == ("SIMULATED-1", "2099-12-31")
        assert tester["checks"] == ["insulation"]

    @pytest.mark.parametrize(
        ("value", "verdict"),
        # 2 Mohm is the limit of class II; 5 % and 50 kohm, both rectangular, make U 0.17 Mohm
        [(2.2e6, "pass"), (2.1e6, "undecided"), (1.9e6, "undecided"), (1.8e6, "fail")],
    )
    def test_its_own_accuracy_decides(
        self, run_steps: Callable[..., Any], value: float, verdict: str
    ) -> None:
        """What the bench file says of the very tester is what the verdict rests on."""
        ran = run_steps("ac", cold=TESTED, operator=Answers(value=value, goes_on=True).on)

        assert ran.verdict("insulation") == verdict

    def test_without_any_accuracy_nothing_is_decided(self, run_steps: Callable[..., Any]) -> None:
        """A tester that the bench does not know has no uncertainty that could be guarded by."""
        ran = run_steps(
            "ac",
            cold=TESTED,
            operator=Answers(value=3e9, goes_on=True).on,
            bench=lambda file: file.model_copy(update={"testers": {}}),
        )

        assert ran.verdict("insulation") == "undecided"

    def test_a_rehearsal_has_whatever_tester_is_named(self, run_steps: Callable[..., Any]) -> None:
        """A profile that names a tester of its own bench can be rehearsed."""
        ran = run_steps("ac", cold=TESTED.replace('r = "insulation"', 'r = "bench 2, red"'))

        assert ran.verdict("insulation") == "pass"
        assert [*ran.sink.frames().run["testers"]] == ["bench 2, red"]


LEAKAGE = """
[[steps.checks]]
name = "leakage"
measure = "operator.value"
ask = "Touch current?"
tester = "leakage"
safety_test = "touch current"
unit = "A"
limit = "touch current"
"""
TESTS = TESTED.replace("unit =", 'safety_test = "insulation resistance"\nunit =') + LEAKAGE
RAIL = """
[[steps]]
kind = "nominal"
dwell = "0.2 s"
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "23 V"
high = "25 V"
"""
MISSING = "Safety tests after repair are missing: insulation resistance, touch current."


class TestSafetyTests:
    """A unit for mains is released with its safety tests after repair, or not at all (rule 11)."""

    def test_without_them_nothing_is_released(self, run_steps: Callable[..., Any]) -> None:
        """Every check passed, and the run is undecided all the same, with the reason."""
        ran = run_steps("ac", after=RAIL, at_hand=UnitAtHand(safety_record=""))
        run = ran.sink.frames().run

        assert set(ran.checks["verdict"]) == {"pass"}
        assert (ran.result.exit_code, run["verdict"], run["released"]) == (4, "undecided", False)
        [point] = run["open_points"]
        assert point.startswith(MISSING)
        assert run["safety_tests"]["missing"] == ["insulation resistance", "touch current"]
        assert safety_text(run) == "MISSING: insulation resistance, touch current"

    def test_one_of_them_is_not_enough(self, run_steps: Callable[..., Any]) -> None:
        """What is there is taken off the list, and the rest stays open."""
        cold = TESTS.replace(LEAKAGE, "")
        ran = run_steps("ac", cold=cold, after=RAIL, at_hand=UnitAtHand(safety_record=""))

        [point] = ran.sink.frames().run["open_points"]
        assert point.startswith("Safety tests after repair are missing: touch current.")

    def test_checks_that_passed_are_enough(self, run_steps: Callable[..., Any]) -> None:
        """With both made in this record the unit is released, and the record says by which."""
        ran = run_steps("ac", cold=TESTS, after=RAIL, at_hand=UnitAtHand(safety_record=""))
        run = ran.sink.frames().run

        assert (ran.result.exit_code, run["released"]) == (0, True)
        assert safety_text(run) == "checks of this record: insulation, leakage"

    def test_a_reference_is_enough_and_stands_in_the_record(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """The text that names the other record is kept, and nobody claims to have looked at it."""
        ran = run_steps("ac", after=RAIL, at_hand=UnitAtHand(safety_record="test sheet 118"))
        run = ran.sink.frames().run

        assert (ran.result.exit_code, run["released"]) == (0, True)
        assert run["safety_tests"]["reference"] == "test sheet 118"
        assert safety_text(run) == "by reference, not looked at here: test sheet 118"
        assert any("'test sheet 118' is said to hold them" in note for note in run["notes"])

    def test_a_rehearsal_takes_them_as_made_and_says_so(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Nobody was asked: the run may pass, and the note says what a real one needs."""
        ran = run_steps("ac", after=RAIL)
        run = ran.sink.frames().run

        assert ran.result.exit_code == 0
        assert safety_text(run) == (
            "taken as made, for a rehearsal: insulation resistance, touch current"
        )
        assert any("A real run needs them" in note for note in run["notes"])

    def test_extra_low_voltage_needs_none(self, run_steps: Callable[..., Any]) -> None:
        """A unit for 24 V DC is asked for nothing."""
        rail = RAIL.replace("23 V", "4.9 V").replace("25 V", "5.1 V")
        ran = run_steps("dc", after=rail, at_hand=UnitAtHand(safety_record=""))
        run = ran.sink.frames().run

        assert (ran.result.exit_code, run["open_points"], safety_text(run)) == (0, [], "")

    def test_a_tester_the_bench_does_not_have_keeps_it_open(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """What was read off who knows what proves nothing, however good it looks."""
        ran = run_steps(
            "ac",
            cold=TESTS.replace('tester = "leakage"', 'tester = "leakage"\naccuracy = "5 %"'),
            after=RAIL,
            at_hand=UnitAtHand(safety_record=""),
            bench=lambda file: file.model_copy(
                update={"testers": {"insulation": file.testers["insulation"]}}
            ),
        )

        assert ran.verdict("leakage") == "pass"
        assert ran.result.exit_code == 4
        [point] = ran.sink.frames().run["open_points"]
        assert point.endswith("proves nothing: the bench file has no tester 'leakage'.")


#: One reading across the bulk capacitor, by an ohmmeter.
FALL = """
[[steps]]
kind = "discharge"
across = "bulk"
below = "5 V"
within = "60 s"
"""
ACROSS_BULK = """
[[steps]]
kind = "cold"
[[steps.checks]]
name = "bulk"
measure = "meter.resistance"
across = "bulk"
low = "5 kohm"
"""


class TestOhmmeter:
    """It drives a current of its own, and so charges what it measures."""

    @pytest.mark.parametrize(
        ("leak_ohm", "verdict", "read_ohm"), [(100e3, "pass", 9.5e3), (2e3, "fail", 2e3)]
    )
    def test_a_fast_one_waits_while_the_capacitor_charges(
        self,
        run_steps: Callable[..., Any],
        monkeypatch: pytest.MonkeyPatch,
        leak_ohm: float,
        verdict: str,
        read_ohm: float,
    ) -> None:
        """Five readings in a row agree at any time: a healthy board of 1000 uF read as shorted.

        Source: of a constant current into C beside R, V / I = R (1 - exp(-t / R C)); textbook.
        """
        begun: list[float] = []

        def charging(circuit: Circuit, where: str) -> float:
            if where == "bulk":
                begun.append(circuit.time_s)
            begun_s = begun[0] if begun else circuit.time_s
            return -leak_ohm * math.expm1(-(circuit.time_s - begun_s) / (leak_ohm * 1e-3))

        monkeypatch.setattr(meters, "cold_resistance_ohm", charging)
        ran = run_steps("dc", cold=ACROSS_BULK)
        row = ran.checks.set_index("check").loc["bulk"]

        assert row["verdict"] == verdict
        assert row["value"] == pytest.approx(read_ohm, rel=0.05)

    @pytest.mark.parametrize(
        ("kind", "cold", "said"),
        [
            ("dc", ACROSS_BULK, True),
            ("dc", ACROSS_BULK.replace('"bulk"\nlow', '"fuse"\nhigh'), False),
            ("ac", ACROSS_BULK, False),  # its start begins at 12 V
        ],
    )
    def test_what_it_leaves_is_discharged_before_power(
        self, run_steps: Callable[..., Any], kind: str, cold: str, said: bool
    ) -> None:
        """A start that begins at 2.4 V would find the capacitor full: it is told before."""
        answers = Answers()
        ran = run_steps(kind, cold=cold, operator=answers.on)
        told = [text for text in answers.told if "the ohmmeter has charged it" in text]

        assert ran.energised
        assert told == ([answers.told[-1]] if said else [])

    def test_it_is_told_before_the_first_power_alone(self, run_steps: Callable[..., Any]) -> None:
        """What is on the capacitor later is no ohmmeter's."""
        answers = Answers()
        run_steps("dc", cold=ACROSS_BULK, after=FALL, operator=answers.on)

        assert len([text for text in answers.told if "the ohmmeter has charged it" in text]) == 1


def test_a_meter_is_taken_off_a_unit_without_outputs(monkeypatch: pytest.MonkeyPatch) -> None:
    """There is no output to put it across."""
    told: list[str] = []
    place = SimulatedOperator.place_meter

    def hears(self: SimulatedOperator, where: str, text: str) -> bool:
        told.append(text)
        return place(self, where, text)

    monkeypatch.setattr(SimulatedOperator, "place_meter", hears)
    result = harness.rehearse_profile("rotator-controller-full-release")

    assert result.verdict == "pass"
    assert told[-2].endswith("Take the meter's leads off the unit.")
    assert not [text for text in told if "across the output" in text]
