"""A drop of the input that the keeper times."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.power.commands import Arm, SwitchOn
from harness.power.dip import Dip, carry_out
from harness.power.trip import Trip, Tripped, TripReason

if TYPE_CHECKING:
    from harness.power.commands import Set
    from tests.power.conftest import Wire


def tripped(reason: TripReason) -> Tripped:
    return Tripped(Trip(reason=reason, detail="", time_s=0.0, live=True))


class SlowHost:
    """A keeper at instruments that take their time, on a clock of its own."""

    def __init__(self, setting_s: float, sample_s: float, load_s: float) -> None:
        self.clock = self
        self.time_s = 0.0
        self._takes = {"set": setting_s, "sample": sample_s, "load": load_s}
        self.done: list[tuple[str, float]] = []
        self.cut_at = -1
        self.off_at = -1
        self.between = 0
        self.look_s = 0.0  # what a look at what is due takes

    def now_s(self) -> float:
        """Return its time."""
        return self.time_s

    def sleep_s(self, duration_s: float) -> None:
        """Let time pass."""
        self.time_s += duration_s

    def _take(self, what: str, value: float = 0.0) -> None:
        self.time_s += self._takes[what]
        self.done.append((what, value))

    def set_quickly(self, command: Set) -> tuple[float, float]:
        """Set the voltage."""
        begin_s = self.time_s
        self._take("set", command.value)
        return begin_s, self.time_s

    command = set_quickly

    def sample(self) -> None:
        """Sample the supply, and cut power where that is asked for."""
        self._take("sample")
        if self.cut_at == self.done.count(("sample", 0.0)):
            raise tripped(TripReason.OVER_CURRENT)

    def read(self, _load: str, _quantity: str) -> dict[str, float]:
        """Read the load."""
        self._take("load")
        return {"voltage": 24.0}

    def look_between(self) -> None:
        """Count it, and take the time of what is due."""
        self.between += 1
        self.time_s += self.look_s

    def obey_off(self) -> None:
        """Cut power where somebody wants it off."""
        if self.off_at == len(self.done):
            raise tripped(TripReason.STOPPED)


def middle(span: tuple[float, float]) -> float:
    return 0.5 * sum(span)


class TestTiming:
    """The time is counted from middle to middle of the two messages."""

    @pytest.mark.parametrize("setting_s", [1e-4, 2e-3, 10e-3])
    @pytest.mark.parametrize("sample_s", [1e-4, 5e-3, 50e-3])
    @pytest.mark.parametrize("duration_s", [20e-3, 60e-3, 0.5])
    @pytest.mark.parametrize("residual_v", [0.0, 70.0])
    def test_what_is_asked_for_is_reached(
        self, setting_s: float, sample_s: float, duration_s: float, residual_v: float
    ) -> None:
        """Where a setting takes less than the drop, it lasts as long as was asked for."""
        host = SlowHost(setting_s, sample_s, 2e-3)
        asked = Dip(voltage_v=residual_v, back_v=100.0, duration_s=duration_s, load="load")
        record = carry_out(host, asked)  # type: ignore[arg-type]
        assert middle(record.up) - middle(record.down) == pytest.approx(duration_s, abs=1e-6)

    def test_a_source_that_is_too_slow_gives_what_it_can(self) -> None:
        """Two settings one after the other are the least: a lower bound, which the record tells."""
        host = SlowHost(80e-3, 80e-3, 2e-3)
        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=20e-3, load="load")
        record = carry_out(host, asked)  # type: ignore[arg-type]
        assert middle(record.up) - middle(record.down) == pytest.approx(80e-3)
        assert record.takes_s == pytest.approx(80e-3)

    def test_the_output_is_read_meanwhile_and_after(self) -> None:
        """With nothing left of the input the load alone is read, as often as it goes."""
        host = SlowHost(1e-3, 50e-3, 2e-3)
        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=60e-3, load="load")
        record = carry_out(host, asked)  # type: ignore[arg-type]
        meanwhile = [span for span, _ in record.outputs if span[1] <= record.up[0]]
        assert len(meanwhile) >= 25
        assert host.between >= len(meanwhile)  # an auxiliary supply is watched all the same
        assert record.samples == 0
        assert record.outputs[-1][0][1] >= record.up[1] + 0.1

    @pytest.mark.parametrize("look_s", [0.0, 9e-3, 15e-3])
    def test_the_output_is_read_within_a_short_drop_whatever_is_due(self, look_s: float) -> None:
        """A look at an auxiliary supply, due in 20 ms, leaves no room: the output goes first."""
        host = SlowHost(4e-3, 11e-3, 11e-3)
        host.look_s = look_s
        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=20e-3, load="load")
        record = carry_out(host, asked)  # type: ignore[arg-type]
        assert any(
            record.down[0] <= begin_s <= end_s <= record.up[0]
            for (begin_s, end_s), _ in record.outputs
        )
        assert middle(record.up) - middle(record.down) == pytest.approx(20e-3, abs=1e-6)

    def test_the_supply_is_watched_where_it_feeds(self) -> None:
        """With a residual voltage, and once it is back, each turn begins with a sample."""
        host = SlowHost(1e-3, 5e-3, 2e-3)
        asked = Dip(voltage_v=70.0, back_v=100.0, duration_s=60e-3, load="load")
        record = carry_out(host, asked)  # type: ignore[arg-type]
        assert record.samples >= 6

    @pytest.mark.parametrize("reading_s", [5e-3, 21e-3])
    def test_what_goes_on_in_its_own_process_is_begun_only_where_it_fits(
        self, reading_s: float
    ) -> None:
        """A meter in the same process takes turns, and the time asked for is reached."""
        host = SlowHost(1e-3, 5e-3, 2e-3)
        read: list[float] = []

        def meanwhile() -> None:
            host.time_s += reading_s
            read.append(host.time_s)

        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=60e-3)
        record = carry_out(host, asked, meanwhile)  # type: ignore[arg-type]
        assert middle(record.up) - middle(record.down) == pytest.approx(60e-3, abs=1e-6)
        inside = [end_s for end_s in read if record.down[1] < end_s <= record.up[0]]
        assert len(inside) == int(59e-3 / (5e-3 + reading_s))  # each after a sample of the supply

    def test_the_voltage_is_back_at_the_end(self) -> None:
        """The last setting is the one it began at, told once more with a look at errors."""
        host = SlowHost(1e-3, 5e-3, 2e-3)
        carry_out(host, Dip(voltage_v=0.0, back_v=100.0, duration_s=60e-3))  # type: ignore[arg-type]
        assert [value for what, value in host.done if what == "set"][-3:] == [0.0, 100.0, 100.0]


class TestCut:
    """What cuts power cuts it in the middle of a drop as well."""

    @pytest.mark.parametrize("number", [2, 3, 5])
    def test_a_sample_that_is_judged_ends_it(self, number: int) -> None:
        """After a trip nothing is set any more, not even the voltage it was to come back to."""
        host = SlowHost(1e-3, 5e-3, 2e-3)
        host.cut_at = number
        asked = Dip(voltage_v=70.0, back_v=100.0, duration_s=60e-3)
        with pytest.raises(Tripped):
            carry_out(host, asked)  # type: ignore[arg-type]
        assert host.done[-1] == ("sample", 0.0)

    def test_off_said_past_the_engine_ends_it(self) -> None:
        """A key or a signal is obeyed between two readings."""
        host = SlowHost(1e-3, 5e-3, 2e-3)
        host.off_at = 10
        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=0.5, load="load")
        with pytest.raises(Tripped):
            carry_out(host, asked)  # type: ignore[arg-type]
        assert len(host.done) == 10

    def test_it_is_obeyed_before_the_first_reading_in_the_drop(self) -> None:
        """Nothing goes on the wire between the drop and off."""
        asked = Dip(voltage_v=0.0, back_v=100.0, duration_s=0.5, load="load")
        whole, host = (SlowHost(1e-3, 5e-3, 2e-3) for _ in range(2))
        carry_out(whole, asked)  # type: ignore[arg-type]
        host.off_at = whole.done.index(("set", 0.0)) + 1
        with pytest.raises(Tripped):
            carry_out(host, asked)  # type: ignore[arg-type]
        assert host.done[-1] == ("set", 0.0)


class TestOnTheWire:
    """The keeper's own rules hold for each message of a drop."""

    @staticmethod
    def live(wire: Wire) -> None:
        """Switch power on."""
        wire.host.command(Arm(24.0, 0.3))
        wire.host.command(SwitchOn())
        wire.supply.messages.clear()

    def test_the_setting_is_confirmed_at_once(self, wire: Wire) -> None:
        """Each change is one message and its read-back; errors are asked for at the end."""
        self.live(wire)
        wire.host.dip(Dip(voltage_v=0.0, back_v=24.0, duration_s=0.02))
        said = [message for message in wire.supply.messages if not message.startswith("MEAS")]
        down = said.index("VOLT 0.000")
        assert said[down : down + 4] == ["VOLT 0.000", "VOLT?", "VOLT 24.000", "VOLT?"]
        assert said[-1] == "SYST:ERR?"

    def test_off_wanted_cuts_with_output_off_next(self, wire: Wire) -> None:
        """Who says off past the engine is heard in the middle of it: output off is next."""
        self.live(wire)
        wire.host.off_wanted = lambda: "the key O" if "VOLT 0.000" in wire.supply.messages else ""
        with pytest.raises(Tripped) as caught:
            wire.host.dip(Dip(voltage_v=0.0, back_v=24.0, duration_s=0.5))
        assert caught.value.trip.reason is TripReason.STOPPED
        down = wire.supply.messages.index("VOLT 0.000")
        assert "OUTP OFF" in wire.supply.messages[down : down + 4]
        assert "VOLT 24.000" not in wire.supply.messages[down:]

    def test_an_engine_that_falls_silent_cuts_power(self, wire: Wire) -> None:
        """It is missed in the middle of it, too, and the voltage does not come back."""
        self.live(wire)
        wire.host.silent_s = lambda: 0.6 if "VOLT 0.000" in wire.supply.messages else 0.0
        with pytest.raises(Tripped) as caught:
            wire.host.dip(Dip(voltage_v=0.0, back_v=24.0, duration_s=0.5))
        assert caught.value.trip.reason is TripReason.CLIENT_SILENT
        assert "VOLT 24.000" not in wire.supply.messages[wire.supply.messages.index("VOLT 0.000") :]

    def test_a_setting_that_reads_back_wrong_cuts_power(self, wire: Wire) -> None:
        """A supply that did not follow is no supply to time anything with."""
        self.live(wire)
        wire.supply.answers["VOLT?"] = lambda: (
            "24.000" if "VOLT 0.000" not in wire.supply.messages else "5.000"
        )
        with pytest.raises(Tripped) as caught:
            wire.host.dip(Dip(voltage_v=0.0, back_v=24.0, duration_s=0.02))
        assert caught.value.trip.reason is TripReason.READBACK
