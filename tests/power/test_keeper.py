from __future__ import annotations

import itertools
import math
from typing import TYPE_CHECKING

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from harness.bench.sample import SupplySample
from harness.errors import CommandRefused, LinkError, LinkTimeout, NoReading, ReportedError
from harness.power.commands import (
    OFF_ATTEMPTS,
    Arm,
    Command,
    KeeperState,
    LoadOff,
    Set,
    SetLoad,
    SwitchOff,
    SwitchOn,
    Watch,
)
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.moves import Confirm, Send
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.profile.measures import SETTINGS

if TYPE_CHECKING:
    from collections.abc import Callable

LIMITS = OperatingEnvelope(
    voltage_v=26.4,
    current_a=1.5,
    power_w=36.0,
    frequencies_hz=(50.0,),
    load_current_a=2.0,
    load_power_w=12.0,
    load_least_ohm=4.0,
    load_least_v=7.2,
    load_most_v=18.0,
)
SUPPLY = frozenset(
    {"clear", "set_voltage_protection", "voltage_protection_setting", "voltage_setting"}
)
LOAD = frozenset({"input_off", "set_current", "set_resistance", "set_power", "set_voltage"})
LEVEL = Level(label="10 %", voltage_v=2.4, current_limit_a=0.3, dwell_s=1.0)

OFF_FIRST = Send("supply", "output_off")


def keeper() -> Keeper:
    return Keeper(LIMITS, supply=SUPPLY, loads={"load": LOAD})


def armed() -> Keeper:
    machine = keeper()
    machine.command(Arm(2.4, 0.3), 0.0)
    return machine


def live() -> Keeper:
    machine = armed()
    machine.command(SwitchOn(), 0.0)
    return machine


def tripped() -> Keeper:
    machine = live()
    machine.cut(TripReason.OVER_CURRENT, "", 0.0)
    return machine


def sample(
    voltage_v: float = 2.4,
    current_a: float = 0.01,
    *,
    time_s: float = 1.0,
    protection: bool = False,
) -> SupplySample:
    return SupplySample(time_s, voltage_v, current_a, voltage_v * current_a, None, protection)


STATES = {
    KeeperState.OFF: keeper,
    KeeperState.ARMED: armed,
    KeeperState.LIVE: live,
    KeeperState.TRIPPED: tripped,
}
COMMANDS: tuple[Command, ...] = (
    Arm(2.4, 0.3),
    SwitchOn(),
    Set("voltage", 6.0),
    Set("current_limit", 0.3),
    Set("frequency", 50.0),
    Watch(LEVEL),
    SetLoad("current", 1.0),
    LoadOff(),
    SwitchOff(),
)
#: State after each command; None where it is refused. Rows as COMMANDS, columns as STATES.
AFTER = (
    ("armed", None, None, None),
    (None, "live", None, None),
    (None, "armed", "live", None),
    (None, "armed", "live", None),
    (None, "armed", "live", None),
    (None, "armed", "live", None),
    (None, None, "live", None),
    (None, None, "live", None),
    ("off", "off", "off", "tripped"),
)


class TestStates:
    @pytest.mark.parametrize(
        ("command", "state", "after"),
        [
            (command, state, after)
            for command, row in zip(COMMANDS, AFTER, strict=True)
            for state, after in zip(STATES, row, strict=True)
        ],
    )
    def test_every_command_in_every_state_is_taken_or_refused(
        self, command: Command, state: KeeperState, after: str | None
    ) -> None:
        """Each command has one outcome in each state, and an unlisted one is refused."""
        machine = STATES[state]()
        assert machine.state is state

        if after is None:
            with pytest.raises(CommandRefused, match=f"while power is {state.value}"):
                machine.command(command, 0.0)
            assert machine.state is state
        else:
            machine.command(command, 0.0)
            assert machine.state.value == after


class TestOrderOfEnergising:
    def test_protection_and_limit_are_set_and_read_back_before_the_voltage(self) -> None:
        """Arming clears, confirms off, then sets protection, limit and voltage in this order."""
        sent = [
            move.operation
            for move in keeper().command(Arm(2.4, 0.3), 0.0)
            if isinstance(move, Send)
        ]

        assert [operation for operation in sent if operation != "input_off"] == [
            "clear",
            "output_off",
            "set_voltage_protection",
            "set_current_limit",
            "set_voltage",
        ]

    def test_what_cannot_be_cleared_is_not(self) -> None:
        """A supply without a message that clears begins with output off."""
        machine = Keeper(LIMITS, supply=SUPPLY - {"clear"}, loads={"load": LOAD})

        assert machine.command(Arm(2.4, 0.3), 0.0)[:2] == (
            OFF_FIRST,
            Confirm("supply", "output_state", expected=False),
        )

    def test_off_is_confirmed_before_anything_is_set(self) -> None:
        """The output's state is asked for before the first setting goes out."""
        moves = keeper().command(Arm(2.4, 0.3), 0.0)

        confirmed = moves.index(Confirm("supply", "output_state", expected=False))
        assert confirmed < moves.index(Send("supply", "set_current_limit", 0.3))

    def test_switching_on_is_confirmed(self) -> None:
        """Switching on asks whether the output really is on."""
        machine = keeper()
        machine.command(Arm(2.4, 0.3), 0.0)

        assert machine.command(SwitchOn(), 0.0) == (
            Send("supply", "output_on"),
            Confirm("supply", "output_state", expected=True),
        )


