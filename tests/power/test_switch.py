"""The contact in the feed: closed last, opened right behind output off, believed only on asking."""

from __future__ import annotations

import contextlib
from collections.abc import Callable

import pytest

from harness.bench.dialect import load_dialect
from harness.bench.roles import Instrument
from harness.errors import LinkError, LinkTimeout, PowerOffUnconfirmed
from harness.power.commands import Arm, KeeperState, SwitchOff, SwitchOn
from harness.power.keeper import Keeper
from harness.power.local_keeper import LocalKeeper
from harness.power.trip import Tripped, TripReason
from harness.power.way_off import CONTACT_FAULT
from tests.power.conftest import LIMITS, SAMPLE, Wire, WireLink

OFF, OPEN, CLOSE = "OUTP OFF", "ROUT:OPEN (@1)", "ROUT:CLOS (@1)"
OFF_ASKED, CONTACT_ASKED = "OUTP?", "ROUT:CLOS? (@1)"


class Feed(Wire):
    """A keeper with a switch, whose messages to all links stand in one list.

    Attributes:
        said: Messages in the order of the wire, of supply, load and switch.
        welded: Whether the contact stays closed.
        closed: Whether it is closed.
        down: Names of links, by the beginning of their names, that carry nothing at all.
    """

    def __init__(self) -> None:
        super().__init__(LIMITS)
        self.said: list[str] = []
        self.welded = self.closed = False
        self.down: set[str] = set()
        self.switch = WireLink("switch (wire)", self.clock)
        self.switch.answers[CONTACT_ASKED] = lambda: str(int(self.closed))
        known = {"supply": load_dialect("scpi-dc-supply"), "load": load_dialect("scpi-load")}
        known["switch"] = load_dialect("scpi-switch")
        links = {"supply": self.supply, "load": self.load, "switch": self.switch}
        for role, link in links.items():
            self._follow(role, link)
        told = {role: each.operations for role, each in known.items()}
        self.keeper = Keeper(
            LIMITS, supply=told["supply"], switch=told["switch"], loads={"load": told["load"]}
        )
        self.host = LocalKeeper(
            self.keeper,
            {role: Instrument(links[role], known[role], self.clock) for role in links},
            self.clock,
            lambda kind, detail: self.events.append((kind, detail)),
            self.samples.append,
        )
        self.reads("0.0", "0.0")

    def _follow(self, role: str, link: WireLink) -> None:
        """Note what is said on a link, and have it fail where it is down."""

        def through(carry: Callable[[str], str | None]) -> Callable[[str], str | None]:
            def said(message: str) -> str | None:
                self.said.append(message)
                if role in self.down:
                    raise LinkError("the link is gone", instrument=link.name)
                if message in {CLOSE, OPEN}:
                    self.closed = message == CLOSE or self.welded
                return carry(message)

            return said

        link.write = through(link.write)
        link.query = through(link.query)
        reopen = link.reopen

        def reopened() -> None:
            self.said.append(f"reopen {role}")
            reopen()
            if role in self.down:
                raise LinkError("nobody answers", instrument=link.name)

        link.reopen = reopened

    def energise(self) -> None:
        """Close the contact and switch on."""
        self.host.command(Arm(2.4, 0.3))
        self.host.command(SwitchOn())
        self.said.clear()


@pytest.fixture
def feed() -> Feed:
    return Feed()


class TestClosing:
    def test_the_contact_is_open_first_and_closed_last_before_output_on(self, feed: Feed) -> None:
        """It is confirmed open after the output, and closed and confirmed once all else is set."""
        feed.host.command(Arm(2.4, 0.3))
        feed.host.command(SwitchOn())

        said = [each for each in feed.said if each != "*CLS" and not each.startswith("INP")]
        assert said[:4] == [OFF, OFF_ASKED, OPEN, CONTACT_ASKED]
        assert said[-5:] == ["SYST:ERR?", CLOSE, CONTACT_ASKED, "OUTP ON", OFF_ASKED]
        assert ("switch", "the contact in the feed is closed, and says so") in feed.events

    def test_a_contact_that_does_not_close_brings_no_power(self, feed: Feed) -> None:
        """Output on is never sent; nothing was energised."""
        feed.switch.answers[CONTACT_ASKED] = lambda: "0"

        with pytest.raises(Tripped) as caught:
            feed.host.command(Arm(2.4, 0.3))

        assert caught.value.trip.reason is TripReason.CONTACT_OPEN
        assert not caught.value.trip.live
        assert "OUTP ON" not in feed.said

    def test_a_contact_that_is_welded_already_brings_no_power(self, feed: Feed) -> None:
        """It says closed after it was told to open: nothing is set, and it is said in capitals."""
        feed.welded = feed.closed = True

        with pytest.raises(Tripped, match="THE CONTACT IN THE FEED DOES NOT OPEN") as caught:
            feed.host.command(Arm(2.4, 0.3))

        assert caught.value.trip.reason is TripReason.CONTACT_WELDED
        assert not caught.value.trip.live
        assert not {"OUTP ON", CLOSE, "VOLT 2.400"} & set(feed.said)

    @pytest.mark.parametrize("error", [LinkTimeout, LinkError])
    def test_a_switch_that_does_not_answer_brings_no_power(
        self, feed: Feed, error: type[LinkError]
    ) -> None:
        """A switch nobody hears from is none: output on is never sent."""

        def silent() -> str:
            raise error("no answer", instrument="switch (wire)")

        feed.switch.answers[CONTACT_ASKED] = silent
        with pytest.raises(Tripped):
            feed.host.command(Arm(2.4, 0.3))

        assert feed.keeper.trip is not None
        assert not feed.keeper.trip.live
        assert "OUTP ON" not in feed.said


