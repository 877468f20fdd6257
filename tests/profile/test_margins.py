"""Levels that leave a healthy unit little room: what the plan says of them, and that it is so."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.api import plan_for, rehearse_profile, simulated_bench_file
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.rehearse.circuit.source import DC_SUPPLY
from harness.run.result import RunResult

DC = """
title = "small board"
[unit]
protection_class = "III"
input = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "42 mA", \
bulk_capacitance = "20 uF", idle_power = "0.1 W", start_threshold = "7.2 V" }
output = { main = { kind = "dc", nominal = "5 V", current = "0.12 A" } }
[envelope]
voltage = "26.4 V"
current = "100 mA"
power   = "2.5 W"
[[steps]]
kind = "start"
levels = ["24 %", "50 %", "75 %", "100 %"]
current_limit = "22 mA"
dwell = "1 s"
"""
FIVE = """
title = "5 V board"
[unit]
protection_class = "III"
input = { kind = "dc", nominal = "5 V", tolerance = "10 %", current = "6 A", \
bulk_capacitance = "47 uF", idle_power = "3 W", start_threshold = "1.5 V" }
output = { main = { kind = "dc", nominal = "3.3 V", current = "5 A" } }
[envelope]
voltage = "5.5 V"
current = "7.5 A"
power   = "40 W"
[[steps]]
kind = "start"
levels = ["25 %", "50 %", "75 %", "100 %"]
current_limit = "3.1 A"
dwell = "1 s"
"""
AC = """
title = "small mains unit"
[unit]
protection_class = "II"
input = { kind = "ac", nominal = "120 V", tolerance = "10 %", frequency = ["60 Hz"], \
current = "0.14 A", bulk_capacitance = "330 uF", idle_power = "0.8 W", start_threshold = "60 V" }
output = { main = { kind = "dc", nominal = "5 V", current = "1 A" } }
[envelope]
voltage = "132 V"
current = "170 mA"
power   = "20 W"
[[steps]]
kind = "start"
levels = ["10 %", "20 %", "30 %", "40 %", "70 %", "80 %", "90 %", "100 %"]
current_limit = "110 mA"
dwell = "1 s"
"""
LOAD = """
[[steps]]
kind = "load"
currents = ["0 A", "1 A"]
dwell = "1 s"
"""

Planned = Callable[..., Plan]
Rehearsed = Callable[..., RunResult]


@pytest.fixture
def planned(written: Callable[[str], str]) -> Planned:
    """Return a function that plans a text, changed in places, for the simulated bench."""

    def plan(text: str, *changes: tuple[str, str]) -> Plan:
        profile = load_profile(written(changed(text, *changes)))
        return plan_for(profile, simulated_bench_file(profile))

    return plan


@pytest.fixture
def rehearsed(written: Callable[[str], str]) -> Rehearsed:
    """Return a function that rehearses a text, changed in places, on a healthy unit."""
    return lambda text, *changes: rehearse_profile(load_profile(written(changed(text, *changes))))


def changed(text: str, *changes: tuple[str, str]) -> str:
    for old, new in changes:
        assert old in text
        text = text.replace(old, new)
    return text


def tight(plan: Plan) -> list[str]:
    """Return what the plan says of levels with little room."""
    return [note for note in plan.notes if "a healthy unit can trip" in note.lower()]


class TestAllowedFor:
    @pytest.mark.parametrize(
        ("text", "why"),
        [
            pytest.param(DC, "220 uF across the supply beside 20 uF of the unit's", id="beside"),
            pytest.param(FIVE, "60 mohm of leads and the unit's diode at 1.2 A", id="leads"),
        ],
    )
    def test_what_is_no_fault_of_the_unit_trips_nothing(
        self, planned: Planned, rehearsed: Rehearsed, text: str, why: str
    ) -> None:
        """What the bench has by itself is allowed for: nothing to say, and the unit starts."""
        result = rehearsed(text)

        assert (DC_SUPPLY.output_capacitance_f, DC_SUPPLY.wiring_ohm) == (220e-6, 0.06)
        assert tight(planned(text)) == []
        assert result.outcome == "completed", (why, result.reason)


class TestLongInLimit:
    def test_says_how_long_the_source_stays_in_its_limit(self, planned: Planned) -> None:
        """Filling over averaging window: 330 uF from 48 V to 84 V (rms) at 110 mA.

        E = C (V1^2 - V0^2) = 1.568 J, at half of 84 V times 110 mA 0.34 s (textbook, worked).
        """
        (note,) = (note for note in tight(planned(AC)) if "energy_budget" in note)

        assert note.startswith(
            "Step 1 (start), 70 %: to fill the bulk capacitor the source stays in its limit for "
            "0.34 s, 6.8 times what it averages its readings over."
        )

    def test_a_healthy_unit_does_trip_there(self, rehearsed: Rehearsed) -> None:
        """A source that stays in its limit that long cuts a healthy unit off."""
        trip = rehearsed(AC).trip

        assert trip is not None
        assert trip.reason == "energy_budget"

    def test_closer_levels_and_less_capacitance_have_room(
        self, planned: Planned, rehearsed: Rehearsed
    ) -> None:
        """Where the source is soon out of its limit, nothing is said, and nothing trips."""
        smaller = ("330 uF", "56 uF")

        assert tight(planned(AC, smaller)) == []
        assert rehearsed(AC, smaller).outcome == "completed"

    def test_without_a_bench_the_window_is_not_known(self, written: Callable[[str], str]) -> None:
        """Without a bench, or with one of the other kind, nothing is said of averaging."""
        profile = load_profile(written(AC))

        assert tight(plan_for(profile)) == []
        assert tight(plan_for(profile, load_bench("bench-simulated-dc"))) == []


class TestSurge:
    def test_says_what_the_source_may_read(self, planned: Planned) -> None:
        """Peaks of four times the limit that carry the level's charge, within one window.

        1.2 times 100 uF from 48 V to 84 V (rms) take 6.11 mC; at 110 mA and 50 ms the root of
        4 I Q / W is 232 mA (textbook, worked).
        """
        (note,) = (
            note for note in tight(planned(AC, ("330 uF", "100 uF"))) if "over_current" in note
        )

        assert note == (
            "Step 1 (start), 70 %: before the source has come down to its limit it may read 232 mA "
            "for a moment, the envelope is 170 mA. A healthy unit can trip on over_current: put in "
            "more levels, or lower the limit."
        )

    def test_a_healthy_unit_does_trip_there(self, planned: Planned, rehearsed: Rehearsed) -> None:
        """A high limit and a long way at once: a reading leaves the envelope; else it starts."""
        far = ('"20 %", "30 %", "40 %", "70 %", "80 %", "90 %"', '"40 %"')
        changes = (("330 uF", "68 uF"), far)
        trip = rehearsed(AC, *changes, ('"110 mA"', '"160 mA"')).trip

        assert trip is not None
        assert trip.reason == "over_current"
        assert any("over_current" in note for note in tight(planned(AC, *changes)))
        assert rehearsed(AC, *changes).outcome == "completed"


class TestHalfCycles:
    def test_says_where_the_capacitor_is_empty_too_soon(self, planned: Planned) -> None:
        """A capacitor that cannot bridge half a period with what the unit draws is named."""
        loaded = AC + LOAD
        small = ("330 uF", "2 uF")
        (note,) = tight(planned(loaded, small))

        assert note.startswith("Step 2 (load), 1 A: 2 uF are empty before the next half-cycle")
        assert "can trip on unsettled" in note
        assert tight(planned(loaded, ("330 uF", "22 uF"))) == []

    def test_a_healthy_unit_does_trip_there(self, rehearsed: Rehearsed) -> None:
        """Its converter stops and starts under load, and the readings do not come to rest."""
        trip = rehearsed(AC + LOAD, ("330 uF", "2 uF")).trip

        assert trip is not None
        assert trip.reason == "unsettled"
        assert rehearsed(AC + LOAD, ("330 uF", "22 uF")).outcome == "completed"

    def test_the_idle_power_alone_may_be_too_much(self, planned: Planned) -> None:
        """Just above the threshold idle power empties what nominal voltage leaves full."""
        heavy = (("330 uF", "2 uF"), ("0.8 W", "3 W"))

        (note,) = tight(planned(AC, *heavy))

        assert note.startswith("Step 1 (start), 70 %: 2 uF are empty")


def test_the_shipped_profiles_have_room(shipped_profile: str) -> None:
    """No shipped profile leaves its unit so little."""
    profile = load_profile(shipped_profile)

    assert tight(plan_for(profile, simulated_bench_file(profile))) == []
    assert tight(plan_for(profile)) == []
