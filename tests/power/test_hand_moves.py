"""The keeper and a source set by hand, as a state machine: samples in, moves out."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.bench.sample import SupplySample
from harness.errors import CommandRefused, LinkTimeout
from harness.power.commands import Arm, Set, SwitchOff, SwitchOn, Watch
from harness.power.envelope import OperatingEnvelope
from harness.power.hand_moves import TurnWatch
from harness.power.keeper import Keeper
from harness.power.moves import Check, Confirm, Gone, Send
from harness.power.trip import TripReason
from harness.profile.hand_set import Turn
from harness.profile.level import Level

ENVELOPE = OperatingEnvelope(
    voltage_v=132.0, current_a=1.5, power_w=90.0, voltage_error_v=0.2, frequencies_hz=(60.0,)
)
OPEN = Send("switch", "contact_open")
IS_OPEN = Confirm("switch", "contact_state", expected=False)
CLOSE = Send("switch", "contact_close")
GONE = Gone("power_meter", pytest.approx(4.36), pytest.approx(0.0075))
TO_12 = Turn(low_v=11.0, high_v=13.0, most_v=14.5, fastest_v_per_s=24.0, longest_s=20.0)


def level(turn: Turn = TO_12, limit_a: float = 0.5) -> Level:
    return Level(
        label="10 %",
        voltage_v=0.5 * (turn.low_v + turn.high_v),
        current_limit_a=limit_a,
        dwell_s=1.0,
        frequency_hz=60.0,
        turn=turn,
    )


def sample(time_s: float, voltage_v: float, current_a: float = 0.01) -> SupplySample:
    watts = 0.5 * voltage_v * current_a
    return SupplySample(time_s, voltage_v, current_a, watts, limiting=None, protection=False)


def keeper() -> Keeper:
    return Keeper(
        ENVELOPE,
        supply=frozenset(),
        switch=frozenset({"contact_open", "contact_close", "contact_state"}),
        by_hand=True,
    )


def live() -> Keeper:
    """Return a keeper with the contact closed at the first level."""
    made = keeper()
    made.command(Arm(12.0, 0.5, 60.0), 0.0)
    made.command(Watch(level()), 0.0)
    made.command(SwitchOn(), 0.0)
    return made


class TestEnergising:
    def test_open_and_nothing_there_before_anything_else(self) -> None:
        """The contact is confirmed open, and the power meter reads nothing behind it."""
        assert keeper().command(Arm(12.0, 0.5, 60.0), 0.0) == (OPEN, IS_OPEN, GONE)

    def test_the_contact_closes_last(self) -> None:
        """Power comes with the contact, and with nothing else."""
        made = keeper()
        made.command(Arm(12.0, 0.5, 60.0), 0.0)
        assert made.command(SwitchOn(), 0.0)[0] == CLOSE

    def test_meter_and_contact_are_asked_again_while_power_is_on(self) -> None:
        """Readings belong to their questions, and the contact stays where it was told."""
        made = live()
        asked = [made.due(0.5 + 0.1 * step) for step in range(10)]
        assert Check("power_meter", "identity") in asked
        assert Confirm("switch", "contact_state", expected=True, kept=True) in asked

    def test_a_setting_goes_nowhere(self) -> None:
        """What the hand is told is no message to an instrument."""
        assert live().command(Set("voltage", 47.0), 1.0) == ()

    @pytest.mark.parametrize(
        "setting",
        [Set("voltage", 133.0), Set("current_limit", 1.6), Set("frequency", 50.0)],
        ids=str,
    )
    def test_nobody_is_told_what_lies_outside(self, setting: Set) -> None:
        """Safety rule 3 holds for what a hand is told as well."""
        with pytest.raises(CommandRefused):
            live().command(setting, 1.0)


class TestReadings:
    @pytest.mark.parametrize(
        ("read", "reason"),
        [
            (sample(0.1, 133.0), TripReason.OVER_VOLTAGE),
            (sample(0.1, 5.0, 1.6), TripReason.OVER_CURRENT),
            (sample(0.1, 5.0, 0.51), TripReason.LIMIT_PASSED),
            (sample(0.1, 14.6), TripReason.TURNED_TOO_FAR),
            (sample(0.1, 10.0), TripReason.TURNED_TOO_FAST),
            (sample(0.1, math.nan), TripReason.OVER_VOLTAGE),
            (sample(0.1, 5.0, math.nan), TripReason.OVER_CURRENT),
        ],
    )
    def test_one_outside_opens_the_contact_in_the_next_message(
        self, read: SupplySample, reason: TripReason
    ) -> None:
        """Envelope, limit, how far and how fast: the first move after the reading opens it."""
        made = live()
        moves = made.sample(read)
        assert made.trip is not None
        assert made.trip.reason is reason
        assert moves == (OPEN, IS_OPEN, GONE)

    def test_a_steady_hand_is_left_alone(self) -> None:
        """As fast as allowed up to the level: nothing is done."""
        made = live()
        for step in range(50):
            assert made.sample(sample(0.1 * step, min(2.4 * step, 12.5))) == ()

    def test_silence_of_the_engine_opens_the_contact(self) -> None:
        """A client that says nothing for half a second is gone."""
        assert live().tick(1.0, 0.6)[0] == OPEN

    def test_a_meter_that_does_not_answer_opens_the_contact(self) -> None:
        """Nobody watches any more, so power goes."""
        error = LinkTimeout("no answer", instrument="power meter")
        assert live().failed(None, error, 1.0)[0] == OPEN


class TestOff:
    def test_it_is_opened_confirmed_and_measured(self) -> None:
        """Off is what the contact says, and what the power meter reads."""
        assert live().command(SwitchOff(), 1.0) == (OPEN, IS_OPEN, GONE)

    @pytest.mark.parametrize("failing", [IS_OPEN, GONE], ids=["contact", "power meter"])
    def test_without_one_of_both_it_is_not_confirmed(self, failing: Confirm | Gone) -> None:
        """A contact that stays closed, or power that stays there, is never called off."""
        made = live()
        moves = made.command(SwitchOff(), 1.0)
        while moves:
            for move in moves:
                if move == failing:
                    moves = made.failed(move, LinkTimeout("no", instrument=move.role), 1.0)
                    break
                made.done(move)
            else:
                break
        assert made.unconfirmed


class TestTurnWatch:
    def test_a_jump_between_two_readings_is_too_fast(self) -> None:
        """What rises between two readings counts by the time between them."""
        watch = TurnWatch(ENVELOPE)
        watch.aim(Turn(low_v=100, high_v=120, most_v=130, fastest_v_per_s=24.0, longest_s=20.0))
        assert watch.add(sample(0.0, 0.0)) is None
        assert watch.add(sample(0.5, 12.0)) is None
        found = watch.add(sample(1.0, 28.0))
        assert found is not None
        assert found[0] is TripReason.TURNED_TOO_FAST

    def test_many_small_steps_add_up(self) -> None:
        """No reading alone is too fast, half a second of them is."""
        watch = TurnWatch(ENVELOPE)
        watch.aim(Turn(low_v=100, high_v=120, most_v=130, fastest_v_per_s=24.0, longest_s=20.0))
        found = None
        for step in range(60):
            found = found or watch.add(sample(0.01 * step, 0.6 * step))
        assert found is not None
        assert found[0] is TripReason.TURNED_TOO_FAST

    def test_down_from_a_higher_level_the_old_bound_holds_until_it_is_below(self) -> None:
        """A lower level leaves the hand the time to turn down, and then holds it there."""
        watch = TurnWatch(ENVELOPE)
        watch.aim(Turn(low_v=118, high_v=122, most_v=126, fastest_v_per_s=24.0, longest_s=20.0))
        assert watch.add(sample(0.0, 0.0)) is None
        for step in range(100):
            watch.add(sample(0.1 * step, 1.2 * step))
        watch.aim(Turn(low_v=106, high_v=110, most_v=113, fastest_v_per_s=24.0, longest_s=20.0))
        assert watch.add(sample(10.1, 119.0)) is None
        assert watch.add(sample(10.6, 112.0)) is None
        found = watch.add(sample(11.0, 113.5))
        assert found is not None
        assert found[0] is TripReason.TURNED_TOO_FAR

    def test_a_reading_that_is_no_number_is_too_far(self) -> None:
        """A comparison that cannot be made fails."""
        watch = TurnWatch(ENVELOPE)
        watch.aim(TO_12)
        found = watch.add(sample(0.0, math.nan))
        assert found is not None


class TestLoads:
    """An electronic load does not draw on while a person is waited for who turns down."""

    LOAD = frozenset({"set_current", "input_on", "input_off", "input_state"})
    OFF = Send("load", "input_off")
    IS_OFF = Confirm("load", "input_state", expected=False)

    def test_without_a_switch_they_are_told_first(self) -> None:
        """Nothing else cuts: told before the wait, which holds up no answer; confirmed after it."""
        made = Keeper(ENVELOPE, supply=frozenset(), loads={"load": self.LOAD}, by_hand=True)
        by_hand = replace(GONE, by_hand=True)

        moves = made.command(SwitchOff(), 0.0)
        assert moves == (self.OFF, by_hand, self.OFF, self.IS_OFF)
        # a load whose link is gone does not keep the person from being told
        assert made.failed(moves[0], LinkTimeout("no answer", instrument="load"), 0.0)[0] == by_hand

    def test_with_one_the_contact_cuts_first(self) -> None:
        """It opens at once, and without a source a load draws nothing but stored charge."""
        contact = frozenset({"contact_open", "contact_close", "contact_state"})
        made = Keeper(
            ENVELOPE, supply=frozenset(), loads={"load": self.LOAD}, switch=contact, by_hand=True
        )

        moves = made.command(SwitchOff(), 0.0)
        assert moves == (OPEN, IS_OPEN, GONE, self.OFF, self.IS_OFF)
