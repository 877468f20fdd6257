"""Learning the status bits of a supply on a resistor, by conventions of several makers."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any
from unittest.mock import patch

import pytest

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.finding import Finding, Mark
from harness.bench.roles import Instrument
from harness.errors import CommandRefused, Refused
from harness.power import status_bits
from harness.power.commands import KeeperState, SetVoltageProtection
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper import Keeper
from harness.power.local_bench import LocalBench
from harness.power.status_bits import Seen, judge_status, learn_status, resistor_ohm
from harness.power.trip import Tripped
from harness.profile.bench_file import BenchFile
from harness.rehearse.clock import SimulatedClock
from tests.power.resistor_supply import CONVENTIONS, ResistorSupply, units

FILE = BenchFile.model_validate(
    {"name": "bench", "supply": {"kind": "dc", "resource": "X", "dialect": "scpi-dc-supply"}}
)

LIMITS = OperatingEnvelope(voltage_v=2.0, current_a=0.1, power_w=0.2)


class Rig:
    """A supply with a resistor, and the bench around it."""

    def __init__(self, register: dict[str, int], ohm: float = 47.0, **tables: Any) -> None:
        self.clock = SimulatedClock()
        self.link = ResistorSupply(self.clock, register, ohm)
        data = load_dialect("scpi-dc-supply").model_dump(by_alias=True, exclude={"link"})
        self.dialect = Dialect.model_validate({**data, "name": "own", **tables})
        supply = Instrument(self.link, self.dialect, self.clock)
        self.bench = LocalBench(FILE, self.clock, {"supply": supply})

    def learn(
        self, file: BenchFile = FILE, raise_if_requested: Callable[[], None] = lambda: None
    ) -> Finding:
        """Learn the bits."""
        with patch.object(status_bits, "bench_dialects", return_value={"supply": self.dialect}):
            return learn_status(
                file, self.clock, contextlib.nullcontext(self.bench), raise_if_requested
            )

    @property
    def off(self) -> bool:
        """Whether the output is off, and was confirmed off last of all."""
        last = [message for message in self.link.messages if message.startswith("OUTP")][-2:]
        return self.link.state()[0] == 0.0 and last == ["OUTP OFF", "OUTP?"]


class TestLearning:
    @pytest.mark.parametrize(
        ("convention", "lines"),
        [
            ("bit 0 = constant current", ["current_limit = 1"]),
            ("what is not held is questionable", ["current_limit = 1"]),
            (
                "bit 0 = protection, bit 1 = constant current",
                ["protection    = 1", "current_limit = 2"],
            ),
            (
                "bit 9 = protection, bits when off",
                ["protection    = 512", "current_limit = 1"],
            ),
        ],
    )
    def test_the_lines_are_those_of_the_maker(self, convention: str, lines: list[str]) -> None:
        """Whatever a maker's bits mean, the lines that are printed say it; the output is off."""
        rig = Rig(CONVENTIONS[convention])

        finding = rig.learn()

        assert finding.mark is Mark.OK
        assert list(finding.write) == ["[status]", *lines]
        assert rig.off

    def test_a_register_without_bits_does_not_tell(self) -> None:
        """Where nothing changes there is nothing to write."""
        rig = Rig(CONVENTIONS["no bits at all"])

        finding = rig.learn()

        assert (finding.mark, finding.write) == (Mark.NOTE, ())
        assert finding.text == (
            "the register is 0 in constant voltage, 0 in constant current, 0 after its "
            "protection: it does not tell"
        )
        assert rig.off

    @pytest.mark.parametrize("convention", CONVENTIONS)
    def test_nothing_but_a_low_level_and_a_tiny_limit(self, convention: str) -> None:
        """Never more than 1 V and 50 mA, whatever the register says; each setting by the keeper."""
        rig = Rig(CONVENTIONS[convention])

        rig.learn()

        assert rig.link.highest_v <= 1.0
        assert rig.link.highest_a <= 0.05
        sent = units(rig.link.messages)
        assert sent[:5] == ["*CLS", "OUTP OFF", "VOLT:PROT 2.000", "CURR 0.0500", "VOLT 1.000"]
        assert sent.count("OUTP ON") == 1

    def test_limits_where_it_must_and_gives_the_limit_back(self) -> None:
        """One limit below the resistor's 21 mA shows it; the protection is tried at the level."""
        rig = Rig(CONVENTIONS["bit 0 = constant current"])

        rig.learn()

        sent = units(rig.link.messages)
        assert sent[sent.index("OUTP ON") :] == [
            *("OUTP ON", "CURR 0.0100", "CURR 0.0500", "VOLT:PROT 0.500", "OUTP OFF"),
        ]

    def test_a_voltage_that_does_not_come_ends_it(self) -> None:
        """Where the level is not reached nothing is learnt, however small the current."""
        rig = Rig(CONVENTIONS["no bits at all"])
        rig.link.state = lambda: (0.5, 0.01, False)

        assert "too much" in rig.learn().text
        assert units(rig.link.messages)[-1] == "OUTP OFF"

    def test_the_lines_that_were_learnt_are_right(self) -> None:
        """With the lines in its dialect a reading tells constant current from constant voltage."""
        register = CONVENTIONS["what is not held is questionable"]
        weights = {"current_limit": 1}
        rig = Rig(register, status=weights)

        rig.bench.instruments["supply"].send("set_voltage", 1.0)
        rig.bench.instruments["supply"].send("output_on")
        in_voltage = rig.bench.instruments["supply"].sample()
        rig.bench.instruments["supply"].send("set_current_limit", 0.005)
        in_current = rig.bench.instruments["supply"].sample()

        assert (in_voltage.limiting, in_current.limiting) == (False, True)

    def test_a_supply_without_a_protection_level_is_learnt_in_part(self) -> None:
        """Without the operation the protection is left out, and that is said."""
        data = load_dialect("scpi-dc-supply")
        send = {name: text for name, text in data.send.items() if "protection" not in name}
        rig = Rig(CONVENTIONS["bit 0 = protection, bit 1 = constant current"], send=send)

        finding = rig.learn()

        assert list(finding.write) == ["[status]", "current_limit = 2"]
        assert finding.text.endswith("it was not seen after its protection")

    def test_a_weight_that_is_stated_stays(self) -> None:
        """A protection the dialect states is not tried: it would cut power before it is read."""
        rig = Rig(
            CONVENTIONS["bit 0 = protection, bit 1 = constant current"], status={"protection": 1}
        )

        finding = rig.learn()

        assert list(finding.write) == ["[status]", "protection    = 1", "current_limit = 2"]
        assert "VOLT:PROT 0.500" not in units(rig.link.messages)
        assert rig.off

    @pytest.mark.parametrize(
        ("ohm", "says"), [(1e6, "too little"), (1.0, "too much"), (21.0, "too much")]
    )
    def test_anything_but_the_resistor_ends_it(self, ohm: float, says: str) -> None:
        """No resistor, and a short, are told with what to connect; the output is off."""
        rig = Rig(CONVENTIONS["no bits at all"], ohm)

        finding = rig.learn()

        assert finding.mark is Mark.WRONG
        assert says in finding.text
        assert "22 ohm to 100 ohm across the supply" in finding.remedy
        assert rig.off

    def test_the_resistors_that_are_named_will_do(self) -> None:
        """Both ends of the range that is asked for are learnt on."""
        for ohm in resistor_ohm(FILE):
            rig = Rig(CONVENTIONS["bit 0 = constant current"], ohm * 1.001)

            assert list(rig.learn().write) == ["[status]", "current_limit = 1"]

    def test_a_register_that_is_no_number_cuts_power(self) -> None:
        """What cannot be read trips here as well, and the output is off."""
        rig = Rig(
            CONVENTIONS["no bits at all"],
            ask={**load_dialect("scpi-dc-supply").ask, "status": "*IDN?"},
        )

        with pytest.raises(Tripped):
            rig.learn()
        assert rig.off

    def test_a_stranger_is_not_switched_on(self) -> None:
        """Where another instrument answers, nothing is set at all."""
        supply = FILE.supply.model_copy(update={"identity": "PS-300"})
        rig = Rig(CONVENTIONS["no bits at all"])

        with pytest.raises(Refused, match="expects 'PS-300'"):
            rig.learn(FILE.model_copy(update={"supply": supply}))
        assert units(rig.link.messages) == []

    @pytest.mark.parametrize("looks", [1, 4, 9, 14])
    def test_somebody_who_wants_to_stop_is_obeyed(self, looks: int) -> None:
        """A wish to stop ends it between two messages, and the output is off."""
        rig = Rig(CONVENTIONS["no bits at all"])
        left = iter(range(looks - 1))

        def raise_if_requested() -> None:
            if next(left, None) is None:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            rig.learn(raise_if_requested=raise_if_requested)
        assert rig.off


