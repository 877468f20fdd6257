"""Whole rehearsals with a source that a hand sets: it turns, and what it does wrong is cut."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.profile.bench_file import BenchFile
from harness.profile.hand_set import SeriesLamp
from harness.rehearse.hand_source import Hand
from harness.rehearse.simulated_bench import SimulatedBench
from tests.run.hand_bench import HEAD, LOADED, NOMINAL, Ran, bench_by_hand, rehearse_by_hand


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Ran:
    """Start, nominal voltage and a load by resistor, with a steady hand."""
    return rehearse_by_hand(tmp_path_factory.mktemp("whole"), HEAD + NOMINAL + LOADED)


class TestSteady:
    def test_a_healthy_unit_passes(self, whole: Ran) -> None:
        """Every check passes, power is off and confirmed, and the contact is open."""
        assert whole.result is not None
        assert whole.result.exit_code == 0, whole.result.reason
        assert set(whole.checks["verdict"]) == {"pass"}
        assert not whole.simulated.contact_closed

    def test_each_level_says_what_to_turn_to(self, whole: Ran) -> None:
        """What to turn to comes with the level, and when it is there."""
        assert whole.told("turn")[0] == "to 12 V: between 11 V and 13 V, at most 24 V in a second"
        assert len(whole.told("turned")) == len(whole.told("turn")) == 7
        assert whole.told("turned")[0].endswith("V: stop turning")

    def test_it_begins_at_zero_with_the_lamp_in_and_is_loaded_without(self, whole: Ran) -> None:
        """The transformer is at zero whenever the contact closes; a loaded unit has no lamp."""
        assert whole.told("feed") == ["at zero, the lamp in series", "at zero, the lamp bridged"]

    def test_the_contact_closes_last_and_no_power_is_behind_it_before(self, whole: Ran) -> None:
        """Open, nothing at the power meter, loads off, and only then closed."""
        roles = [message for role, message in whole.said if role == "switch"]
        closed = roles.index("ROUT:CLOS (@1)")
        assert "ROUT:OPEN (@1)" in roles[:closed]
        at = whole.said.index(("switch", "ROUT:CLOS (@1)"))
        assert whole.said[at - 1][0] == "power_meter"

    def test_readings_of_the_feed_are_the_power_meters(self, whole: Ran) -> None:
        """Nothing in the record claims to come from a supply that no link leads to."""
        sources = set(whole.readings["source"])
        assert "power_meter" in sources
        assert "supply" not in sources


class TestWrongHand:
    @pytest.mark.parametrize(
        ("hand", "reason"),
        [
            ("too far", "turned_too_far"),
            ("too fast", "turned_too_fast"),
            ("asleep", "not_turned"),
            ("not at zero", "turned_too_far"),
        ],
    )
    def test_power_is_cut(self, tmp_path: Path, hand: Hand, reason: str) -> None:
        """Too far, too fast, not at all, or not from zero: cut by the switch, and told."""
        ran = rehearse_by_hand(tmp_path, hand=hand)

        assert ran.result is not None
        assert ran.result.trip is not None
        assert ran.result.trip.reason == reason
        assert ran.result.exit_code == 3
        assert not ran.simulated.contact_closed

    def test_nobody_turns_for_as_long_as_the_bench_file_has_patience(self, tmp_path: Path) -> None:
        """The time is the bench file's, and below the threshold 20 s at most."""
        file = bench_by_hand()
        hasty = file.by_hand and file.by_hand.model_copy(update={"patience_s": 3.0})
        ran = rehearse_by_hand(
            tmp_path, hand="asleep", bench=file.model_copy(update={"supply": hasty})
        )

        [turned] = ran.events[ran.events["kind"] == "turn"]["time_s"]
        [cut] = ran.events[ran.events["kind"] == "trip"]["time_s"]
        assert 3.0 <= cut - turned < 3.5


