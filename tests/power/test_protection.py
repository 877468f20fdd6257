"""What a status says of the supply's own protection, weighed against the readings."""

from __future__ import annotations

import contextlib
from dataclasses import dataclass
from importlib import util
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from harness.bench.dialect import load_dialect
from harness.power.commands import Arm, SwitchOn, Watch
from harness.power.trip import Tripped, TripReason
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level

if TYPE_CHECKING:
    from tests.power.conftest import Wire

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"
STATUS = "STAT:QUES:COND?"
LEVEL = Level(label="10 %", voltage_v=2.4, current_limit_a=0.3, dwell_s=1.0)
SHORT = InrushAllowance(
    kind="charge",
    capacitance_f=470e-6,
    peak_factor=1.0,
    charge_factor=2.0,
    from_v=0.0,
    to_v=2.4,
    idle_power_w=0.6,
    threshold_v=7.2,
    leakage_a=0.012,
)


@dataclass
class Told:
    """A supply whose dialect states a weight, and what it says."""

    wire: Wire
    bits: str = "0"

    def on(self, level: Level | None = None) -> None:
        """Switch on at 2.4 V with a limit of 0.3 A; watch a level."""
        self.wire.host.command(Arm(2.4, 0.3))
        if level is not None:
            self.wire.host.command(Watch(level))
        self.wire.host.command(SwitchOn())
        self.wire.supply.messages.clear()

    @property
    def said(self) -> list[str]:
        """What was said about the dialect."""
        return [detail for kind, detail in self.wire.events if kind == "wrong dialect"]


@pytest.fixture
def told() -> Told:
    """A supply with the weight 1 for its protection."""
    spec = util.spec_from_file_location("wire", Path(__file__).with_name("conftest.py"))
    assert spec is not None
    assert spec.loader is not None
    module = util.module_from_spec(spec)
    spec.loader.exec_module(module)
    built_in = load_dialect("scpi-dc-supply")
    status = type(built_in.status)(protection=1)
    dialect = built_in.model_copy(update={"name": "ours", "status": status})
    told = Told(module.Wire(module.LIMITS, dialect))
    told.wire.supply.answers[STATUS] = lambda: told.bits
    told.wire.reads("0", "0")
    return told


class TestContradiction:
    @pytest.mark.parametrize("level", [None, LEVEL], ids=["no watch", "a level watched"])
    def test_a_bit_set_while_power_flows_is_an_error_of_the_dialect(
        self, told: Told, level: Level | None
    ) -> None:
        """Constant current with bit 0 set: the output's state is asked next, and power stays on."""
        told.on(level)
        told.bits = "1"
        told.wire.reads("1.2", "0.3")

        samples = [told.wire.host.sample() for _ in range(20)]

        assert told.wire.supply.messages[:5] == [SAMPLE, STATUS, "OUTP?", SAMPLE, STATUS]
        assert told.wire.supply.messages.count("OUTP?") == 1
        assert told.wire.host.live
        (said,) = told.said
        assert "In the dialect 'ours' look the line 'protection = " in said
        assert "'protection = 1'" in said
        assert not samples[-1].protection  # nothing behind the keeper sees the bit any more

    def test_the_bit_stays_out_of_account_for_the_rest_of_the_run(self, told: Told) -> None:
        """Once it is known to be another's, it does not cut power later either."""
        told.on()
        told.bits = "1"
        told.wire.reads("1.2", "0.3")
        for _ in range(3):
            told.wire.host.sample()
        told.wire.reads("0.1", "0.0")
        told.wire.host.sample()
        told.wire.host.power_off()
        told.wire.host.command(Arm(2.4, 0.3))

        assert len(told.said) == 1

    def test_a_level_s_budget_is_watched_meanwhile(self, told: Told) -> None:
        """A short in constant current, with a wrong bit: the charge budget finds it as ever."""
        level = Level(label="10 %", voltage_v=2.4, current_limit_a=0.3, dwell_s=1.0, budget=SHORT)
        told.on(level)
        told.bits = "1"
        told.wire.reads("0.1", "0.3")

        for _ in range(6):
            if told.wire.host.live:
                with contextlib.suppress(Tripped):
                    told.wire.host.sample()
        trip = told.wire.keeper.trip
        assert trip is not None
        assert trip.reason is TripReason.CHARGE_BUDGET


class TestBelieved:
    @pytest.mark.parametrize("level", [None, LEVEL], ids=["no watch", "a level watched"])
    def test_with_nothing_left_at_the_output_off_is_next(
        self, told: Told, level: Level | None
    ) -> None:
        """No voltage and no current with the bit set: the supply has switched off."""
        told.on(level)
        told.bits = "1"
        told.wire.reads("0.4", "0.001")

        with pytest.raises(Tripped) as caught:
            told.wire.host.sample()
        assert caught.value.trip.reason is TripReason.PROTECTION
        assert told.wire.supply.messages[:3] == [SAMPLE, STATUS, "OUTP OFF"]

    @pytest.mark.parametrize("level", [None, LEVEL], ids=["no watch", "a level watched"])
    def test_an_output_told_off_is_believed_whatever_is_read(
        self, told: Told, level: Level | None
    ) -> None:
        """A bulk capacitor may hold the voltage: the output's own state says that it is off."""
        told.on(level)
        told.bits = "1"
        told.wire.reads("2.4", "0.001")
        told.wire.supply.answers["OUTP?"] = lambda: "0"

        with pytest.raises(Tripped) as caught:
            told.wire.host.sample()
        assert caught.value.trip.reason is TripReason.PROTECTION
        assert told.wire.supply.messages[:4] == [SAMPLE, STATUS, "OUTP?", "OUTP OFF"]

    def test_voltage_alone_makes_no_error_of_the_dialect(self, told: Told) -> None:
        """An output told on, its voltage held by a capacitor: believed as soon as it has fallen."""
        told.on()
        told.bits = "1"
        told.wire.reads("2.4", "0.001")
        for _ in range(5):
            told.wire.host.sample()
        assert told.said == []
        told.wire.reads("2.1", "0.001")

        with pytest.raises(Tripped) as caught:
            told.wire.host.sample()
        assert caught.value.trip.reason is TripReason.PROTECTION


class TestBeforePower:
    def test_a_bit_set_with_the_output_off_is_a_refusal_with_its_reason(self, told: Told) -> None:
        """A protection that tripped earlier, or a wrong weight: power never comes."""
        told.bits = "1"

        with pytest.raises(Tripped, match="clear it at the front panel") as caught:
            told.on()
        assert caught.value.trip.reason is TripReason.PROTECTION
        assert not caught.value.trip.live
        assert "the line is wrong" in str(caught.value)
        assert "OUTP ON" not in told.wire.supply.messages

    def test_a_dialect_without_a_weight_is_not_asked(self, wire: Wire) -> None:
        """No bit, no question."""
        wire.host.command(Arm(2.4, 0.3))

        assert STATUS not in wire.supply.messages
        assert SAMPLE not in wire.supply.messages
