"""One supply, many spellings."""

from __future__ import annotations

import socket
import threading

import pytest

from harness.power.lock import addresses, canonical, names, of_identity

HERE = "TCPIP0::127.0.0.1::5025::SOCKET"
THERE = "TCPIP0::192.0.2.10::5025::SOCKET"


class TestCanonical:
    @pytest.mark.parametrize(
        "spelling",
        [
            "TCPIP0::192.0.2.10::5025::SOCKET",
            "TCPIP::192.0.2.10::5025::SOCKET",
            "TCPIP1::192.0.2.10::05025::SOCKET",
            "tcpip0::192.0.2.10::5025::socket",
            "  TCPIP0::192.0.2.10::5025::SOCKET ",
        ],
    )
    def test_one_supply_has_one_name(self, spelling: str) -> None:
        """Every spelling of a resource that VISA takes for the same is the same here."""
        assert canonical(spelling) == canonical(THERE)

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            ("TCPIP0::192.0.2.10::INSTR", "TCPIP0::192.0.2.10"),
            ("TCPIP0::192.0.2.10::inst0::INSTR", "TCPIP0::192.0.2.10::INSTR"),
            ("TCPIP0::192.0.2.10::hislip0,4880::INSTR", "TCPIP0::192.0.2.10::hislip0"),
            ("TCPIP0::supply.::INSTR", "TCPIP0::SUPPLY::INSTR"),
            ("GPIB0::5::INSTR", "gpib::05"),
            ("USB0::0x1234::0x5678::HRW60::INSTR", "USB::4660::0x5678::hrw60"),
            ("ASRL3::INSTR", "asrl3"),
        ],
    )
    def test_what_may_be_left_out_tells_nothing_apart(self, one: str, other: str) -> None:
        """Defaults that are written or left out, and numbers, are brought to one spelling."""
        assert canonical(one) == canonical(other)

    @pytest.mark.parametrize(
        ("one", "other"),
        [
            (THERE, "TCPIP0::192.0.2.10::5026::SOCKET"),
            (THERE, "TCPIP0::192.0.2.11::5025::SOCKET"),
            ("GPIB0::5::INSTR", "GPIB1::5::INSTR"),
            ("TCPIP0::192.0.2.10::inst0::INSTR", "TCPIP0::192.0.2.10::inst1::INSTR"),
        ],
    )
    def test_two_supplies_have_two_names(self, one: str, other: str) -> None:
        """What differs in more than spelling stays two."""
        assert not set(names(one)) & set(names(other))

    @pytest.mark.parametrize(
        "alias", ["SUPPLY", "ünïcode", "::", "", "TCPIP", "tcpip0::", "0" * 5000]
    )
    def test_takes_what_it_cannot_read(self, alias: str) -> None:
        """A name that is no resource string, such as an alias, stands for itself."""
        assert names(alias)


class TestAddresses:
    @pytest.mark.parametrize(
        "host",
        [
            *("localhost", "LOCALHOST.", "127.1", "127.0.0.2", "0x7f.1", "2130706433"),
            *("[::1]", "[0:0:0:0:0:0:0:1]", "::1", "[::ffff:127.0.0.1]", "[::]"),
        ],
    )
    def test_every_way_to_this_machine_is_one(self, host: str) -> None:
        """Loopback addresses of both kinds, however spelled, and their name lead to one place."""
        assert set(names(f"TCPIP::{host}::05025::SOCKET")) & set(names(HERE))

    def test_all_addresses_of_a_host_count(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A host of two addresses is the same as each of them."""

        def answers(host: str, *_: object, flags: int = 0) -> list[tuple[object, ...]]:
            del host
            if flags:
                raise socket.gaierror
            both = ("192.0.2.10", "2001:db8::10")
            return [(0, 0, 0, "", (address, 0)) for address in both]

        monkeypatch.setattr(socket, "getaddrinfo", answers)

        assert addresses("supply.bench.test") == {"192.0.2.10", "2001:db8::10"}
        assert names("TCPIP::supply::5025::SOCKET")[1:] == (
            "192.0.2.10 socket 5025",
            "2001:db8::10 socket 5025",
        )

    def test_a_name_server_that_does_not_answer_is_not_waited_for(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A look-up that hangs ends in no address, after the time it is given."""
        over = threading.Event()

        def hang(host: str, *_: object, flags: int = 0) -> list[tuple[object, ...]]:
            if not flags:
                over.wait(20.0)
            raise socket.gaierror(host)

        monkeypatch.setattr(socket, "getaddrinfo", hang)
        try:
            assert addresses("supply.bench.test", longest_s=0.05) == set()
        finally:
            over.set()


class TestIdentity:
    def test_maker_model_and_serial_number_count(self) -> None:
        """The firmware's version tells no two instruments apart, nor do blanks and case."""
        assert of_identity("Tarnbeck,PS-200,0042,1.0") == of_identity("TARNBECK, PS-200,0042,1.1\n")
        assert of_identity("Tarnbeck,PS-200,0042,1.0") != of_identity("Tarnbeck,PS-200,0043,1.0")

    @pytest.mark.parametrize("identity", ["", "PS-200", "A,B", "A,B,,1", "A,B,0,1", "A,B,000,1"])
    def test_none_without_a_serial_number(self, identity: str) -> None:
        """An instrument without a serial number is not taken for another like it."""
        assert of_identity(identity) is None