class TestOwnProtection:
    def test_every_wall_the_supply_has_is_armed_and_read_back_before_power(self) -> None:
        """Over-voltage, over-current and output watchdog are set to the bounds and confirmed."""
        own = ("voltage_protection", "current_protection", "watchdog")
        operations = {f"set_{kind}" for kind in own} | {f"{kind}_setting" for kind in own}
        machine = Keeper(LIMITS, supply=SUPPLY | operations, loads={"load": LOAD})

        moves = machine.command(Arm(2.4, 0.3), 0.0)

        bounds = {
            "voltage_protection": LIMITS.voltage_v,
            "current_protection": LIMITS.current_a,
            "watchdog": 5.0,
        }
        for kind, bound in bounds.items():
            at = moves.index(Send("supply", f"set_{kind}", bound))
            follows = moves[at + 1]
            assert isinstance(follows, Confirm)
            assert (follows.operation, follows.expected) == (f"{kind}_setting", bound)


class TestReadback:
    def test_a_setting_may_read_back_a_fifth_of_a_per_cent_away(self) -> None:
        """Every setting is asked for again, with 0.2 % of it as the tolerance (common practice)."""
        settings = {"current_limit_setting", "frequency_setting"}
        machine = Keeper(LIMITS, supply=SUPPLY | settings, loads={"load": LOAD})

        moves = machine.command(Arm(2.4, 0.3, 50.0), 0.0)

        asked = {
            move.operation: (move.expected, move.tolerance)
            for move in moves
            if isinstance(move, Confirm) and move.operation.endswith("_setting")
        }
        assert asked == {
            "voltage_protection_setting": (26.4, pytest.approx(0.0528)),
            "frequency_setting": (50.0, pytest.approx(0.1)),
            "current_limit_setting": (0.3, pytest.approx(0.0006)),
            "voltage_setting": (2.4, pytest.approx(0.0048)),
        }


class TestCommandsOutsideTheEnvelope:
    @pytest.mark.parametrize("value", [26.41, 1e9, -0.1, math.nan, math.inf, -math.inf])
    def test_a_voltage_outside_is_refused(self, value: float) -> None:
        """No voltage above the envelope, below zero, or that is no number is passed on."""
        with pytest.raises(CommandRefused, match=r"voltage of .* outside the envelope"):
            live().command(Set("voltage", value), 0.0)

    @pytest.mark.parametrize("value", [1.501, -0.1, math.nan, math.inf])
    def test_a_current_limit_outside_is_refused(self, value: float) -> None:
        """No current limit above the envelope is passed on."""
        with pytest.raises(CommandRefused, match=r"current limit of .* outside the envelope"):
            live().command(Set("current_limit", value), 0.0)

    def test_a_frequency_off_the_nameplate_is_refused(self) -> None:
        """A frequency that the nameplate does not name is refused."""
        with pytest.raises(CommandRefused, match="not on the nameplate"):
            live().command(Set("frequency", 400.0), 0.0)

    def test_a_load_current_beyond_the_plan_is_refused(self) -> None:
        """A load current above the largest of the plan is refused."""
        with pytest.raises(CommandRefused, match=r"load current of .* outside the envelope"):
            live().command(SetLoad("current", 2.5), 0.0)

    def test_arming_outside_leaves_the_state_alone(self) -> None:
        """A refused command to arm leaves the keeper off."""
        machine = keeper()
        with pytest.raises(CommandRefused):
            machine.command(Arm(30.0, 0.3), 0.0)

        assert machine.state is KeeperState.OFF


