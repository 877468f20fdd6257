"""The fifteen rules of safety: which tests prove each, and whole runs that prove them again.

`docs/safety-rules.md` has the rules in full; code and tests refer to their numbers. None can be
switched off.
"""

from __future__ import annotations

import ast
import datetime as dt
import html
import re
from collections.abc import Callable
from functools import cache
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.api import plan_for, rehearse_profile, simulated_bench_file, simulated_unit
from harness.cli.main import app
from harness.power.local_bench import open_bench
from harness.power.trip import TripReason
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.record.tables import Record
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_instruments import SimulatedInstrument
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult
from harness.shipped import shipped

ROOT = Path(__file__).resolve().parents[2]
STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)
DC, AC = "mount-controller-board", "dome-shutter-power-unit"


#: Each rule in a few words, then the tests that prove it: files below the folder of tests, and in
#: each file the class and the test.
RULES = """
1 nothing is energised before the plan has passed pre-flight
  profile/test_preflight.py
    TestRanges::test_the_supply_covers_the_envelope
    TestIdentity::test_each_instrument_says_what_it_is
    TestCalibration::test_overdue_is_refused
    TestCalibration::test_overdue_may_be_allowed
  run/test_engine.py
    TestEndings::test_a_wrong_identity_is_refused_before_power
  acceptance/test_safety_rules.py
    TestBeforePower::test_a_bench_that_does_not_fit_is_only_asked

2 the order of energising
  power/test_keeper.py
    TestOrderOfEnergising::test_off_is_confirmed_before_anything_is_set
    TestOrderOfEnergising::test_protection_and_limit_are_set_and_read_back_before_the_voltage
    TestOrderOfEnergising::test_switching_on_is_confirmed
  power/test_local_keeper.py
    TestEnergising::test_the_wire_sees_the_order_of_the_safety_rule
    TestEnergising::test_an_output_that_will_not_go_off_is_never_switched_on
    TestEnergising::test_a_limit_that_reads_back_wrong_stops_before_power
  power/test_switch.py
    TestClosing::test_the_contact_is_open_first_and_closed_last_before_output_on
    TestClosing::test_a_contact_that_is_welded_already_brings_no_power
  power/test_pins.py
    TestOrder::test_the_auxiliary_supply_is_energised_in_the_order_of_the_supply
    TestOrder::test_nothing_drives_the_pin_before_the_supply_is_on
  acceptance/test_safety_rules.py
    TestBeforePower::test_a_run_energises_in_the_order_of_the_rule
  power/test_hand_moves.py
    TestEnergising::test_open_and_nothing_there_before_anything_else

3 no command outside the envelope reaches the wire
  power/test_keeper.py
    TestCommandsOutsideTheEnvelope::test_a_voltage_outside_is_refused
    TestCommandsOutsideTheEnvelope::test_a_current_limit_outside_is_refused
    TestLaws::test_no_sequence_ever_lets_a_value_outside_the_envelope_through
  power/test_local_keeper.py
    TestCommandsOnTheWire::test_no_voltage_outside_the_envelope_reaches_the_wire
  power/test_questions.py
    TestChangedBehindOurBack::test_a_setting_of_the_supply_that_changes_cuts_power_within_half_a_second
    TestChangedBehindOurBack::test_what_the_load_was_told_is_asked_again
  power/test_pins.py
    TestEnvelope::test_a_setting_outside_never_reaches_the_wire
  acceptance/test_safety_rules.py
    TestBeforePower::test_no_setting_of_a_run_is_outside_the_envelope
  power/test_hand_moves.py
    TestEnergising::test_nobody_is_told_what_lies_outside

4 one reading outside: output off is the very next message
  power/test_keeper.py
    TestReadings::test_one_reading_outside_trips_and_off_comes_first
    TestLaws::test_any_reading_outside_makes_off_the_first_move
  power/test_local_keeper.py
    TestOneReadingOutside::test_off_is_the_very_next_message
    TestOneReadingOutside::test_whatever_the_supply_reads_outside_means_off_next
  acceptance/test_safety_rules.py
    TestUnderPower::test_off_follows_the_reading_that_trips
  run/test_power_meter.py
    TestEnvelope::test_one_reading_of_it_outside_cuts_power
  power/test_pins.py
    TestEnvelope::test_a_reading_outside_cuts_power_by_the_very_next_message
  power/test_protection.py
    TestBelieved::test_with_nothing_left_at_the_output_off_is_next
    TestBelieved::test_an_output_told_off_is_believed_whatever_is_read
    TestContradiction::test_a_level_s_budget_is_watched_meanwhile
  power/test_hand_moves.py
    TestReadings::test_one_outside_opens_the_contact_in_the_next_message
  run/test_set_by_hand.py
    TestFaults::test_one_reading_outside_opens_the_contact_next

5 what is no number is a trip, never a value
  bench/test_scpi.py
    TestNumber::test_the_markers_are_never_values
    TestNumber::test_text_that_is_no_number_raises
  power/test_local_keeper.py
    TestOneReadingOutside::test_an_answer_that_is_no_reading_cuts_power_at_once
    TestOneReadingOutside::test_no_text_from_the_supply_ever_raises_anything_but_a_trip

6 unexplained charge or energy cuts power within a few readings
  power/test_inrush_monitor.py
    TestCharge::test_a_short_is_found_within_a_few_readings
    TestCharge::test_charging_at_the_limit_explains_itself
    TestEnergy::test_a_short_is_found_by_its_energy_though_its_power_is_small
    TestTimeAtLimit::test_limiting_for_too_long_trips
    TestReverse::test_clearly_negative_current_is_found_and_noise_about_zero_is_not
  run/test_misreading.py
    TestReversedSign::test_a_short_read_the_wrong_way_round_is_off_as_fast_as_any
  acceptance/test_faults.py
    TestEveryFault::test_a_short_is_off_within_five_readings
    TestEveryFault::test_what_goes_through_the_fault_stays_inside_the_budget
  power/test_residual_allowance.py
    TestNeverMore::test_in_no_reading
  power/test_begin_allowance.py
    TestSag::test_a_collapse_below_where_it_stops_is_cut_at_once
    TestBound::test_charge_beyond_the_idle_draw
    TestBound::test_a_converter_that_begins_again_and_again_is_cut
  power/test_boost_allowance.py
    TestKeeper::test_what_a_stage_took_that_stopped_on_its_way_is_not_allowed_again

7 no level is entered whose expected current is over the limit
  run/test_levels.py
    TestExpectedCurrent::test_it_follows_from_what_was_held
    TestLaws::test_a_converter_inside_the_limit_is_never_stopped
    TestLaws::test_a_resistor_is_stopped_before_the_level_it_would_exceed_the_limit_at
  acceptance/test_safety_rules.py
    TestUnderPower::test_a_level_that_would_need_too_much_is_never_set

8 power is off, and confirmed off, on every way out
  run/test_engine.py
    TestEndings::test_a_completed_run_leaves_power_off
    TestEndings::test_a_stop_request_is_obeyed_at_once_and_power_goes_off
    TestEndings::test_an_error_of_the_program_itself_cuts_power
  power/test_keeper.py
    TestSilence::test_a_silent_client_cuts_power
    TestFailures::test_switching_off_is_tried_again_until_it_is_confirmed
  power/test_local_keeper.py
    TestPowerOff::test_a_supply_that_ignores_off_is_told_again_and_then_said_loudly
  acceptance/test_faults.py
    TestEveryFault::test_power_is_cut_for_the_right_reason
  acceptance/test_killing.py
    test_power_is_off_whatever_is_killed
  power/test_keeper_client.py
    TestSilentKeeper::test_whoever_looks_takes_over_and_the_engine_meets_it_later
  power/test_attention.py
    TestUnwatched::test_off_is_the_next_message_after_the_exchange
  power/test_off_line.py
    TestKeeper::test_off_is_the_next_message
    TestKeeper::test_power_does_not_come_after_it
  acceptance/test_watching.py
    TestKeys::test_a_slow_meter_holds_up_no_key
  acceptance/test_page.py
    TestPress::test_a_press_needs_no_run
  acceptance/test_absence.py
    TestStoppedKeeper::test_power_is_off_while_the_engine_waits_for_a_slow_meter
    TestNobodyThere::test_a_machine_that_slept_cuts_power_as_it_wakes
  power/test_switch.py
    TestWaysOff::test_both_are_told_before_either_is_asked
    TestWaysOff::test_a_supply_that_is_gone_does_not_keep_the_contact_closed
    TestWaysOff::test_a_switch_that_is_gone_does_not_keep_the_output_on
    TestWelded::test_a_weld_at_the_end_of_a_run_is_a_trip
  acceptance/test_switch.py
    test_the_contact_is_open_whatever_ends_a_run
  bench/test_begin_and_end.py
    TestBegin::test_after_a_lost_link_off_reaches_the_chosen_channel
    TestEnd::test_never_before_output_off_is_confirmed
  acceptance/test_safety_rules.py
    TestUnderPower::test_every_run_ends_with_off_confirmed
  power/test_hand_moves.py
    TestOff::test_it_is_opened_confirmed_and_measured
    TestOff::test_without_one_of_both_it_is_not_confirmed
  run/test_set_by_hand.py
    TestFaults::test_a_welded_contact_is_power_that_may_still_be_on
    TestFaults::test_a_contact_that_lies_is_found_by_the_power_meter

  run/test_misreading.py
    TestFrozenReadings::test_a_relay_that_sticks_is_power_that_may_be_on
    TestFrozenReadings::test_a_supply_that_froze_in_the_hold_is_a_trip
    TestFrozenReadings::test_without_a_meter_nothing_shows_that_it_is_off
    TestLongHold::test_a_supply_that_freezes_in_a_soak_is_found_within_a_minute

9 a run that cannot write its record does not keep a unit energised
  run/test_engine.py
    TestRecordLost::test_a_unit_whose_record_is_lost_is_not_kept_energised
    TestRecordLost::test_a_record_that_cannot_be_finished_is_no_release

10 plan and report carry the cautions, and nothing is called safe
  profile/test_cautions.py
    TestCautions::test_mains_gets_every_usual_caution
    TestCautions::test_low_dc_is_no_promise
  test_house_rules.py
    TestWords::test_the_tool_never_calls_a_unit_safe
  acceptance/test_safety_rules.py
    TestCautions::test_the_plan_prints_every_caution
    TestCautions::test_the_report_prints_every_caution
    TestCautions::test_no_record_calls_the_unit_safe

11 nothing is released on an open point
  profile/test_unit_at_hand.py
    TestNameplate::test_every_difference_is_named
    TestNameplate::test_pre_flight_refuses
    TestSerial::test_another_one_is_refused
    TestReplacement::test_one_that_is_not_acceptable_is_refused
    TestProof::test_its_check_has_to_exist
  profile/test_open_points.py
    TestParts::test_an_over_stressed_part_that_stayed_in_is_open
    TestDraftedLimits::test_they_are_one_point_that_names_each
    TestAfterwards::test_a_point_is_settled_by_its_check_alone
    TestAfterwards::test_what_fell_away_is_open
  run/test_cold.py
    TestSafetyTests::test_without_them_nothing_is_released
    TestSafetyTests::test_one_of_them_is_not_enough
    TestSafetyTests::test_a_tester_the_bench_does_not_have_keeps_it_open
  record/test_examine.py
    TestVerify::test_a_renamed_folder_releases_nothing
  profile/test_drafted.py
    TestMark::test_is_a_word_in_the_comment_behind_a_figure
    TestMark::test_a_draft_bears_it_behind_every_assumed_figure
  acceptance/test_gate.py
    TestRefused::test_another_unit_is_refused_before_any_instrument_is_opened
    TestNotReleased::test_a_part_that_was_over_stressed_and_stayed_in
    TestNotReleased::test_limits_that_are_still_drafted
    TestNotReleased::test_a_pre_check_passes_and_releases_nothing
  record/test_recorder.py
    TestRelease::test_an_open_point_or_a_pre_check_releases_nothing
  record/test_load.py
    TestOpenPoints::test_an_edited_release_with_one_is_none

12 what a run will ask is asked once before power
  bench/test_trial.py
    TestTrial::test_what_cannot_be_read_is_told_with_message_answer_and_line
  run/test_questions.py
    TestRefusal::test_nothing_is_energised_and_the_reason_says_what_is_right

13 each half hears that the other lives, and acts on what is fresh
  power/test_keeper.py
    TestSilence::test_a_silent_client_cuts_power
  power/test_keeper_client.py
    TestSignsOfLife::test_any_message_is_one
    TestFresh::test_an_old_sample_is_recorded_and_not_acted_on
    TestFresh::test_nothing_but_old_samples_cuts_power
  power/test_keeper_client_queue.py
    TestTurns::test_supply_and_meter_get_their_turns

14 the screen says whether power is on
  watch/test_view.py
    TestPower::test_it_is_on_from_before_output_on_is_sent_until_off_is_confirmed
    TestPower::test_it_counts_as_on_before_it_is_sent
  watch/test_terminal.py
    TestDrawn::test_power_on_stands_before_it_returns
    TestDrawn::test_a_question_has_power_above_it
    TestDrawn::test_cut_the_mains_is_the_last_word
  watch/test_feed.py
    TestSilence::test_a_journal_that_is_silent_under_power_tells_nothing
  acceptance/test_endings.py
    TestScreen::test_it_says_that_power_is_on_and_how_it_ended
    TestScreen::test_an_output_that_stays_on_is_told_first_and_ends_in_6

15 all that gives or takes power goes off on every way out
  power/test_keeper.py
    TestFailures::test_the_load_is_switched_off_even_when_the_supply_is_given_up
  power/test_keeper_client.py
    TestKeeperLost::test_a_load_that_is_gone_does_not_keep_the_supply_on
  power/test_local_keeper.py
    TestPowerOff::test_a_dead_load_does_not_keep_the_supply_on
  power/test_switch.py
    TestWaysOff::test_both_are_told_before_either_is_asked
    TestWaysOff::test_a_supply_that_is_gone_does_not_keep_the_contact_closed
    TestWaysOff::test_a_switch_that_is_gone_does_not_keep_the_output_on
  power/test_pins.py
    TestWayOff::test_it_goes_off_with_the_supply
    TestWayOff::test_it_is_told_off_where_the_link_of_the_supply_is_gone
    TestWayOff::test_without_a_keeper_too
  acceptance/test_safety_rules.py
    TestUnderPower::test_every_run_ends_with_off_confirmed
  power/test_hand_moves.py
    TestReadings::test_silence_of_the_engine_opens_the_contact
    TestLoads::test_without_a_switch_they_are_told_first
  profile/test_by_hand.py
    TestPlan::test_without_a_switch_nothing_above_extra_low_voltage_and_no_release
"""


