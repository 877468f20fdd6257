"""What is not known to be off: each is told, and none hides another."""

from __future__ import annotations

import contextlib

import pytest

from harness.bench.clock import SystemClock
from harness.errors import HarnessError, LinkTimeout
from harness.power.commands import Arm, SwitchOff, SwitchOn
from harness.power.keeper import Keeper
from harness.power.moves import Confirm, Send
from harness.power.pin_moves import AUX_LEFT_ON, PIN_FAULT
from harness.power.way_off import CONTACT_FAULT
from harness.power.without_keeper import WithoutKeeper
from harness.profile.load import load_bench
from tests.power.conftest import LIMITS


def test_a_contact_in_the_feed_that_stays_closed_as_well_is_told() -> None:
    """A relay that was given up first hides no contact in the feed that does not open."""
    contact = frozenset({"contact_open", "contact_close", "contact_state"})
    keeper = Keeper(LIMITS, supply=frozenset(), switch=contact, pins={"enable_switch": contact})
    keeper.command(Arm(2.4, 0.3), 0.0)
    keeper.command(SwitchOn(), 0.0)
    moves = keeper.command(SwitchOff(), 0.0)
    silent = LinkTimeout("no answer", instrument="relay")

    while moves:
        for move in moves:
            relay = move == Send("enable_switch", "contact_open")
            if relay or (move.role == "switch" and isinstance(move, Confirm)):
                moves = keeper.failed(move, silent, 0.0)
                break
            keeper.done(move)
        else:
            moves = ()

    assert PIN_FAULT in keeper.contact_fault
    assert CONTACT_FAULT in keeper.contact_fault


@pytest.mark.parametrize("role", ["aux", "enable_switch"])
def test_without_a_keeper_a_relay_counts_as_with_one(
    monkeypatch: pytest.MonkeyPatch, role: str
) -> None:
    """What gives power must be known to be off; a relay that is not is told, and a trip."""
    own = WithoutKeeper(load_bench("bench-simulated-dc"), SystemClock(), LIMITS)
    pins = {"aux": "", "enable_switch": ""} | {role: "no answer"}
    monkeypatch.setattr(own, "_cut", lambda: None)
    monkeypatch.setattr(own, "_open_contact", lambda _off: None)
    monkeypatch.setattr(own, "_until_off", lambda *_: "")
    monkeypatch.setattr(own, "_let_go_of_pins", lambda _off: own._pins_left.update(pins))
    refused = pytest.raises(HarnessError, match=f"{AUX_LEFT_ON}: no answer")

    with refused if role == "aux" else contextlib.nullcontext():
        own.switch_off()

    assert own.relay_fault == pins["enable_switch"]
