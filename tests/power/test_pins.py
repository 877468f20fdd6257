"""What drives an enable input: after the supply, inside its own envelope, off on every way out."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from harness.bench.clock import Clock
from harness.bench.dialect import load_dialect
from harness.bench.roles import Instrument
from harness.errors import CommandRefused, LinkError, LinkTimeout, PowerOffUnconfirmed
from harness.power import without_keeper
from harness.power.commands import Arm, EnableOff, EnableOn, SwitchOff, SwitchOn
from harness.power.keeper import Keeper
from harness.power.local_keeper import LocalKeeper
from harness.power.pin_moves import AUX_EVERY_S, AUX_LEFT_ON, PIN_FAULT, AuxMoves
from harness.power.trip import Tripped, TripReason
from harness.power.without_keeper import WithoutKeeper
from harness.profile.bench_file import BenchFile
from tests.power.conftest import LIMITS, SAMPLE, Wire, WireLink

BOUNDS = replace(LIMITS, aux_voltage_v=5.5, aux_current_a=0.02)
OFF, RELAY_OPEN, RELAY_CLOSE = "OUTP OFF", "ROUT:OPEN (@1)", "ROUT:CLOS (@1)"


class Pinned(Wire):
    """A keeper with an auxiliary supply and a relay at the enable input; all said in one list.

    Attributes:
        said: Messages in the order of the wire, each after the role it goes to.
        down: Roles whose links carry nothing.
    """

    def __init__(self) -> None:
        super().__init__(BOUNDS)
        self.said: list[str] = []
        self.down: set[str] = set()
        self.aux, self.relay = (
            WireLink(f"{role} (wire)", self.clock) for role in ("aux", "enable_switch")
        )
        self.closed = False
        self.relay.answers["ROUT:CLOS? (@1)"] = lambda: str(int(self.closed))
        self.aux.answers[SAMPLE] = lambda: "5.0;0.001"
        links = {"supply": self.supply, "aux": self.aux, "enable_switch": self.relay}
        known = {
            "supply": load_dialect("scpi-dc-supply"),
            "aux": load_dialect("scpi-dc-supply"),
            "enable_switch": load_dialect("scpi-switch"),
        }
        for role, link in links.items():
            self._follow(role, link)
        told = {role: each.operations for role, each in known.items()}
        pins = {role: told[role] for role in ("aux", "enable_switch")}
        self.keeper = Keeper(BOUNDS, supply=told["supply"], pins=pins)
        self.host = LocalKeeper(
            self.keeper,
            {role: Instrument(links[role], known[role], self.clock) for role in links},
            self.clock,
            lambda kind, detail: self.events.append((kind, detail)),
            self.samples.append,
        )
        self.reads("2.4", "0.1")

    def _follow(self, role: str, link: WireLink) -> None:
        def through(carry: Callable[[str], str | None]) -> Callable[[str], str | None]:
            def said(message: str) -> str | None:
                self.said.append(f"{role}: {message}")
                if role in self.down:
                    raise LinkError("the link is gone", instrument=link.name)
                if message in {RELAY_CLOSE, RELAY_OPEN}:
                    self.closed = message == RELAY_CLOSE
                return carry(message)

            return said

        link.write = through(link.write)
        link.query = through(link.query)

    def energise(self) -> None:
        """Switch the supply on; nothing drives the pin yet."""
        self.host.command(Arm(2.4, 0.3))
        self.host.command(SwitchOn())
        self.said.clear()

    def drive(self) -> None:
        """Switch the supply on, and drive the pin by the auxiliary one."""
        self.energise()
        self.host.command(EnableOn("aux", 5.0, 0.02))
        self.said.clear()

    def told(self) -> list[str]:
        """Return what was told, questions left out."""
        return [each for each in self.said if not each.endswith("?") and "?" not in each]


@pytest.fixture
def pinned() -> Pinned:
    return Pinned()


class TestOrder:
    def test_the_auxiliary_supply_is_energised_in_the_order_of_the_supply(
        self, pinned: Pinned
    ) -> None:
        """Off confirmed, protection, limit, voltage, each read back, errors; output on last."""
        pinned.energise()
        pinned.host.command(EnableOn("aux", 5.0, 0.02))

        assert pinned.said == [
            "aux: *CLS",
            "aux: OUTP OFF",
            "aux: OUTP?",
            "aux: VOLT:PROT 5.500",
            "aux: VOLT:PROT?",
            "aux: CURR 0.0200",
            "aux: CURR?",
            "aux: VOLT 5.000",
            "aux: VOLT?",
            "aux: SYST:ERR?",
            "aux: OUTP ON",
            "aux: OUTP?",
        ]

    def test_nothing_drives_the_pin_before_the_supply_is_on(self, pinned: Pinned) -> None:
        """A pin that is driven into a unit without power feeds it backwards: refused, unsaid."""
        with pytest.raises(CommandRefused):
            pinned.host.command(EnableOn("aux", 5.0, 0.02))
        pinned.host.command(Arm(2.4, 0.3))
        with pytest.raises(CommandRefused):
            pinned.host.command(EnableOn("aux", 5.0, 0.02))

        assert "aux: OUTP ON" not in pinned.said

    def test_both_are_off_and_confirmed_before_the_supply_comes_on(self, pinned: Pinned) -> None:
        """Arming begins with the auxiliary output off and the relay open."""
        pinned.host.command(Arm(2.4, 0.3))

        assert "aux: OUTP OFF" in pinned.said
        assert f"enable_switch: {RELAY_OPEN}" in pinned.said
        assert "supply: OUTP ON" not in pinned.said

    def test_an_auxiliary_supply_left_on_brings_no_power(self, pinned: Pinned) -> None:
        """It says that it is on after it was told off: the unit's supply is never switched on."""
        pinned.aux.answers["OUTP?"] = lambda: "1"

        with pytest.raises(PowerOffUnconfirmed, match=AUX_LEFT_ON):
            pinned.host.command(Arm(2.4, 0.3))

        assert "supply: OUTP ON" not in pinned.said

    def test_the_relay_closes_and_says_so(self, pinned: Pinned) -> None:
        """Closed and confirmed; let go, open and confirmed."""
        pinned.energise()
        pinned.host.command(EnableOn("enable_switch"))
        pinned.host.command(EnableOff())

        assert pinned.said[:2] == [
            f"enable_switch: {RELAY_CLOSE}",
            "enable_switch: ROUT:CLOS? (@1)",
        ]
        assert pinned.said[-2:] == [
            f"enable_switch: {RELAY_OPEN}",
            "enable_switch: ROUT:CLOS? (@1)",
        ]