def proofs() -> dict[int, list[str]]:
    """Return the tests of each rule as pytest names them."""
    found: dict[int, list[str]] = {}
    rule, file = 0, ""
    for line in RULES.splitlines():
        match line.split():
            case [number, _, *_] if number.isdigit():
                rule = int(number)
                found[rule] = []
            case [name] if name.endswith(".py"):
                file = f"tests/{name}"
            case [name]:
                found[rule].append(f"{file}::{name}")
    return found


class TestIndex:
    def test_each_rule_has_its_tests(self) -> None:
        """Each rule of the page of rules has at least one test here, under the same number."""
        text = (ROOT / "docs" / "safety-rules.md").read_text(encoding="utf-8")
        numbers = re.findall(r"^## (\d+)\. ", text, re.MULTILINE)
        assert list(proofs()) == list(map(int, numbers)) == list(range(1, 16))
        assert [number for number, named in proofs().items() if not named] == []

    @pytest.mark.parametrize("proof", [proof for named in proofs().values() for proof in named])
    def test_each_proof_exists(self, proof: str) -> None:
        """Each test that is named here is there, and runs wherever tests run."""
        file, _, name = proof.partition("::")

        assert name in specified_in(ROOT / file)


class Tapped:
    """A simulated instrument whose wire is listened to."""

    def __init__(self, device: SimulatedInstrument) -> None:
        self._device = device
        self._incoming = b""
        self.messages: list[str] = []

    def write(self, data: bytes) -> None:
        """Note whole messages on their way."""
        *whole, self._incoming = (self._incoming + data).split(b"\n")
        self.messages += [line.decode("ascii") for line in whole]
        self._device.write(data)

    def take(self) -> bytes:
        """Hand on a whole answer."""
        return self._device.take()


