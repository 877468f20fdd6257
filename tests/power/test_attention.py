from __future__ import annotations

import pytest

from harness.errors import LinkTimeout
from harness.power import attention
from harness.power.attention import AttendedLink, Attention
from harness.power.commands import Arm, Set, SwitchOn
from harness.power.trip import Tripped, TripReason
from tests.power.conftest import SAMPLE, Wire


class Times:
    """The machine's clocks as a test moves them."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.awake_s = 0.0
        self.asleep_s = 0.0
        monkeypatch.setattr(attention.time, "monotonic", lambda: self.awake_s)
        monkeypatch.setattr("harness.power.attention.awake_s", lambda: self.awake_s)
        monkeypatch.setattr(
            "harness.power.attention.elapsed_s", lambda: self.awake_s + self.asleep_s
        )


@pytest.fixture
def times(monkeypatch: pytest.MonkeyPatch) -> Times:
    return Times(monkeypatch)


@pytest.fixture
def attended(times: Times, wire: Wire) -> Wire:  # noqa: ARG001 - before any clock is read
    """Energised, with links that say how long they may take."""
    attending = Attention()
    for instrument in wire.host._instruments.values():
        assert instrument is not None
        instrument.link = AttendedLink(instrument.link, attending, 0.0)
    attending.watched = lambda: wire.host.live
    wire.reads("2.4", "0.01")
    wire.host.command(Arm(2.4, 0.3))
    wire.host.command(SwitchOn())
    wire.supply.messages.clear()
    return wire


class TestThere:
    def test_it_goes_on_for_as_long_as_the_exchange_may_take(self, times: Times) -> None:
        """A main thread that waits for an answer is at work until the time-out, and not longer."""
        attending = Attention()
        attending.allow(1.0)
        times.awake_s = 1.1
        assert attending.there

        times.awake_s = 1.3
        assert not attending.there

    def test_an_answered_exchange_allows_nothing_more(self, times: Times, wire: Wire) -> None:
        """After its answer a main thread that hangs is missed at once, whatever the time-out."""
        attending = Attention()
        wire.supply.timeout_s = 5.0
        AttendedLink(wire.supply, attending, 0.0).query("*IDN?")
        times.awake_s = 0.3

        assert not attending.there


class TestUnwatched:
    @pytest.mark.parametrize("asleep", [False, True], ids=["stopped", "asleep"])
    def test_off_is_the_next_message_after_the_exchange(
        self, times: Times, attended: Wire, asleep: bool
    ) -> None:
        """Whatever came of the exchange in which nobody was there, output off follows it."""

        def late() -> str:
            times.asleep_s, times.awake_s = (20.0, 0.0) if asleep else (0.0, 20.0)
            return "2.4;0.01;0"

        attended.supply.answers[SAMPLE] = late
        with pytest.raises(Tripped) as caught:
            attended.host.sample()

        assert attended.supply.messages[:2] == [SAMPLE, "OUTP OFF"]
        assert caught.value.trip.reason is TripReason.UNWATCHED
        assert caught.value.trip.detail.startswith("for 20 s: ")

    def test_a_time_out_that_passed_meanwhile_is_not_the_instruments(
        self, times: Times, attended: Wire
    ) -> None:
        """An answer that is missed because nobody was there is told as that."""

        def silent() -> str:
            times.awake_s = 20.0
            raise LinkTimeout("no answer in time", instrument="supply (wire)")

        attended.supply.answers["VOLT?"] = silent
        with pytest.raises(Tripped) as caught:
            attended.host.command(Set("voltage", 4.8))

        assert caught.value.trip.reason is TripReason.UNWATCHED
        assert attended.supply.messages[:3] == ["VOLT 4.800", "VOLT?", "OUTP OFF"]

    def test_switching_off_goes_on_all_the_same(self, times: Times, attended: Wire) -> None:
        """A gap while power is switched off is no reason not to confirm that it is off."""

        def late() -> str:
            times.awake_s += 20.0
            return "0"

        attended.supply.answers["OUTP?"] = late
        attended.host.power_off()

        assert attended.host.trip is None