class TestEnvelope:
    @pytest.mark.parametrize(
        ("voltage_v", "limit_a"),
        [(5.51, 0.02), (5.0, 0.021), (float("nan"), 0.02), (5.0, float("inf")), (-1.0, 0.02)],
    )
    def test_a_setting_outside_never_reaches_the_wire(
        self, pinned: Pinned, voltage_v: float, limit_a: float
    ) -> None:
        """The auxiliary supply has bounds of its own (safety rule 3)."""
        pinned.energise()

        with pytest.raises(CommandRefused, match="envelope"):
            pinned.host.command(EnableOn("aux", voltage_v, limit_a))

        assert pinned.said == []

    @pytest.mark.parametrize(
        ("answer", "reason"),
        [
            ("5.6;0.001", TripReason.OVER_VOLTAGE),
            ("5.0;0.021", TripReason.OVER_CURRENT),
            ("5.0;-0.021", TripReason.OVER_CURRENT),
            ("9.91E37;0.001", TripReason.NO_READING),
            ("on;off", TripReason.NO_READING),
        ],
    )
    def test_a_reading_outside_cuts_power_by_the_very_next_message(
        self, pinned: Pinned, answer: str, reason: TripReason
    ) -> None:
        """The keeper reads it by itself; the supply goes off first, the auxiliary right behind."""
        pinned.drive()
        pinned.aux.answers[SAMPLE] = lambda: answer

        with pytest.raises(Tripped) as caught:
            pinned.host.sample()

        assert caught.value.trip.reason is reason
        at = pinned.said.index(f"aux: {SAMPLE}")
        assert pinned.said[at + 1 : at + 4] == [
            "supply: OUTP OFF",
            "aux: OUTP OFF",
            f"enable_switch: {RELAY_OPEN}",
        ]

    @pytest.mark.parametrize(
        ("voltage_v", "current_a"),
        [(float("nan"), 0.001), (5.0, float("nan")), (float("inf"), 0.001), (5.0, float("-inf"))],
    )
    def test_a_reading_that_is_no_number_is_outside(
        self, voltage_v: float, current_a: float
    ) -> None:
        """Whatever let it come so far: nothing that is no number is inside (safety rule 5)."""
        moves = AuxMoves(frozenset(), BOUNDS)

        assert moves.judge(5.0, 0.001) is None
        assert moves.judge(voltage_v, current_a) is not None

    def test_the_keeper_reads_it_by_itself_while_it_drives_the_pin(self, pinned: Pinned) -> None:
        """Ten times a second beside the supply, and not at all once it was let go."""
        pinned.drive()
        begin_s = pinned.clock.now_s()
        while pinned.clock.now_s() - begin_s < 1.0:
            pinned.host.sample()

        assert 1.0 / AUX_EVERY_S - 2 <= pinned.said.count(f"aux: {SAMPLE}") <= 1.0 / AUX_EVERY_S

        pinned.host.command(EnableOff())
        pinned.said.clear()
        for _ in range(200):
            pinned.host.sample()
        assert f"aux: {SAMPLE}" not in pinned.said

    def test_where_readings_are_slow_it_keeps_nobody_from_asking(self, pinned: Pinned) -> None:
        """Settings are asked for again all the same: both take turns between samples."""
        pinned.drive()

        for _ in range(40):
            pinned.clock.sleep_s(2 * AUX_EVERY_S)
            pinned.host.sample()

        assert pinned.said.count(f"aux: {SAMPLE}") >= 10
        assert "supply: VOLT?" in pinned.said
        assert "supply: OUTP?" in pinned.said

    def test_a_setting_changed_at_its_front_panel_cuts_power(self, pinned: Pinned) -> None:
        """What was told is asked again in turn, of the auxiliary supply as well."""
        pinned.drive()
        pinned.aux.answers["VOLT?"] = lambda: "4.000"

        def watch() -> None:
            for _ in range(3000):
                pinned.host.sample()

        with pytest.raises(Tripped) as caught:
            watch()

        assert caught.value.trip.reason is TripReason.SETTING_CHANGED