class TestBeforePower:
    def test_a_switch_that_does_not_answer_refuses_the_run(self, tmp_path: Path) -> None:
        """Nothing is energised without the one way off."""

        def silent(_: SimulatedBench, key: str, message: str) -> str | None:
            return "\0" if key == "switch" and message == "ROUT:CLOS? (@1)" else None

        ran = rehearse_by_hand(tmp_path, bend=silent)

        assert ran.result is not None
        assert ran.result.exit_code == 5, ran.result.reason
        assert "switch" in ran.result.reason
        assert ("switch", "ROUT:CLOS (@1)") not in ran.said

    def test_power_that_is_there_before_the_contact_closes_refuses_it(self, tmp_path: Path) -> None:
        """A contact that is welded already, with the transformer up: never called energised."""

        def weld(simulated: SimulatedBench, *_: str) -> None:
            simulated.welded, simulated.has_mirror_contact = True, False

        ran = rehearse_by_hand(tmp_path, hand="not at zero", bend=weld)

        assert ran.unconfirmed is not None
        assert ("switch", "ROUT:CLOS (@1)") not in ran.said


class TestLamp:
    def test_no_level_is_entered_that_the_lamp_leaves_no_voltage_for(self, tmp_path: Path) -> None:
        """Safety rule 7: 5 W in series take 55 V of what idle power draws at 120 V."""
        file = bench_by_hand()
        assert file.by_hand is not None
        small = SeriesLamp.model_validate({"voltage": "120 V", "power": "5 W"})
        hand = file.by_hand.model_copy(update={"lamp": small})
        ran = rehearse_by_hand(tmp_path, bench=file.model_copy(update={"supply": hand}))

        assert ran.result is not None
        assert ran.result.trip is not None
        assert ran.result.trip.reason == "expected_over_limit"
        assert "the lamp would take" in ran.result.trip.detail
        assert ran.readings[ran.readings["quantity"] == "voltage"]["value"].max() < 50.0


class TestFaults:
    def test_a_short_is_cut_in_the_first_volts(self, tmp_path: Path) -> None:
        """A shorted bridge diode: cut below the first level, whatever the lamp lets through."""
        ran = rehearse_by_hand(tmp_path, fault="shorted-input")

        assert ran.result is not None
        assert ran.result.trip is not None
        assert ran.result.trip.reason in {"limit_passed", "energy_budget", "not_turned"}
        volts = ran.readings[ran.readings["quantity"] == "voltage"]["value"].max()
        assert volts < 12.0

    def test_one_reading_outside_opens_the_contact_next(self, tmp_path: Path) -> None:
        """Safety rules 4 and 15: the message after the bad reading opens the contact."""

        def jump(simulated: SimulatedBench, key: str, message: str) -> str | None:
            at_nominal = key == "power_meter" and simulated.circuit.source_voltage_v() > 100.0
            return "140;0.03;1.5" if at_nominal and "VOLT?" in message else None

        ran = rehearse_by_hand(tmp_path, bend=jump)

        assert ran.result is not None
        assert ran.result.trip is not None
        assert ran.result.trip.reason == "over_voltage"
        opened = [at for at, said in enumerate(ran.said) if said == ("switch", "ROUT:OPEN (@1)")]
        after = next(at for at in opened if ("switch", "ROUT:CLOS (@1)") in ran.said[:at])
        assert ran.said[after - 1][0] == "power_meter"

    @pytest.mark.parametrize("answer", ["9.91E37;0;0", "none", "12.0"])
    def test_a_meter_that_gives_garbage_cuts(self, tmp_path: Path, answer: str) -> None:
        """What is no number is a trip, and off is confirmed by the readings after it."""
        spoilt: list[str] = []

        def garbage(simulated: SimulatedBench, key: str, message: str) -> str | None:
            begun = simulated.circuit.source_voltage_v() > 20.0 and simulated.contact_closed
            if key == "power_meter" and "VOLT?" in message and begun and not spoilt:
                spoilt.append(message)
                return answer
            return None

        ran = rehearse_by_hand(tmp_path, bend=garbage)

        assert ran.result is not None
        assert ran.result.trip is not None
        assert ran.result.trip.reason == "no_reading"
        assert ran.result.output.value.startswith("off")

    def test_a_welded_contact_is_power_that_may_still_be_on(self, tmp_path: Path) -> None:
        """A contact that does not open is told in capitals, and nothing says that power is off."""

        def weld(simulated: SimulatedBench, key: str, _: str) -> None:
            if key == "power_meter" and simulated.circuit.source_voltage_v() > 100.0:
                simulated.welded = True

        ran = rehearse_by_hand(tmp_path, bend=weld)

        assert ran.unconfirmed is not None
        assert "OUTPUT OFF COULD NOT BE CONFIRMED" in str(ran.unconfirmed)
        assert "THE CONTACT IN THE FEED IS NOT KNOWN TO BE OPEN" in str(ran.unconfirmed)

    def test_a_contact_that_lies_is_found_by_the_power_meter(self, tmp_path: Path) -> None:
        """A switch that only repeats what it is told: the readings say that power is there."""

        def weld(simulated: SimulatedBench, key: str, _: str) -> None:
            simulated.has_mirror_contact = False
            if key == "power_meter" and simulated.circuit.source_voltage_v() > 100.0:
                simulated.welded = True

        ran = rehearse_by_hand(tmp_path, bend=weld)

        assert ran.unconfirmed is not None
        assert "OUTPUT OFF COULD NOT BE CONFIRMED" in str(ran.unconfirmed)


