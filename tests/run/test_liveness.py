from __future__ import annotations

from harness.run.liveness import Liveness

RAIL, TEMPERATURE = "meter.voltage_dc", "meter.temperature"


def read(live: Liveness, measure: str, *values: float) -> None:
    for time_s, value in enumerate(values):
        live.add(measure, float(time_s), value)


class TestLiveness:
    def test_a_hold_waits_until_any_digit_has_moved(self) -> None:
        """The same value again shows nothing; the last digit of it is enough."""
        live = Liveness()
        read(live, RAIL, 5.0, 5.0)
        hold = live.end_hold({RAIL: 5.0})

        read(live, RAIL, 5.0, 5.0)
        assert live.standing([(hold, RAIL)]) == (RAIL,)
        assert live.waited_for == (RAIL,)
        read(live, RAIL, 5.0001)
        assert live.standing([(hold, RAIL)]) == ()
        assert live.waited_for == ()

    def test_movement_within_the_hold_does_not_count(self) -> None:
        """Readings that froze in the middle of a hold moved before, and prove nothing after."""
        live = Liveness()
        read(live, RAIL, 4.99, 5.0, 5.0)
        hold = live.end_hold({RAIL: 5.0})

        assert live.standing([(hold, RAIL)]) == (RAIL,)

    def test_each_hold_waits_for_itself(self) -> None:
        """A reading that lived after the first hold may have frozen in the second."""
        live = Liveness()
        read(live, RAIL, 5.0)
        first = live.end_hold({RAIL: 5.0})
        read(live, RAIL, 4.9)
        second = live.end_hold({RAIL: 4.9})

        assert live.standing([(first, RAIL), (second, RAIL), (second, RAIL)]) == (RAIL,)
        assert live.standing([(first, RAIL)]) == ()

    def test_a_temperature_need_not_follow_power(self) -> None:
        """Of a temperature any change since its first reading counts; without one, nothing."""
        moved, stood = Liveness(), Liveness()
        read(moved, TEMPERATURE, 23.0, 23.1, 23.1)
        read(stood, TEMPERATURE, 23.0, 23.0, 23.0)
        holds = [live.end_hold({TEMPERATURE: live.last(TEMPERATURE)}) for live in (moved, stood)]

        assert moved.standing([(holds[0], TEMPERATURE)]) == ()
        assert stood.standing([(holds[1], TEMPERATURE)]) == (TEMPERATURE,)
        assert stood.waited_for == ()  # power off does not move it

    def test_it_is_known_when_a_reading_last_changed(self) -> None:
        """A first reading is no change."""
        live = Liveness()
        read(live, RAIL, 5.0, 5.0)
        assert live.changed_s(RAIL) is None
        live.add(RAIL, 7.0, 5.1)
        live.add(RAIL, 8.0, 5.1)

        assert live.changed_s(RAIL) == 7.0
