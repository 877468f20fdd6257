"""Between which moments power went off and came on."""

from __future__ import annotations

import pytest

from harness.judge.spans import time_between
from harness.judge.uncertainty import combine
from harness.power.commands import Arm, SwitchOff, SwitchOn
from harness.power.moves import Confirm, Move, Send
from harness.power.power_times import PowerTimes
from tests.power.conftest import Wire


def put(times: PowerTimes, *moves: Move, at_s: float, live: bool = True) -> None:
    """Put moves on the wire, each of which takes a tenth of a second."""
    for number, move in enumerate(moves):
        times.begin(move, at_s + 0.1 * number, live=live)
        times.done(move, at_s + 0.1 * (number + 1))


_TOLD = {
    "supply": ("output_on", "output_off", "output_state"),
    "switch": ("contact_close", "contact_open", "contact_state"),
}


def on(role: str) -> tuple[Send, Confirm]:
    """Return what switches supply or contact on."""
    told, _, asked = _TOLD[role]
    return Send(role, told), Confirm(role, asked, expected=True)


def off(role: str) -> tuple[Send, Confirm]:
    """Return what switches it off."""
    _, told, asked = _TOLD[role]
    return Send(role, told), Confirm(role, asked, expected=False)


class TestNoted:
    def test_from_off_to_on(self) -> None:
        """Each change lies between its message and the answer that confirms it."""
        times = PowerTimes()
        put(times, *on("supply"), at_s=1.0)
        assert times.off is None
        put(times, *off("supply"), at_s=5.0)
        assert times.off is None  # it has not come back
        put(times, *off("supply"), at_s=6.0, live=False)  # looked at before power
        put(times, *on("supply"), at_s=8.0)
        assert times.off == (pytest.approx((5.0, 5.2)), pytest.approx((8.0, 8.2)))

    def test_the_first_that_cuts_and_the_last_that_closes(self) -> None:
        """With a contact in the feed: it opens behind the output and closes before it."""
        times = PowerTimes()
        put(times, *on("switch"), at_s=0.0, live=False)
        put(times, *on("supply"), at_s=1.0)
        (cuts, asked), (opens, open_asked) = off("supply"), off("switch")
        put(times, cuts, opens, asked, open_asked, at_s=5.0)
        put(times, *on("switch"), at_s=7.0, live=False)
        put(times, *on("supply"), at_s=8.0)
        assert times.off == (pytest.approx((5.0, 5.3)), pytest.approx((8.0, 8.2)))

    def test_an_output_that_had_to_be_told_twice(self) -> None:
        """It may have gone off with the first message: the interval begins there."""
        times = PowerTimes()
        put(times, *on("supply"), at_s=1.0)
        cuts, asked = off("supply")
        times.begin(cuts, 5.0, live=False)  # and no answer
        put(times, cuts, asked, at_s=6.0, live=False)
        put(times, *on("supply"), at_s=8.0)
        assert times.off is not None
        assert times.off[0] == pytest.approx((5.0, 6.2))

    def test_a_contact_that_closes_alone_brings_no_power(self) -> None:
        """Made ready and given up, the feed has not been on: nothing went off."""
        times = PowerTimes()
        put(times, *on("switch"), at_s=0.0, live=False)
        put(times, *off("switch"), at_s=2.0, live=False)
        put(times, *on("supply"), at_s=8.0)
        assert times.off is None

    @pytest.mark.parametrize("operation", ["output_off", "contact_open"])
    def test_what_drives_a_pin_is_no_feed(self, operation: str) -> None:
        """An auxiliary supply or a relay at an enable input switches no power."""
        times = PowerTimes()
        put(times, *on("supply"), at_s=1.0)
        put(times, Send("aux", operation), Send("enable_switch", operation), at_s=2.0)
        put(times, *on("supply"), at_s=8.0)
        assert times.off is None


def test_on_the_wire(wire: Wire) -> None:
    """The keeper that holds the link notes both by its clock."""
    for _ in range(2):
        wire.host.command(Arm(24.0, 0.3))
        wire.host.command(SwitchOn())
        wire.host.command(SwitchOff())
        wire.clock.sleep_s(2.0)
    wire.host.command(Arm(24.0, 0.3))
    wire.host.command(SwitchOn())
    spans = wire.host.off_time()
    assert spans is not None
    (off_s, confirmed_s), (on_s, _) = spans
    assert on_s - confirmed_s >= 2.0
    assert confirmed_s >= off_s


def test_time_between() -> None:
    """From middle to middle, each change as likely at any moment (JCGM 100:2008, 4.3.7)."""
    found = time_between((5.0, 5.2), (8.0, 8.4), called="messages", later_s=0.01)
    assert found.value == pytest.approx(3.1)
    # half-widths of 0.3 s and 10 ms, rectangular
    assert combine(found.contributions).standard == pytest.approx((0.09 / 3 + 1e-4 / 3) ** 0.5)