class Rehearsal:
    """A rehearsal of a shipped profile with every message to the supply noted."""

    def __init__(
        self,
        profile: str,
        fault: str | None = None,
        bend: Callable[[BenchFile], BenchFile] = lambda file: file,
    ) -> None:
        self.profile = load_profile(profile)
        file = simulated_bench_file(self.profile)
        clock = SimulatedClock()
        self.bench = SimulatedBench(simulated_unit(self.profile, fault), file, clock)
        self.supply = Tapped(self.bench.devices[file.supply.resource])
        self.bench.devices[file.supply.resource] = self.supply  # type: ignore[assignment]
        sink = MemoryRecorder(serial="HRW-0007", started=STARTED)
        bent = bend(file)
        self.result: RunResult = carry_out(
            plan_for(self.profile, bent),
            connect=lambda: open_bench(bent, clock, library=self.bench.library()),
            clock=clock,
            sink=sink,
            info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True, fault=fault),
        )
        self.record: Record = sink.frames()

    def settings(self, header: str) -> list[float]:
        """Return the values that were set under a header, in their order."""
        sent = (message.partition(" ") for message in self.supply.messages)
        return [float(value) for name, _, value in sent if name == header]


def supply_with(**changes: object) -> Callable[[BenchFile], BenchFile]:
    """Return a function that changes the supply of a bench."""

    def bend(file: BenchFile) -> BenchFile:
        return file.model_copy(update={"supply": file.supply.model_copy(update=changes)})

    return bend