class TestWayOff:
    def test_it_goes_off_with_the_supply(self, pinned: Pinned) -> None:
        """Told right behind the supply, before any answer is waited for; then confirmed."""
        pinned.drive()
        pinned.host.command(SwitchOff())

        assert pinned.said[:6] == [
            "supply: OUTP OFF",
            "aux: OUTP OFF",
            f"enable_switch: {RELAY_OPEN}",
            "supply: OUTP?",
            "aux: OUTP?",
            "enable_switch: ROUT:CLOS? (@1)",
        ]
        assert ("enable", "the auxiliary supply's output is off, and says so") in pinned.events

    def test_it_is_told_off_where_the_link_of_the_supply_is_gone(self, pinned: Pinned) -> None:
        """A supply that nobody reaches does not leave the pin driven."""
        pinned.drive()
        pinned.down.add("supply")

        with pytest.raises(PowerOffUnconfirmed):
            pinned.host.sample()

        assert "aux: OUTP OFF" in pinned.said
        assert pinned.aux.settings["OUTP"] == "0"

    @pytest.mark.parametrize("error", [LinkTimeout, LinkError])
    def test_one_that_does_not_answer_leaves_power_unconfirmed(
        self, pinned: Pinned, error: type[Exception]
    ) -> None:
        """The supply is off; that the auxiliary one is not known to be is said in capitals."""
        pinned.drive()

        def silent() -> str:
            raise error("no answer", instrument="aux (wire)")

        pinned.aux.answers["OUTP?"] = silent

        with pytest.raises(PowerOffUnconfirmed, match=AUX_LEFT_ON) as caught:
            pinned.host.power_off()

        assert pinned.supply.settings["OUTP"] == "0"
        assert "aux (wire)" in str(caught.value)
        assert ("power off", "unconfirmed") in pinned.events

    def test_both_that_do_not_answer_are_told(self, pinned: Pinned) -> None:
        """Neither hides the other, whatever the source is."""
        pinned.drive()
        pinned.down = {"aux", "supply"}

        with pytest.raises(PowerOffUnconfirmed) as caught:
            pinned.host.power_off()

        assert "OUTPUT OFF COULD NOT BE CONFIRMED; " in str(caught.value)
        assert AUX_LEFT_ON in str(caught.value)

    def test_a_relay_that_stays_closed_is_a_trip(self, pinned: Pinned) -> None:
        """It carries no power, so off is confirmed; that it is not open is told in capitals."""
        pinned.energise()
        pinned.host.command(EnableOn("enable_switch"))
        pinned.relay.answers["ROUT:CLOS? (@1)"] = lambda: "1"

        pinned.host.power_off()

        assert pinned.host.trip is not None
        assert pinned.host.trip.reason is TripReason.RELAY_WELDED
        assert "the feed" not in pinned.host.trip.detail + pinned.host.trip.reason.meaning.lower()
        assert pinned.host.trip.detail.startswith(PIN_FAULT)

    @pytest.mark.parametrize("lingers", [False, True])
    @pytest.mark.parametrize("supply_is_gone", [False, True])
    def test_without_a_keeper_too(
        self,
        pinned: Pinned,
        monkeypatch: pytest.MonkeyPatch,
        *,
        supply_is_gone: bool,
        lingers: bool,
    ) -> None:
        """An engine whose keeper is gone tells it off over a link of its own, and asks.

        A link of the keeper's that lingers is waited for.
        """
        pinned.drive()
        opens = 0
        links = {"aux": pinned.aux, "enable_switch": pinned.relay}
        dialects = {"aux": "scpi-dc-supply", "enable_switch": "scpi-switch"}

        def opened(_file: BenchFile, roles: tuple[str, ...], _clock: Clock) -> Any:
            nonlocal opens
            (role,) = roles
            opens += role == "aux"
            if lingers and role == "aux" and opens <= 2:
                raise LinkError("another has it", instrument=role)
            instrument = Instrument(links[role], load_dialect(dialects[role]), pinned.clock)
            return contextlib.nullcontext({role: instrument})

        def gone(_file: BenchFile, _clock: Clock) -> Any:
            if supply_is_gone:
                raise LinkError("nobody answers", instrument="supply")
            return contextlib.nullcontext(SupplyAlone())

        class SupplyAlone:
            def power(self, *_: object) -> SupplyAlone:
                return self

            def power_off(self) -> None:
                pinned.supply.write("OUTP OFF")

        monkeypatch.setattr(without_keeper, "open_instruments", opened)
        monkeypatch.setattr(without_keeper, "open_bench", gone)
        table = {"resource": "TCPIP0::127.0.0.1::1::SOCKET", "dialect": "scpi-dc-supply"}
        file = BenchFile.model_validate(
            {
                "name": "bench",
                "supply": {"kind": "dc", **table},
                "aux": table,
                "enable_switch": table | {"dialect": "scpi-switch"},
            }
        )
        own = WithoutKeeper(file, pinned.clock, BOUNDS)

        with pytest.raises(LinkError) if supply_is_gone else contextlib.nullcontext():
            own.switch_off()
        assert own.relay_fault == ""

        assert pinned.aux.settings["OUTP"] == "0"
        assert f"enable_switch: {RELAY_OPEN}" in pinned.said
        assert "aux: OUTP?" in pinned.said
