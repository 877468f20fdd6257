from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.run.readings import Liveness, Row, ThinnedRecord, window_s

RAIL, TEMPERATURE = "meter.voltage_dc", "meter.temperature"


def read(live: Liveness, measure: str, *values: float) -> None:
    for time_s, value in enumerate(values):
        live.add(measure, float(time_s), value)


class TestLiveness:
    def test_a_hold_waits_until_any_digit_has_moved(self) -> None:
        """The same value again shows nothing; the last digit of it is enough."""
        live = Liveness()
        read(live, RAIL, 5.0, 5.0)
        hold = live.end_hold([RAIL])

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
        hold = live.end_hold([RAIL])

        assert live.standing([(hold, RAIL)]) == (RAIL,)

    def test_each_hold_waits_for_itself(self) -> None:
        """A reading that lived after the first hold may have frozen in the second."""
        live = Liveness()
        read(live, RAIL, 5.0)
        first = live.end_hold([RAIL])
        read(live, RAIL, 4.9)
        second = live.end_hold([RAIL])

        assert live.standing([(first, RAIL), (second, RAIL), (second, RAIL)]) == (RAIL,)
        assert live.standing([(first, RAIL)]) == ()

    def test_a_temperature_need_not_follow_power(self) -> None:
        """Of a temperature any change since its first reading counts; without one, nothing."""
        moved, stood = Liveness(), Liveness()
        read(moved, TEMPERATURE, 23.0, 23.1, 23.1)
        read(stood, TEMPERATURE, 23.0, 23.0, 23.0)
        holds = [live.end_hold([TEMPERATURE]) for live in (moved, stood)]

        assert moved.standing([(holds[0], TEMPERATURE)]) == ()
        assert stood.standing([(holds[1], TEMPERATURE)]) == (TEMPERATURE,)
        assert stood.waited_for == ()  # power off does not move it

    def test_it_is_known_when_a_reading_last_changed(self) -> None:
        """A first reading is no change."""
        live = Liveness()
        read(live, RAIL, 5.0, 5.0)
        assert live.changed_s(RAIL) == -math.inf
        live.add(RAIL, 7.0, 5.1)
        live.add(RAIL, 8.0, 5.1)

        assert live.changed_s(RAIL) == 7.0


def supply(time_s: float, voltage_v: float = 24.0, current_a: float = 0.1) -> Row:
    values = (("voltage", voltage_v, "V"), ("current", current_a, "A"))
    return Row(time_s, "nominal", values, "supply")


def thinned(rows: list[Row], *, near_a: float = 1.0) -> tuple[ThinnedRecord, list[Row]]:
    written: list[Row] = []
    record = ThinnedRecord(written.append, 1.0, lambda row: not row.values[-1][1] < near_a)
    for row in rows:
        record.add(row)
    return record, written


class TestThinning:
    def test_a_window_leaves_its_extremes_and_its_last(self) -> None:
        """Of each window the lowest and highest of each quantity are kept, and the last row."""
        currents = [0.1, 0.2, 0.1, 0.05, 0.1, 0.12, 0.1]
        rows = [supply(0.1 * number, 24.0, each) for number, each in enumerate(currents)]
        record, written = thinned(rows)
        assert written == []
        record.flush()

        assert [row.time_s for row in written] == pytest.approx([0.0, 0.1, 0.3, 0.6])

    def test_a_window_ends_with_the_first_row_after_it(self) -> None:
        """What a window held back is written when the next one begins."""
        _, written = thinned([supply(0.01 * number) for number in range(250)])

        assert [row.time_s for row in written] == pytest.approx([0.0, 0.99, 1.0, 1.99])

    def test_each_quantity_of_the_meter_has_its_own(self) -> None:
        """Readings that come one by one do not hide each other."""
        rows = [
            Row(0.1 * number, "nominal", ((name, value, unit),), "meter")
            for number, (name, value, unit) in enumerate(
                [("voltage_dc", 5.0, "V"), ("temperature", 30.0, "degC")] * 4
            )
        ]
        record, written = thinned(rows, near_a=99.0)
        record.flush()

        assert [row.time_s for row in written] == pytest.approx([0.0, 0.1, 0.6, 0.7])

    def test_what_is_next_to_a_bound_is_written_at_once_and_in_order(self) -> None:
        """A row next to a bound goes into the record by itself, after what came before it."""
        rows = [supply(0.0), supply(0.1), supply(0.2, current_a=2.0), supply(0.3, current_a=2.0)]
        _, written = thinned(rows)

        assert [row.time_s for row in written] == [0.0, 0.1, 0.2, 0.3]

    def test_what_came_before_a_trip_is_written_in_full(self) -> None:
        """Asked for in full, a window gives every row of it, once."""
        rows = [supply(0.01 * number) for number in range(50)]
        record, written = thinned(rows)
        record.flush(in_full=True)

        assert written == rows

    @pytest.mark.parametrize(
        ("hold_s", "expected_s"), [(30.0, 1.0), (7200.0, 1.0), (86400.0, 12.0)]
    )
    def test_a_long_hold_has_longer_windows(self, hold_s: float, expected_s: float) -> None:
        """A day is recorded in no more windows than two hours are."""
        assert window_s(hold_s) == expected_s


@given(st.lists(st.floats(0.0, 0.9), min_size=1, max_size=300))
def test_no_extreme_is_lost(currents: list[float]) -> None:
    """Lowest and highest of every window, so of the whole, are in the record, in order of time."""
    rows = [supply(number / 64, current_a=each) for number, each in enumerate(currents)]
    record, written = thinned(rows)
    record.flush()

    for begin in range(0, len(rows), 64):
        window = rows[begin : begin + 64]
        kept = [row.values[1][1] for row in written if row in window]
        assert min(kept) == min(currents[begin : begin + 64])
        assert max(kept) == max(currents[begin : begin + 64])
        assert window[-1] in written
    assert [row.time_s for row in written] == sorted({row.time_s for row in written})