MISFITS = {
    "another supply": supply_with(identity="somebody else's"),
    "overdue": supply_with(calibration_due=dt.date(2026, 11, 24)),
    "range too small": lambda file: supply_with(
        range=file.supply.range.model_copy(update={"voltage_v": 20.0})
    )(file),
}


class TestBeforePower:
    @pytest.mark.parametrize("misfit", MISFITS)
    def test_a_bench_that_does_not_fit_is_only_asked(self, misfit: str) -> None:
        """Rule 1: where pre-flight says no, the supply was asked and cleared, and nothing set."""
        refused = Rehearsal(DC, bend=MISFITS[misfit])

        assert refused.result.outcome is Outcome.REFUSED
        assert refused.result.exit_code == 5
        sent = [message for message in refused.supply.messages if not message.endswith("?")]
        assert set(sent) <= {"*CLS"}
        assert not refused.bench.circuit.source_on

    @pytest.mark.parametrize("profile", [DC, AC])
    def test_a_run_energises_in_the_order_of_the_rule(self, profile: str) -> None:
        """Rule 2: cleared, off and asked, then protection, limit, voltage, then on and asked."""
        messages = Rehearsal(profile).supply.messages
        on = messages.index("OUTP ON")
        before = [re.sub(r" [\d.]+$", " x", message) for message in messages[:on]]
        last = {message: at for at, message in enumerate(before)}
        order = ("OUTP OFF", "OUTP?", "VOLT:PROT x", "VOLT:PROT?", "CURR x", "CURR?", "VOLT x")

        assert [last[message] for message in order] == sorted(last[message] for message in order)
        assert "*CLS" in before[: last["OUTP OFF"]]
        assert messages[on + 1] == "OUTP?"

    @pytest.mark.parametrize("profile", [DC, AC])
    def test_no_setting_of_a_run_is_outside_the_envelope(self, profile: str) -> None:
        """Rule 3: no voltage, limit or protection that went out was above the envelope."""
        run = Rehearsal(profile)
        envelope = run.profile.envelope

        assert 0 < max(run.settings("VOLT")) <= envelope.voltage_v
        assert 0 < max(run.settings("CURR")) <= envelope.current_a
        assert set(run.settings("VOLT:PROT")) == {envelope.voltage_v}


