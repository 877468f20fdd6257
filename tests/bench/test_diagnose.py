"""Why an instrument does not answer: each cause over what was seen, as a table."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench import finding
from harness.bench.diagnose import (
    Address,
    Interface,
    _missing_package,
    _network_cause,
    _port_sign,
    _serial_cause,
    _usb_cause,
    missing_library,
    read_address,
)
from harness.bench.finding import (
    _CAUSES,
    Heard,
    answer_cause,
    plausible_identity,
    stranger_cause,
    terminator_of,
)

BENCH = Path(finding.__file__).parent
IDENTITY = b"Harrow Point Workshop,PS-200,SIM-0001,1.0"


class TestAddress:
    @pytest.mark.parametrize(
        ("resource", "address"),
        [
            (
                "TCPIP0::192.0.2.10::5025::SOCKET",
                Address(Interface.SOCKET, "192.0.2.10", 5025),
            ),
            (
                "TCPIP::supply.example::INSTR",
                Address(Interface.VXI11, "supply.example", 111),
            ),
            (
                "TCPIP0::192.0.2.10,1024::inst0::INSTR",
                Address(Interface.VXI11, "192.0.2.10", 1024),
            ),
            (
                "TCPIP0::192.0.2.10::hislip0::INSTR",
                Address(Interface.HISLIP, "192.0.2.10", 4880),
            ),
            (
                "TCPIP0::192.0.2.10::hislip0,4881::INSTR",
                Address(Interface.HISLIP, "192.0.2.10", 4881),
            ),
            ("ASRL3::INSTR", Address(Interface.SERIAL, "COM3")),
            (
                "ASRL/dev/ttyUSB0::INSTR",
                Address(Interface.SERIAL, "/dev/ttyUSB0"),
            ),
            (
                "USB0::0x1234::0xABCD::SN1::INSTR",
                Address(Interface.USB, "1234:abcd"),
            ),
            ("GPIB0::5::INSTR", Address(Interface.GPIB)),
            ("VXI0::1::INSTR", Address(Interface.OTHER)),
            ("supply", None),
            ("TCPIP0::192.0.2.10::port::SOCKET", None),
            ("", None),
        ],
    )
    def test_reads_the_way_to_an_instrument(self, resource: str, address: Address | None) -> None:
        """A resource string tells interface, host and port; anything else is none."""
        assert read_address(resource) == address

    @given(st.text(max_size=60))
    def test_never_fails(self, resource: str) -> None:
        """Any text at all is read, or is no resource string."""
        read_address(resource)


class TestSoftware:
    @pytest.mark.parametrize(
        ("interface", "extra"),
        [(Interface.USB, "usb"), (Interface.SERIAL, "serial"), (Interface.GPIB, "gpib")],
    )
    def test_names_the_package_that_is_missing(self, interface: Interface, extra: str) -> None:
        """Each interface that needs a package of its own names the extra that brings it."""
        cause = _missing_package(interface, lambda _: False)

        assert cause is not None
        assert cause.write == (f'pip install "softwake[{extra}]"',)
        assert _missing_package(interface, lambda _: True) is None

    @pytest.mark.parametrize("interface", [Interface.SOCKET, Interface.VXI11, Interface.HISLIP])
    def test_the_network_needs_none(self, interface: Interface) -> None:
        """Instruments on the network need no package beyond what is installed anyway."""
        assert _missing_package(interface, lambda _: False) is None

    @pytest.mark.parametrize(
        ("visa", "problem", "what"),
        [
            ("@ivi", "Could not open VISA library:\n", "no system VISA library"),
            ("", "Could not locate a VISA implementation.", "no system VISA library"),
            ("@ni2", "Wrapper not found: No package named pyvisa_ni2", "knows no library '@ni2'"),
            ("/opt/visa.so", "cannot open shared object file", "'/opt/visa.so' cannot be opened"),
        ],
    )
    def test_a_library_that_is_not_there_has_a_stand_in(
        self, visa: str, problem: str, what: str
    ) -> None:
        """Whatever library is missing, the bench file can name the one that comes along."""
        cause = missing_library(visa, problem)

        assert what in cause.what
        assert cause.write == ('visa = "@py"',)


SOCKET = Address(Interface.SOCKET, "192.0.2.10", 3000)


class TestTable:
    @pytest.mark.parametrize("sign", _CAUSES)
    def test_every_sign_has_a_sentence_and_a_next_step(self, sign: str) -> None:
        """Nothing in the table is without a next step, and nothing in it is never told."""
        told = "".join(path.read_text(encoding="utf-8") for path in BENCH.glob("*.py"))
        name = sign.removeprefix("serial ").removeprefix("usb ")

        assert {"what", "remedy"} <= _CAUSES[sign].keys() <= {"what", "remedy", "write"}
        assert f'"{name}"' in told or f'"{sign}"' in told


class TestNetwork:
    @pytest.mark.parametrize(
        ("sign", "what", "remedy"),
        [
            ("no such name", "knows no host '192.0.2.10'", "check the name"),
            ("no answer", "does not answer", "its network cable"),
            ("no route", "no way to 192.0.2.10", "this computer's network"),
            ("refused", "its port 3000 is closed", "one connection only"),
            ("connection fails", "port 3000 fails", "firewall"),
        ],
    )
    def test_each_outcome_has_its_next_step(self, sign: str, what: str, remedy: str) -> None:
        """Refused, silent, unknown and unreachable are told apart."""
        cause = _network_cause(SOCKET, sign, "-", scpi_port_open=False)

        assert cause is not None
        assert what in cause.what
        assert remedy in cause.remedy

    def test_an_open_port_is_no_cause(self) -> None:
        """A connection that opens is not what is wrong."""
        assert _network_cause(SOCKET, "", scpi_port_open=False) is None

    @pytest.mark.parametrize("interface", [Interface.SOCKET, Interface.VXI11, Interface.HISLIP])
    def test_the_usual_port_is_proposed_where_it_is_open(self, interface: Interface) -> None:
        """Where another port is closed and 5025 is open, the resource to write is proposed."""
        # 5025 is registered as "scpi-raw" (IANA service names and port numbers, from memory)
        address = Address(interface, "192.0.2.10", 111)

        cause = _network_cause(address, "refused", scpi_port_open=True)

        assert cause is not None
        assert cause.write == ('resource = "TCPIP0::192.0.2.10::5025::SOCKET"',)


class TestAnswers:
    @pytest.mark.parametrize(
        ("answer", "name"),
        [(b"a\r\n", "CRLF"), (b"a\n", "LF"), (b"a\r", "CR"), (b"a", None), (b"", None)],
    )
    def test_names_the_terminator_of_an_answer(self, answer: bytes, name: str | None) -> None:
        """CR LF is one terminator, not two."""
        assert terminator_of(answer) == name

    @pytest.mark.parametrize(
        ("heard", "write"),
        [
            # answers to one terminator only, and ends likewise
            ({"CRLF": b"\r\n"}, ('terminator = "CRLF"',)),
            ({"CR": b"\r"}, ('terminator = "CR"',)),
            # takes LF and CR, but ends its answers with CR alone
            ({"LF": b"\r", "CR": b"\r"}, ('terminator = "CR"',)),
            # takes CR LF, ends with LF: read to LF, which both end in
            ({"CRLF": b"\n"}, ('terminator = "CRLF"',)),
        ],
    )
    def test_proposes_the_terminator_that_works_both_ways(
        self, heard: dict[str, bytes], write: tuple[str, ...]
    ) -> None:
        """The line proposed fits what the instrument takes and what it sends."""
        tried = {name: Heard() for name in ("LF", "CRLF", "CR")}
        tried |= {name: Heard(answer=IDENTITY + end) for name, end in heard.items()}

        cause = answer_cause(tried, configured="LF", timeout_s=1.0)

        assert cause is not None
        assert cause.write == write

    @pytest.mark.parametrize(
        ("heard", "what"),
        [
            ({"LF": IDENTITY}, "with no terminator at all"),
            ({"CR": IDENTITY + b"\n"}, "answers to CR (carriage return)"),
        ],
    )
    def test_says_where_no_terminator_serves_both_ways(
        self, heard: dict[str, bytes], what: str
    ) -> None:
        """What no line of the bench file can put right is left to the instrument's menu."""
        tried = {name: Heard(answer=answer) for name, answer in heard.items()}

        cause = answer_cause(tried, configured="LF", timeout_s=1.0)

        assert cause is not None
        assert what in cause.what
        assert cause.write == ()

    def test_a_slow_answer_gets_a_longer_time_out(self) -> None:
        """An answer past the time-out proposes one of twice its time, in whole seconds."""
        heard = {"LF": Heard(answer=IDENTITY + b"\n", after_s=1.7)}

        cause = answer_cause(heard, configured="LF", timeout_s=1.0)

        assert cause is not None
        assert cause.write == ('timeout = "4 s"',)

    def test_an_answer_in_order_is_not_blamed_on_the_terminator(self) -> None:
        """Where all is as it should be, the cable and other programs are left."""
        heard = {"LF": Heard(answer=IDENTITY + b"\n")}

        cause = answer_cause(heard, configured="LF", timeout_s=1.0)

        assert cause is not None
        assert "it answers now" in cause.what

    def test_another_baud_rate_is_proposed_with_its_terminator(self) -> None:
        """A rate that brings an answer is a line for the bench file, its terminator another."""
        heard = {"LF": Heard(), "CR": Heard(answer=IDENTITY + b"\r")}

        cause = answer_cause(heard, configured="LF", timeout_s=1.0, rate=19200)

        assert cause is not None
        assert cause.write == ('terminator = "CR"', "serial_line = { baud_rate = 19200 }")

    def test_silence_is_left_to_others(self) -> None:
        """Where no terminator brings anything, the terminator is not the cause."""
        assert answer_cause({"LF": Heard()}, configured="LF", timeout_s=1.0) is None

    @pytest.mark.parametrize(
        "answer", [b"HTTP/1.1 400 Bad Request\r\n\r\n", b"\xff\x00\xfe", b"SSH-2.0-x\r\n"]
    )
    def test_a_stranger_to_the_protocol_is_shown(self, answer: bytes) -> None:
        """What answers without saying what it is, is no instrument; its first bytes are shown."""
        assert not plausible_identity(answer)

        cause = answer_cause({"LF": Heard(answer=answer)}, configured="LF", timeout_s=1.0)

        assert cause is not None
        assert "does not say what it is" in cause.what
        assert cause.what.isascii()
        assert cause.what.isprintable()

    @pytest.mark.parametrize(
        "identity",
        [
            # four fields, 0 where one is unknown: IEEE 488.2-1992, 10.14
            b"Harrow Point Workshop,PS-200,0,0\n",
            IDENTITY + b"\r\n",
        ],
    )
    def test_an_identity_is_known(self, identity: bytes) -> None:
        """Printable fields with commas between them are an identity."""
        assert plausible_identity(identity)

    @given(st.dictionaries(st.sampled_from(["LF", "CRLF", "CR"]), st.binary(max_size=80)))
    def test_any_bytes_are_judged(self, heard: dict[str, bytes]) -> None:
        """Whatever bytes come back, the cause is one printable sentence."""
        tried = {name: Heard(answer=answer) for name, answer in heard.items()}

        cause = answer_cause(tried, configured="LF", timeout_s=1.0)

        assert (cause is None) == (not any(heard.values()))
        assert cause is None or cause.what.isprintable()