class TestReadings:
    def test_a_reading_on_the_bound_is_inside(self) -> None:
        """A reading exactly on the envelope does not trip."""
        assert live().sample(sample(24.0, 1.5)) == ()

    @pytest.mark.parametrize(
        ("reading", "reason"),
        [
            (sample(26.4000001), TripReason.OVER_VOLTAGE),
            (sample(-26.5), TripReason.OVER_VOLTAGE),
            (sample(2.4, 1.5000001), TripReason.OVER_CURRENT),
            (sample(2.4, -1.6), TripReason.OVER_CURRENT),
            (sample(25.0, 1.45), TripReason.OVER_POWER),
            (sample(math.nan), TripReason.OVER_VOLTAGE),
            (sample(2.4, math.nan), TripReason.OVER_CURRENT),
            (sample(2.4, -0.3), TripReason.REVERSED_CURRENT),
            (sample(0.1, 0.001, protection=True), TripReason.PROTECTION),
        ],
    )
    def test_one_reading_outside_trips_and_off_comes_first(
        self, reading: SupplySample, reason: TripReason
    ) -> None:
        """One reading outside the envelope cuts power, and output off is the first move."""
        machine = live()

        moves = machine.sample(reading)

        assert moves[0] == OFF_FIRST
        assert machine.state is KeeperState.TRIPPED
        assert machine.trip is not None
        assert machine.trip.reason is reason
        assert machine.trip.live

    @pytest.mark.parametrize(
        "reading",
        [
            SupplySample(1.0, 26.4, 0.0, 0.0, None, False),  # noqa: FBT003
            SupplySample(1.0, 2.4, 1.5, 3.6, None, False),  # noqa: FBT003
            SupplySample(1.0, 24.0, 1.5, 36.0, None, False),  # noqa: FBT003
        ],
        ids=["voltage", "current", "power"],
    )
    def test_a_reading_at_its_bound_is_inside(self, reading: SupplySample) -> None:
        """The envelope belongs to what is allowed."""
        assert live().sample(reading) == ()

    def test_a_doubted_status_hides_no_other_finding(self) -> None:
        """While the status is weighed against the readings, these are judged like any others."""
        machine = live()

        moves = machine.sample(sample(2.4, -0.3, protection=True))

        assert moves[0] == OFF_FIRST
        assert machine.trip is not None
        assert machine.trip.reason is TripReason.REVERSED_CURRENT

    def test_the_first_trip_is_kept(self) -> None:
        """A second reason does not overwrite the first."""
        machine = live()
        machine.sample(sample(2.4, 2.0))
        machine.cut(TripReason.INTERNAL, "later", 9.0)

        assert machine.trip is not None
        assert machine.trip.reason is TripReason.OVER_CURRENT


class TestFailures:
    @pytest.mark.parametrize(
        ("error", "reason"),
        [
            (LinkTimeout("", instrument="supply"), TripReason.INSTRUMENT_SILENT),
            (LinkError("", instrument="supply"), TripReason.LINK_LOST),
            (NoReading("", instrument="meter"), TripReason.NO_READING),
            (ReportedError("", instrument="load"), TripReason.INSTRUMENT_ERROR),
        ],
    )
    def test_a_failed_reading_cuts_power(self, error: Exception, reason: TripReason) -> None:
        """Silence, a lost link, no number and a reported error each cut power by their name."""
        machine = live()

        moves = machine.failed(None, error, 1.0)

        assert moves[0] == OFF_FIRST
        assert machine.trip is not None
        assert machine.trip.reason is reason

    def test_a_setting_that_reads_back_wrong_before_power_is_no_trip_of_a_live_unit(self) -> None:
        """A failed read-back while arming cuts, but the record says that nothing was energised."""
        machine = keeper()
        moves = machine.command(Arm(2.4, 0.3), 0.0)
        machine.failed(moves[-2], ValueError("reads back 3"), 0.0)

        assert machine.trip is not None
        assert not machine.trip.live

    def test_switching_off_is_tried_again_until_it_is_confirmed(self) -> None:
        """A failed switching off begins again with output off, so often as it was told."""
        machine = live()
        moves = machine.sample(sample(2.4, 2.0))
        tries = 0
        while moves and moves[0] == OFF_FIRST:
            tries += 1
            moves = machine.failed(moves[0], LinkError("", instrument="supply"), 1.0)

        assert tries == OFF_ATTEMPTS
        assert machine.unconfirmed

    def test_the_load_is_switched_off_even_when_the_supply_is_given_up(self) -> None:
        """After the last vain try on the supply the load is still switched off."""
        machine = live()
        moves = machine.sample(sample(2.4, 2.0))
        for _ in range(OFF_ATTEMPTS):
            moves = machine.failed(moves[0], LinkError("", instrument="supply"), 1.0)

        assert moves[0] == Send("load", "input_off")

    def test_failing_for_ever_ends(self) -> None:
        """With every link dead the machine stops trying instead of looping for ever."""
        machine = live()
        moves = machine.sample(sample(2.4, 2.0))
        for _ in range(100):
            if not moves:
                break
            moves = machine.failed(moves[0], LinkError("", instrument="any"), 1.0)

        assert moves == ()