class TestUnderPower:
    @pytest.mark.parametrize(
        ("profile", "fault"),
        [(AC, "shorted-varistor"), (AC, "leaky-bulk-capacitor"), (DC, "shorted-input")],
    )
    def test_off_follows_the_reading_that_trips(self, profile: str, fault: str) -> None:
        """Rules 4 and 6: between the last sample and output off the supply hears nothing."""
        tripped = Rehearsal(profile, fault)
        messages = tripped.supply.messages
        off = messages.index("OUTP OFF", messages.index("OUTP ON"))

        assert tripped.result.outcome is Outcome.TRIPPED
        assert messages[off - 1].startswith("MEAS:VOLT?")
        assert messages[off : off + 2] == ["OUTP OFF", "OUTP?"]
        assert "OUTP ON" not in messages[off:]

    def test_a_level_that_would_need_too_much_is_never_set(self, tmp_path: Path) -> None:
        """Rule 7: a leak that half the voltage bears is not taken to where it exceeds the limit.

        Without a known capacitance no charge budget finds it first.
        """
        source = shipped("profiles", DC)
        assert source is not None
        text = re.sub(r"bulk_capacitance.*\n", "", source.read_text(encoding="utf-8"))
        (tmp_path / "unknown.toml").write_text(text, encoding="utf-8")
        run = Rehearsal(str(tmp_path / "unknown.toml"), "leaky-bulk-capacitor")
        [limit_a] = set(run.settings("CURR"))

        assert run.result.trip is not None
        assert run.result.trip.reason is TripReason.EXPECTED_OVER_LIMIT
        readings = run.record.readings
        currents = readings.query("quantity == 'current' and level != '10 %'")["value"]
        assert currents.max() < limit_a
        assert len(run.settings("VOLT")) < 5

    @pytest.mark.parametrize(
        ("profile", "fault"),
        [(DC, None), (AC, None), (DC, "intermittent-contact"), (AC, "no-start")],
    )
    def test_every_run_ends_with_off_confirmed(self, profile: str, fault: str | None) -> None:
        """Rule 8: completed or cut, the last the supply hears is off, and the question for it."""
        run = Rehearsal(profile, fault)

        last = len(run.supply.messages) - 1 - run.supply.messages[::-1].index("OUTP OFF")
        after = run.supply.messages[last + 1 :]
        assert after[0] == "OUTP?"
        assert all(message.startswith("MEAS:") for message in after[1:])  # and it is measured
        assert not run.bench.circuit.source_on
        events = run.record.events
        states = events[events["kind"].isin(["power on", "power off"])]
        assert tuple(states.iloc[-1][["kind", "detail"]]) == ("power off", "confirmed")
        assert events.iloc[-1]["kind"] == "off measured"