class TestStranger:
    def test_exchanged_instruments_are_told(self) -> None:
        """Where the meter answers for the supply, their resources are exchanged."""
        cause = stranger_cause("supply", "Harrow Point,DM-60,1,1", "PS-200", {"meter": "DM-60"})

        assert "that is the meter, where the supply should be" in cause.what
        assert cause.remedy == "exchange the resources of supply and meter in the bench file"

    def test_the_line_for_another_instrument_is_proposed(self) -> None:
        """Where the instrument is right after all, the line for the bench file is proposed."""
        cause = stranger_cause("supply", 'Harrow Point,PS "2",1,1', "PS-200", {"meter": "DM-60"})

        assert cause.write == ("""identity = 'PS "2"'""",)


class TestPorts:
    @pytest.mark.parametrize(
        ("error", "sign"),
        [
            (OSError(13, "Permission denied"), "denied"),
            (OSError(2, "No such file or directory"), "absent"),
            (OSError(16, "Device or resource busy"), "busy"),
            (
                OSError(11, "Could not exclusively lock port /dev/ttyUSB0"),
                "busy",
            ),
            # as Windows words it, through pyserial
            (
                OSError("could not open port 'COM3': PermissionError(13, 'Access is denied.')"),
                "busy",
            ),
            (
                OSError("could not open port 'COM9': FileNotFoundError(2, 'The system cannot "),
                "absent",
            ),
            # as PyUSB words it where it has no right to read a device's texts
            (ValueError("The device has no langid"), "denied"),
            (type("NoBackendError", (ValueError,), {})("No backend"), "no backend"),
            (RuntimeError("it went up in smoke"), "fails"),
        ],
    )
    def test_an_error_tells_the_state(self, error: Exception, sign: str) -> None:
        """Missing, forbidden and busy ports are told apart on every system."""
        assert _port_sign(error) == sign

    @pytest.mark.parametrize(
        ("sign", "remedy"),
        [
            ("absent", "plug the adapter in"),
            ("denied", "dialout"),
            ("busy", "close it"),
            ("fails", "unplug the adapter"),
        ],
    )
    def test_each_state_of_a_serial_port_has_its_next_step(self, sign: str, remedy: str) -> None:
        """Every state of a serial port but ready names a next step."""
        cause = _serial_cause("/dev/ttyUSB0", sign, ("/dev/ttyUSB1",), problem="-")

        assert cause is not None
        assert remedy in cause.remedy
        assert _serial_cause("/dev/ttyUSB0", "", ()) is None

    @pytest.mark.parametrize(
        ("present", "resource"),
        [("/dev/ttyUSB1", "ASRL/dev/ttyUSB1::INSTR"), ("COM4", "ASRL4::INSTR")],
    )
    def test_ports_that_are_there_are_proposed(self, present: str, resource: str) -> None:
        """Where the port is missing, the ones there are stand ready for the bench file."""
        cause = _serial_cause("COM3", "absent", (present,))

        assert cause is not None
        assert cause.write == (f'resource = "{resource}"',)

    def test_the_udev_rule_names_the_device(self) -> None:
        """Without the right to a USB device, Linux gets a rule for its vendor and product."""
        cause = _usb_cause("1234:abcd", "denied", linux=True)

        assert cause is not None
        # keys and tag as in udev(7) and systemd's 70-uaccess.rules: lower-case hex, four digits
        assert cause.write[0] == (
            'SUBSYSTEM=="usb", ATTR{idVendor}=="1234", ATTR{idProduct}=="abcd", '
            'MODE="0660", TAG+="uaccess"'
        )

    @pytest.mark.parametrize("sign", ["", "absent", "denied", "busy", "no backend", "fails"])
    def test_each_state_of_a_usb_device_has_its_next_step(self, sign: str) -> None:
        """Every state of a USB device but ready names a next step, on every system."""
        for linux in (True, False):
            cause = _usb_cause("0001:0002", sign, linux=linux, problem="-")
            assert (cause is None) == (sign == "")
            assert cause is None or cause.remedy