class TestJudgement:
    def seen(self, **registers: list[int]) -> Seen:
        """Return what was seen, zero where a test does not say."""
        zero = [0, 0]
        return {"off": zero, "voltage": zero, "current": zero, "protection": zero, **registers}

    def test_a_bit_that_flickers_means_nothing(self) -> None:
        """A bit must be set each time in its state, and at no time in another."""
        dialect = load_dialect("scpi-dc-supply")

        once = judge_status(self.seen(current=[0, 1]), dialect)
        elsewhere = judge_status(self.seen(current=[1, 1], voltage=[0, 1]), dialect)

        assert (once.write, elsewhere.write) == ((), ())

    def test_a_built_in_dialect_is_copied_first(self) -> None:
        """Nobody writes into a dialect that comes with the program."""
        finding = judge_status(self.seen(current=[1, 1]), load_dialect("scpi-dc-supply"))

        assert "scpi-dc-supply.toml beside the bench file" in finding.remedy


class TestKeeper:
    def keeper(self, state: KeeperState, *operations: str) -> Keeper:
        """Return a keeper in a state, of a supply with these operations."""
        keeper = Keeper(LIMITS, supply=frozenset(operations))
        keeper.state = state
        return keeper

    @pytest.mark.parametrize("state", [KeeperState.OFF, KeeperState.ARMED, KeeperState.TRIPPED])
    def test_lowers_the_protection_with_power_on_alone(self, state: KeeperState) -> None:
        """The protection level belongs to arming; beside it is lowered only while power is on."""
        with pytest.raises(CommandRefused, match="is not taken while power is"):
            self.keeper(state, "set_voltage_protection").command(SetVoltageProtection(0.5), 0.0)

    @pytest.mark.parametrize("level_v", [2.01, -0.1, float("nan"), float("inf")])
    def test_never_raises_it_beyond_the_bound(self, level_v: float) -> None:
        """The supply's own wall stays at the envelope or below."""
        keeper = self.keeper(KeeperState.LIVE, "set_voltage_protection")

        with pytest.raises(CommandRefused, match="outside the envelope"):
            keeper.command(SetVoltageProtection(level_v), 0.0)

    def test_needs_the_operation(self) -> None:
        """What the dialect does not have is refused before it reaches the wire."""
        with pytest.raises(CommandRefused, match="no set_voltage_protection"):
            self.keeper(KeeperState.LIVE).command(SetVoltageProtection(0.5), 0.0)