class TestDischarge:
    """With a meter that stays across the bulk capacitor power is on as the discharge begins."""

    STEPS = """
[[steps]]
kind = "line"
voltages = ["90 %"]
frequencies = ["60 Hz"]
dwell = "0.5 s"
[[steps.checks]]
name = "idle power"
measure = "supply.power"
low = "0.8 W"
high = "2.7 W"

[[steps]]
kind = "discharge"
across = "bulk"
below = "60 V"
within = "60 s"
"""

    def test_who_turns_is_told_to_go_back_to_nominal(self, tmp_path: Path) -> None:
        """From the line step's voltage, before the fall is timed; else it would never be there."""
        bench = bench_by_hand()
        assert bench.meter is not None
        fixed = bench.meter.model_copy(update={"at": "bulk"})
        bench = bench.model_copy(update={"meter": fixed})
        ran = rehearse_by_hand(tmp_path, HEAD + NOMINAL + self.STEPS, bench=bench)

        assert ran.result is not None
        assert ran.result.trip is None, ran.result.reason
        assert [told.partition(":")[0] for told in ran.told("turn")][-2:] == [
            "to 108 V",
            "to 120 V",
        ]
        assert len(ran.told("discharge")) == 1


class TestWithoutSwitch:
    LOW = (
        HEAD.replace("120 V", "24 V")
        .replace('"55 V"', '"12 V"')
        .replace('"132 V"', '"26.4 V"')
        .replace('kind = "dc", nominal = "24 V"', 'kind = "dc", nominal = "5 V"')
        .replace('current_limit = "0.5 A"', 'current_limit = "1 A"')
    )

    @staticmethod
    def without_switch() -> BenchFile:
        """Return the bench with nothing in the feed that could cut."""
        bench = bench_by_hand()
        assert bench.by_hand is not None
        hand = bench.by_hand.model_copy(update={"lamp": None})
        return bench.model_copy(update={"switch": None, "supply": hand})

    def test_power_goes_off_by_hand_and_is_seen_to_be_gone(self, tmp_path: Path) -> None:
        """At extra-low voltage the person turns to zero, and the power meter shows it."""
        ran = rehearse_by_hand(tmp_path, self.LOW, bench=self.without_switch())

        assert ran.result is not None
        assert ran.result.outcome == "completed", ran.result.reason
        assert ran.told("turn")[-1].startswith("to 0 V: no switch cuts this source")
        assert ran.told("power off")[-1] == "confirmed"
        assert ran.result.verdict != "pass"

    def test_nobody_who_turns_to_zero_leaves_power_on(self, tmp_path: Path) -> None:
        """Power that nobody takes away is never called off."""

        def falls_asleep(simulated: SimulatedBench, *_: str) -> None:
            if simulated.circuit.source_voltage_v() > 20.0 and simulated.hand is not None:
                simulated.hand.hand = "asleep"

        bench = self.without_switch()
        ran = rehearse_by_hand(tmp_path, self.LOW, bench=bench, bend=falls_asleep)

        assert ran.unconfirmed is not None
