from __future__ import annotations

import math

import pytest

from harness.bench.dialect import load_dialect
from harness.bench.sample import SupplySample
from harness.errors import CommandRefused, LinkTimeout
from harness.power.commands import Arm, LoadOff, SetLoad, SwitchOn
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.moves import Check, Confirm, LoadMoves, Send
from harness.power.trip import TripReason

OPERATIONS = load_dialect("scpi-load").operations
ENVELOPE = OperatingEnvelope(
    voltage_v=132.0,
    current_a=1.5,
    power_w=90.0,
    load_current_a=2.5,
    load_power_w=60.0,
    load_least_ohm=10.0,
    load_least_v=7.2,
    load_most_v=18.0,
)


def moves(operations: frozenset[str] = OPERATIONS) -> LoadMoves:
    return LoadMoves("load", operations, ENVELOPE)


class TestModes:
    @pytest.mark.parametrize(
        ("command", "function", "setting"),
        [
            (SetLoad("current", 1.25), "set_constant_current", "set_current"),
            (SetLoad("resistance", 12.0), "set_constant_resistance", "set_resistance"),
            (SetLoad("power", 30.0), "set_constant_power", "set_power"),
            (SetLoad("voltage", 12.0), "set_constant_voltage", "set_voltage"),
        ],
    )
    def test_the_function_comes_first_and_the_input_last(
        self, command: SetLoad, function: str, setting: str
    ) -> None:
        """Function, value, value read back, and only then the input is switched on."""
        sent = [move for move in moves().set(command) if isinstance(move, Send)]

        assert [move.operation for move in sent] == [function, setting, "input_on"]
        assert sent[1].value == command.value

    def test_the_input_is_off_while_the_function_changes(self) -> None:
        """Another function may hold any old value: the load is off before it is chosen."""
        load = moves()
        load.set(SetLoad("current", 1.0))
        found = load.set(SetLoad("power", 30.0))

        assert found[:2] == (
            Send("load", "input_off"),
            Confirm("load", "input_state", expected=False),
        )
        assert load.set(SetLoad("power", 20.0))[0] == Send("load", "set_constant_power")

    @pytest.mark.parametrize(
        "command",
        [
            SetLoad("current", 2.6),
            SetLoad("current", -0.1),
            SetLoad("current", math.nan),
            SetLoad("power", 61.0),
            SetLoad("power", math.inf),
            SetLoad("resistance", 9.9),
            SetLoad("resistance", 0.0),
            SetLoad("resistance", math.nan),
            SetLoad("resistance", math.inf),
            SetLoad("voltage", 18.1),
            SetLoad("voltage", 7.1),
            SetLoad("voltage", 0.0),
            SetLoad("voltage", math.nan),
        ],
    )
    def test_each_mode_has_its_bound(self, command: SetLoad) -> None:
        """More current, more power or less resistance than the plan has never goes out."""
        with pytest.raises(CommandRefused, match="outside the envelope"):
            moves().set(command)

    def test_no_plan_no_voltage_to_hold(self) -> None:
        """A plan that holds no voltage bounds it to nothing: at no voltage a load is a short."""
        plain = LoadMoves(
            "load", OPERATIONS, OperatingEnvelope(voltage_v=1, current_a=1, power_w=1)
        )
        for voltage_v in (0.0, 12.0):
            with pytest.raises(CommandRefused, match="outside the envelope"):
                plain.set(SetLoad("voltage", voltage_v))

    def test_its_error_queue_is_looked_at_where_it_has_one(self) -> None:
        """A setting that the load refused without a word shows in its queue."""
        command = SetLoad("current", 1.0)

        assert moves().set(command)[-1] == Check("load", "errors")
        assert Check("load", "errors") not in moves(OPERATIONS - {"error"}).set(command)

    def test_a_mode_the_dialect_lacks_is_refused(self) -> None:
        """A load that knows constant current alone is told nothing else."""
        plain = OPERATIONS - {"set_power", "set_constant_power"}
        with pytest.raises(CommandRefused, match="no set_power"):
            moves(plain).set(SetLoad("power", 1.0))

    def test_without_a_load_there_is_nothing_to_do(self) -> None:
        """No load: off is no message, and a setting is refused."""
        keeper = Keeper(ENVELOPE, supply=frozenset())
        assert all(move.role == "supply" for move in keeper.command(Arm(12.0, 0.1), 0.0))
        keeper.command(SwitchOn(), 0.0)

        assert keeper.command(LoadOff(), 0.0) == ()
        with pytest.raises(CommandRefused, match="no load on this bench"):
            keeper.command(SetLoad("current", 1.0), 0.0)


class TestSeveral:
    @staticmethod
    def keeper() -> Keeper:
        """Return a keeper with two loads that holds power."""
        both = dict.fromkeys(("load", "load aux"), OPERATIONS)
        keeper = Keeper(ENVELOPE, supply=frozenset(), loads=both)
        keeper.command(Arm(12.0, 0.1), 0.0)
        keeper.command(SwitchOn(), 0.0)
        return keeper

    def test_the_one_that_is_named_is_set(self) -> None:
        """What is told to one load reaches no other."""
        told = self.keeper().command(SetLoad("current", 1.0, "load aux"), 0.0)

        assert {move.role for move in told} == {"load aux"}

    def test_every_load_goes_off_whatever_becomes_of_one(self) -> None:
        """Each is tried by itself: one that does not answer keeps no other on."""
        keeper = self.keeper()
        off = keeper.cut(TripReason.OVER_CURRENT, "", 0.0)
        for move in off[:2]:
            keeper.done(move)
        silent = LinkTimeout("no answer", instrument="load")

        again = keeper.failed(Send("load", "input_off"), silent, 0.0)

        assert [move.role for move in off] == ["supply"] * 2 + ["load"] * 2 + ["load aux"] * 2
        assert {move.role for move in again} == {"load", "load aux"}


class TestEdgeOfTheEnvelope:
    LIMITS = OperatingEnvelope(voltage_v=132.0, current_a=1.5, power_w=90.0)

    def live(self) -> Keeper:
        """Return a keeper that holds power."""
        keeper = Keeper(self.LIMITS, supply=frozenset({"set_voltage_protection"}))
        keeper.command(Arm(132.0, 1.0), 0.0)
        keeper.command(SwitchOn(), 0.0)
        return keeper

    def test_a_reading_above_trips_even_where_a_level_stands_at_the_edge(self) -> None:
        """The bound is the bound: a hundredth of a volt above the envelope cuts power."""
        keeper = self.live()
        keeper.sample(SupplySample(0.1, 132.01, 0.1, 12.0, None, protection=False))

        assert keeper.trip is not None
        assert keeper.trip.reason is TripReason.OVER_VOLTAGE

    def test_load_off_is_taken_while_live(self) -> None:
        """Without a load, switching it off is nothing, and no error."""
        assert self.live().command(LoadOff(), 0.0) == ()