class TestSilence:
    def test_a_silent_client_cuts_power(self) -> None:
        """Past the allowed silence, a look at the time cuts power."""
        machine = live()

        assert machine.tick(10.5, silent_s=0.5) == ()
        assert machine.tick(10.51, silent_s=0.51)[0] == OFF_FIRST
        assert machine.trip is not None
        assert machine.trip.reason is TripReason.CLIENT_SILENT

    def test_without_power_silence_is_no_matter(self) -> None:
        """A keeper that holds no power does not mind silence."""
        assert keeper().tick(1e6, silent_s=1e6) == ()


VALUES = st.one_of(
    st.floats(allow_nan=True, allow_infinity=True), st.floats(min_value=0.0, max_value=30.0)
)
ANY_COMMAND = st.one_of(
    st.builds(Arm, VALUES, VALUES),
    st.just(SwitchOn()),
    st.builds(Set, st.just("voltage"), VALUES),
    st.builds(Set, st.just("current_limit"), VALUES),
    st.builds(Set, st.just("frequency"), VALUES),
    st.just(Watch(LEVEL)),
    st.builds(SetLoad, st.sampled_from(sorted(SETTINGS["load"])), VALUES),
    st.just(LoadOff()),
    st.just(SwitchOff()),
)
READINGS = st.builds(sample, VALUES, VALUES)

#: What each operation may carry at most.
BOUNDS: dict[str, Callable[[float], bool]] = {
    "set_voltage": lambda value: 0 <= value <= LIMITS.voltage_v,
    "set_voltage_protection": lambda value: 0 <= value <= LIMITS.voltage_v,
    "set_current_limit": lambda value: 0 <= value <= LIMITS.current_a,
    "set_frequency": lambda value: value in LIMITS.frequencies_hz,
    "set_current": lambda value: 0 <= value <= LIMITS.load_current_a,
    "set_resistance": lambda value: LIMITS.load_least_ohm <= value < math.inf,
    "set_power": lambda value: 0 <= value <= LIMITS.load_power_w,
}


def held_v(value: float) -> bool:
    """Whether a load may be told to hold it."""
    return LIMITS.load_least_v <= value <= LIMITS.load_most_v


class TestLaws:
    @settings(max_examples=300)
    @given(st.lists(st.one_of(ANY_COMMAND, READINGS), max_size=30))
    def test_no_sequence_ever_lets_a_value_outside_the_envelope_through(
        self, inputs: list[Command | SupplySample]
    ) -> None:
        """Whatever comes in, no move for the wire ever carries a value outside the envelope."""
        machine = keeper()
        for number, entry in zip(itertools.count(), inputs, strict=False):
            try:
                moves = (
                    machine.sample(entry)
                    if isinstance(entry, SupplySample)
                    else machine.command(entry, number * 0.1)
                )
            except CommandRefused:
                continue
            for move in moves:
                if isinstance(move, Send) and move.value is not None:
                    of_load = (move.role, move.operation) == ("load", "set_voltage")
                    within = held_v if of_load else BOUNDS[move.operation]
                    assert within(move.value)

    @settings(max_examples=300)
    @given(st.lists(st.one_of(ANY_COMMAND, READINGS), max_size=30))
    def test_once_tripped_nothing_but_off_is_ever_sent(
        self, inputs: list[Command | SupplySample]
    ) -> None:
        """After a trip no sequence of commands or readings sends anything but off."""
        machine = live()
        machine.sample(sample(2.4, 2.0))
        for entry in inputs:
            try:
                moves = (
                    machine.sample(entry)
                    if isinstance(entry, SupplySample)
                    else machine.command(entry, 0.0)
                )
            except CommandRefused:
                continue
            sent = {move.operation for move in moves if isinstance(move, Send)}
            assert sent <= {"output_off", "input_off"}

    @settings(max_examples=300)
    @given(VALUES, VALUES)
    def test_any_reading_outside_makes_off_the_first_move(
        self, voltage_v: float, current_a: float
    ) -> None:
        """Any reading outside the envelope, or no number, makes output off the next move."""
        reading = sample(voltage_v, current_a)
        charged = voltage_v > 2.4 + 0.005 * LIMITS.voltage_v  # from before: may give charge back
        least_a = -0.05 * 0.3  # a share of the limit set: less is noise about zero
        inside = (
            abs(voltage_v) <= LIMITS.voltage_v
            and abs(current_a) <= LIMITS.current_a
            and abs(reading.power_w) <= LIMITS.power_w
            and (charged or current_a >= least_a)
            and (charged or reading.power_w >= least_a * max(abs(voltage_v), 2.4))
        )

        moves = live().sample(reading)

        assert moves == () if inside else moves[0] == OFF_FIRST