class TestWaysOff:
    def test_both_are_told_before_either_is_asked(self, feed: Feed) -> None:
        """Output off is the next message, the contact right behind it, then both are confirmed."""
        feed.energise()

        feed.host.command(SwitchOff())

        assert feed.said[:4] == [OFF, OPEN, OFF_ASKED, CONTACT_ASKED]
        assert not feed.closed
        assert ("switch", "the contact in the feed is open, and says so") in feed.events

    def test_a_reading_outside_sends_the_same(self, feed: Feed) -> None:
        """A trip goes the same way: nothing stands between the reading and output off."""
        feed.energise()
        feed.reads("30.0", "0.1")

        with pytest.raises(Tripped):
            feed.host.sample()

        assert feed.said[:5] == [SAMPLE, OFF, OPEN, OFF_ASKED, CONTACT_ASKED]

    def test_a_supply_that_is_gone_does_not_keep_the_contact_closed(self, feed: Feed) -> None:
        """The contact is told to open before the supply's link is opened again, and stays told."""
        feed.energise()
        feed.down = {"supply"}

        with pytest.raises(PowerOffUnconfirmed, match="the contact in the feed is open"):
            feed.host.sample()

        assert feed.said.index(OPEN) < feed.said.index("reopen supply")
        assert not feed.closed

    def test_an_output_that_stays_on_is_cut_by_the_contact(self, feed: Feed) -> None:
        """The contact opens at the first try, while the supply is told again and again."""
        feed.energise()
        feed.supply.answers[OFF_ASKED] = lambda: "1"

        with pytest.raises(PowerOffUnconfirmed, match="the contact in the feed is open"):
            feed.host.power_off()

        assert feed.said[:2] == [OFF, OPEN]
        assert not feed.closed

    def test_a_switch_that_is_gone_does_not_keep_the_output_on(self, feed: Feed) -> None:
        """The supply is off and confirmed; that the contact is not known to be open is said."""
        feed.energise()
        feed.down = {"switch"}

        with pytest.raises(Tripped) as caught:
            feed.host.command(SwitchOff())

        assert feed.supply.settings["OUTP"] == "0"
        assert not feed.keeper.unconfirmed
        assert caught.value.trip.reason is TripReason.LINK_LOST
        assert caught.value.trip.live
        assert CONTACT_FAULT in str(caught.value)

    def test_neither_is_known_to_be_off(self, feed: Feed) -> None:
        """Where both fail, both are said, and each was told."""
        feed.energise()
        feed.down = {"supply", "switch"}

        with pytest.raises(PowerOffUnconfirmed, match=CONTACT_FAULT):
            feed.host.power_off()

        assert {OFF, OPEN} <= set(feed.said)


class TestWelded:
    def test_a_weld_at_the_end_of_a_run_is_a_trip(self, feed: Feed) -> None:
        """The output is off and confirmed, and the contact says closed: a reason of its own."""
        feed.energise()
        feed.welded = True

        with pytest.raises(Tripped) as caught:
            feed.host.command(SwitchOff())

        assert caught.value.trip.reason is TripReason.CONTACT_WELDED
        assert caught.value.trip.live
        assert ("power off", "confirmed") in feed.events
        assert any(kind == "contact fault" and CONTACT_FAULT in said for kind, said in feed.events)

    def test_a_weld_after_another_trip_is_told_beside_it(self, feed: Feed) -> None:
        """The first reason stays, and the weld is an event of its own."""
        feed.energise()
        feed.welded = True
        feed.reads("30.0", "0.1")

        with pytest.raises(Tripped) as caught:
            feed.host.sample()

        assert caught.value.trip.reason is TripReason.OVER_VOLTAGE
        assert any(kind == "contact fault" for kind, _ in feed.events)

    def test_it_is_told_to_open_again_and_again(self, feed: Feed) -> None:
        """A contact that opens at a later try is open."""
        feed.energise()
        feed.welded = True
        looks: list[bool] = []

        def state() -> str:
            looks.append(feed.closed)
            if len(looks) == 2:
                feed.welded = False
            return str(int(feed.closed))

        feed.switch.answers[CONTACT_ASKED] = state
        feed.host.command(SwitchOff())

        assert looks == [True, True, False]
        assert feed.keeper.trip is None

    def test_no_fault_is_kept_from_an_earlier_try(self, feed: Feed) -> None:
        """Switching off once more asks once more."""
        feed.energise()
        feed.welded = True
        with pytest.raises(Tripped):
            feed.host.command(SwitchOff())
        feed.welded = False

        feed.host.power_off()

        assert not feed.closed
        assert not feed.keeper.contact_fault
        assert feed.keeper.state is KeeperState.TRIPPED


class TestOpensByItself:
    def test_it_is_asked_while_power_is_on(self, feed: Feed) -> None:
        """An emergency stop in the feed is found within a second, and named."""
        feed.energise()
        feed.reads("2.4", "0.01")
        feed.closed = False
        end_s = feed.clock.now_s() + 1.0

        with contextlib.suppress(Tripped):
            while feed.clock.now_s() < end_s:
                feed.host.sample()

        assert feed.keeper.trip is not None
        assert feed.keeper.trip.reason is TripReason.CONTACT_OPEN
