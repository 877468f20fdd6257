"""What the keeper keeps of a trip, word for word, and what a refusal says."""

from __future__ import annotations

import math
from typing import Literal

import pytest

from harness.bench.sample import SupplySample
from harness.errors import CommandRefused, LinkTimeout
from harness.power.commands import (
    OFF_ATTEMPTS,
    READBACK_FRAC,
    Arm,
    Set,
    SetVoltageProtection,
    SwitchOff,
    SwitchOn,
    Watch,
)
from harness.power.keeper import Keeper
from harness.power.moves import Check, Confirm, Send
from harness.power.trip import Trip, TripReason
from tests.power.test_keeper import LEVEL, LIMITS, LOAD, SUPPLY, armed, keeper, live, sample


class TestTrip:
    @pytest.mark.parametrize(
        ("reading", "reason", "detail"),
        [
            (
                sample(27.5, 0.1, time_s=3.25),
                TripReason.OVER_VOLTAGE,
                "27.5 V read, 26.4 V is the envelope",
            ),
            (
                sample(2.4, -1.75, time_s=3.25),
                TripReason.OVER_CURRENT,
                "-1.75 A read, 1.5 A is the envelope",
            ),
            (
                SupplySample(3.25, 24.0, 1.4, 40.0, None, False),  # noqa: FBT003
                TripReason.OVER_POWER,
                "40 W read, 36 W is the envelope",
            ),
            (
                sample(0.0, 0.001, time_s=3.25, protection=True),
                TripReason.PROTECTION,
                "at 0 V, 1 mA",
            ),
        ],
    )
    def test_a_reading(self, reading: SupplySample, reason: TripReason, detail: str) -> None:
        """What was read, what the envelope is, when, and that power was on."""
        machine = live()

        machine.sample(reading)

        assert machine.trip == Trip(reason=reason, detail=detail, time_s=3.25, live=True)

    def test_a_level_s_watch(self) -> None:
        """A finding of the watch keeps the time of its sample."""
        machine = live()
        machine.command(Watch(LEVEL), 0.0)

        machine.sample(sample(2.4, -0.5, time_s=2.5))

        assert machine.trip is not None
        assert (machine.trip.reason, machine.trip.time_s) == (TripReason.REVERSED_CURRENT, 2.5)

    def test_a_silent_client(self) -> None:
        """For how long, to three digits, and when that was seen."""
        machine = live()

        machine.tick(12.5, 7.65432)

        assert machine.trip == Trip(
            reason=TripReason.CLIENT_SILENT, detail="for 7.65 s", time_s=12.5, live=True
        )


class TestSetting:
    def test_a_frequency_is_set_and_read_back(self) -> None:
        """A frequency of the nameplate goes on the wire by its own operations."""
        machine = Keeper(LIMITS, supply=SUPPLY | {"frequency_setting"}, loads={"load": LOAD})
        machine.command(Arm(2.4, 0.3, frequency_hz=50.0), 0.0)

        assert machine.command(Set("frequency", 50.0), 0.0) == (
            Send("supply", "set_frequency", 50.0),
            Confirm(
                "supply",
                "frequency_setting",
                50.0,
                READBACK_FRAC * 50.0,
                "set_frequency",
            ),
            Check("supply", "errors"),
        )

    @pytest.mark.parametrize(
        ("quantity", "value", "text"),
        [
            ("frequency", 60.0, "keeper: a frequency of 60.0 Hz is not on the nameplate"),
            (
                "voltage",
                26.5,
                "keeper: a voltage of 26.5 V is outside the envelope (0 to 26.4 V)",
            ),
            (
                "current_limit",
                math.inf,
                "keeper: a current limit of inf A is outside the envelope (0 to 1.5 A)",
            ),
        ],
    )
    def test_a_refusal_says_where_and_why(self, quantity: str, value: float, text: str) -> None:
        """The whole message: who refuses, what was asked for, what is allowed."""
        with pytest.raises(CommandRefused) as refused:
            live().command(Set(quantity, value), 0.0)

        assert str(refused.value) == text

    def test_a_command_out_of_place_is_refused_by_name(self) -> None:
        """Which command, and where power stands."""
        with pytest.raises(CommandRefused) as refused:
            keeper().command(SwitchOn(), 0.0)

        assert str(refused.value) == "keeper: SwitchOn is not taken while power is off"

    def test_the_protection_is_moved_and_read_back(self) -> None:
        """A lowered protection goes on the wire by its own operations, and nothing beside it."""
        assert live().command(SetVoltageProtection(20.0), 0.0) == (
            Send("supply", "set_voltage_protection", 20.0),
            Confirm(
                "supply",
                "voltage_protection_setting",
                20.0,
                READBACK_FRAC * 20.0,
                "set_voltage_protection",
            ),
        )

    @pytest.mark.parametrize("quantity", ["voltage", "current_limit"])
    def test_zero_may_be_set(self, quantity: Literal["voltage", "current_limit"]) -> None:
        """No voltage and no current are inside every envelope."""
        moves = live().command(Set(quantity, 0.0), 0.0)

        assert moves[0] == Send("supply", f"set_{quantity}", 0.0)

    def test_a_protection_the_dialect_lacks_cannot_be_moved(self) -> None:
        """Nothing goes on the wire, and the message names the operation."""
        machine = Keeper(LIMITS, supply=frozenset(), loads={"load": LOAD})
        machine.command(Arm(2.4, 0.3), 0.0)
        machine.command(SwitchOn(), 0.0)

        with pytest.raises(CommandRefused) as refused:
            machine.command(SetVoltageProtection(20.0), 0.0)
        assert str(refused.value) == "keeper: the supply's dialect has no set_voltage_protection"


class TestSwitchingOff:
    def test_a_watch_ends_with_power(self) -> None:
        """A level that was watched before power went off is not watched when it comes again."""
        machine = live()
        machine.command(Watch(LEVEL), 0.0)
        machine.sample(sample(2.4, 0.3, time_s=0.0))
        machine.command(SwitchOff(), 0.0)
        machine.command(Arm(2.4, 0.3), 1.0)
        machine.command(SwitchOn(), 1.0)

        assert machine.sample(sample(2.4, 0.3, time_s=100.0)) == ()
        assert machine.trip is None

    def test_what_fails_after_off_was_confirmed_is_no_try_of_switching_off(self) -> None:
        """Once off is confirmed, a failure is a reason of its own."""
        machine = live()
        for move in machine.command(SwitchOff(), 0.0):
            machine.done(move)
        assert not machine.switching_off
        machine.command(Arm(2.4, 0.3), 1.0)

        machine.failed(None, LinkTimeout("no answer", instrument="supply"), 1.0)

        assert machine.trip is not None
        assert machine.trip.reason is TripReason.INSTRUMENT_SILENT

    def test_a_load_that_fails_is_told_off_as_often_as_the_supply(self) -> None:
        """Each failure of the load's off counts as a try; after the last nothing is sent."""
        machine = live()
        for move in machine.cut(TripReason.OVER_CURRENT, "", 0.0)[:2]:
            machine.done(move)
        off = Send("load", "input_off")
        sent = [
            machine.failed(off, LinkTimeout("no answer", instrument="load"), 0.0)
            for _ in range(OFF_ATTEMPTS)
        ]

        assert [bool(moves) for moves in sent] == [True] * (OFF_ATTEMPTS - 1) + [False]
        assert all(moves[0].role == "load" for moves in sent[:-1])

    def test_no_question_is_due_without_power(self) -> None:
        """What is asked between samples is asked while power is on, and only then."""
        on, off = live(), armed()

        assert on.due(1e6) is not None
        assert off.due(1e6) is None