class TestCautions:
    @pytest.mark.parametrize("profile", [DC, AC])
    def test_the_plan_prints_every_caution(self, profile: str) -> None:
        """Rule 10: `softwake plan` prints each caution that belongs to the unit."""
        printed = one_line(CliRunner().invoke(app, ["plan", profile]).output)
        cautions = plan_for(load_profile(profile)).cautions

        assert "Local codes and licensed practice come first" in printed
        assert [caution for caution in cautions if one_line(caution) not in printed] == []

    @pytest.mark.parametrize("profile", [DC, AC])
    def test_the_report_prints_every_caution(self, profile: str, tmp_path: Path) -> None:
        """Rule 10: the report carries the cautions of the plan it was made from."""
        loaded = load_profile(profile)
        folder = rehearse_profile(loaded, results=tmp_path).folder
        assert folder is not None
        page = (folder / "report.html").read_text(encoding="utf-8")
        text = one_line(html.unescape(re.sub(r"<[^>]+>", " ", page)))
        cautions = plan_for(loaded, simulated_bench_file(loaded)).cautions

        assert [caution for caution in cautions if one_line(caution) not in text] == []

    @pytest.mark.parametrize("fault", [None, "output-low", "shorted-input"])
    def test_no_record_calls_the_unit_safe(self, fault: str | None, tmp_path: Path) -> None:
        """Rule 10: however a run ends, no file of its record holds the word."""
        folder = rehearse_profile(DC, fault=fault, results=tmp_path).folder
        assert folder is not None
        texts = {path.name: path.read_text(encoding="utf-8") for path in folder.iterdir()}
        called = re.compile(r"\bsafe(?!ty)", re.IGNORECASE)  # "safety tests" say nothing of it

        assert "report.html" in texts
        assert [name for name, text in texts.items() if called.search(text)] == []


def one_line(text: str) -> str:
    return " ".join(text.split())


@cache
def specified_in(file: Path) -> frozenset[str]:
    """Return the tests of a file, with their class if any; one that may not run is none."""
    found: set[str] = set()
    for node in ast.parse(file.read_text(encoding="utf-8")).body:
        match node:
            case ast.FunctionDef() if always_runs(node):
                found.add(node.name)
            case ast.ClassDef(name=group, body=body):
                tests = (part for part in body if isinstance(part, ast.FunctionDef))
                found |= {f"{group}::{test.name}" for test in tests if always_runs(test)}
    return frozenset(found)


def always_runs(test: ast.FunctionDef) -> bool:
    marks = " ".join(ast.unparse(mark) for mark in test.decorator_list)
    return test.name.startswith("test_") and not re.search(r"mark\.(skip|xfail|torture)", marks)
