"""`softwake new dialect` makes a dialect of the manual, and asks the instrument nothing else."""

from __future__ import annotations

import shlex
import socket
from collections.abc import Callable
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from harness.bench.dialect import Dialect, load_dialect
from harness.bench.probe import only_asks
from harness.cli.new import app
from harness.errors import FileError, Refused, UsageError
from tests.bench.conftest import peer

__all__ = ["peer"]

Serve = Callable[[Callable[[socket.socket], None]], int]


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def new(line: str, *answers: str) -> Result:
    """Run it, with what is typed at the terminal."""
    typed = "".join(f"{answer}\n" for answer in answers)
    return CliRunner().invoke(app, shlex.split(f"dialect {line}"), input=typed)


def said(done: Result) -> str:
    return str(done.exception) if done.exception else done.output


#: A supply in words and counts, as its manual shows it, in the order of the questions.
MANUAL = [
    *("ID", "plain"),  # identify
    "none",  # error
    *("OUT?", "STANDBY", "1", "ACTIVE"),  # output_state
    "none",  # current_limit_state
    "none",  # protection_state
    "APPL 12.300,0.456",  # set_current_limit
    *("APPL?", "12.300,0.456", "2"),  # current_limit_setting
    "APPL 12.300,0.456",  # set_voltage
    *("APPL?", "12.300,0.456", "1"),  # voltage_setting
    *("none", "none"),  # frequency
    *("none", "none"),  # protection
    *("VO?", "V1 12.30"),  # measure_voltage
    *("IO?", "0456", "0.456"),  # measure_current, in mA
    "none",  # measure_power
    *("OUT ACTIVE", "OUT STANDBY"),
    "none",  # clear
]


@pytest.fixture(scope="module")
def dialect(tmp_path_factory: pytest.TempPathFactory) -> Dialect:
    """The dialect that comes of the manual above."""
    to = tmp_path_factory.mktemp("new") / "own.toml"
    options = f"--to {to} --role supply --name own --protocol text --terminator CR"
    done = new(f"{options} --resource none", *MANUAL)
    assert done.exit_code == 0, said(done)
    return load_dialect(str(to))


class TestFromTheManual:
    def test_settings_are_made_of_the_examples(self, dialect: Dialect) -> None:
        """Two settings in one message name each other, with the digits of the example."""
        assert dialect.message("set_voltage", 5.0, {"set_current_limit": 0.25}) == (
            "APPL 5.000,0.250"
        )
        assert dialect.message("set_current_limit", 0.25, {"set_voltage": 5.0}) == (
            "APPL 5.000,0.250"
        )

    @pytest.mark.parametrize(
        ("operation", "answer", "value"),
        [
            ("voltage_setting", "24.000,0.300", "24.000"),
            ("current_limit_setting", "24.000,0.300", "0.300"),
            ("measure_voltage", "V1 5.00", "5.00"),
            ("measure_current", "1200", "1.200"),
            ("output_state", "STANDBY", "0"),
            ("output_state", "ACTIVE", "1"),
        ],
    )
    def test_answers_are_taken_apart_as_told(
        self, dialect: Dialect, operation: str, answer: str, value: str
    ) -> None:
        """Part, header, worth of a count and words come from the examples."""
        assert dialect.value_in(operation, answer) == value

    def test_the_link_is_as_told(self, dialect: Dialect) -> None:
        """What ends a message is written down."""
        assert dialect.link.terminator == "CR"


class TestOptions:
    def test_messages_and_answers_can_be_given(self) -> None:
        """Everything has an option; what is left is SCPI, and what is optional is left out."""
        done = new(
            "--yes --role meter --name own --message measure_voltage_dc=READ? "
            '--answer "measure_voltage_dc=12.0 V"'
        )

        assert done.exit_code == 0, said(done)
        dialect = load_dialect("dialect.toml", Path.cwd())
        assert dialect.ask == {"identify": "*IDN?", "measure_voltage_dc": "READ?"}
        assert dialect.value_in("measure_voltage_dc", "5.0 V") == "5.0"

    def test_registers(self) -> None:
        """Registers are written down with what a count is worth."""
        messages = {
            "identify": "device",
            "output_state": "coil 1",
            "set_voltage": "holding 0x10 = 1230",
            "voltage_setting": "holding 0x10",
            "set_current_limit": "holding 0x11 = 456",
            "current_limit_setting": "holding 0x11",
            "measure_voltage": "input 0x20",
            "measure_current": "input 0x21",
            "output_on": "coil 1 = on",
            "output_off": "coil 1 = off",
        }
        given = " ".join(f'--message "{name}={text}"' for name, text in messages.items())
        done = new(f"--yes --role supply --protocol modbus {given}")

        assert done.exit_code == 0, said(done)
        dialect = load_dialect("dialect.toml", Path.cwd())
        assert dialect.message("set_voltage", 24.0) == "holding 0x10 = 2400"
        assert dialect.message("set_current_limit", 0.3) == "holding 0x11 = 300"

    @pytest.mark.parametrize(
        ("options", "says"),
        [
            ("--role bath", "none of supply, meter, load, power_meter, switch"),
            ("--role meter --message volts=READ?", "no operation and its text"),
            ("--role supply --message set_voltage=VOLT", "12.3 stands in it nowhere"),
            (
                "--role supply --message 'set_voltage=APPL 12.30,0.500'",
                "0.500 stands in it as well, and would be set each time",
            ),
            (
                "--role meter --answer measure_voltage_dc=five --message measure_voltage_dc=R?",
                "apart",
            ),
            ("--role supply --protocol modbus", "--message identify=..."),
        ],
    )
    def test_nonsense_is_told_and_nothing_written(self, options: str, says: str) -> None:
        """A mistake names its option; no file is left behind."""
        done = new(f"--yes {options}")

        assert isinstance(done.exception, UsageError), said(done)
        assert says in said(done)
        assert not Path("dialect.toml").exists()

    def test_what_would_not_load_is_not_written(self) -> None:
        """Every mistake of the draft is told in one go."""
        done = new('--yes --role supply --message "output_on=OUTP \u03a9"')

        assert isinstance(done.exception, FileError | UsageError), said(done)
        assert not Path("dialect.toml").exists()


def supply(heard: list[str], state: str) -> Callable[[socket.socket], None]:
    """Answer as a supply, and note every message."""
    answers = {
        "*IDN?": "Workshop,PS-200,7,1.0",
        "OUTP?": state,
        "CURR?": "0.300 A",
        "VOLT?": "12.000 V",
        "MEAS:VOLT?": "0.000 V",
        "MEAS:CURR?": "0.000 A",
    }

    def behave(connection: socket.socket) -> None:
        for line in connection.makefile("r", encoding="ascii"):
            heard.append(line.strip())
            if line.strip() in answers:
                connection.sendall(answers[line.strip()].encode() + b"\n")

    return behave


class TestLive:
    def test_each_question_is_tried_and_nothing_else_is_sent(self, peer: Serve) -> None:
        """The instrument hears questions alone; its answers give the lines (safety rule 1)."""
        heard: list[str] = []
        port = peer(supply(heard, "0"))
        done = new(f"--yes --role supply --resource TCPIP0::127.0.0.1::{port}::SOCKET")

        assert done.exit_code == 0, said(done)
        asked = ["*IDN?", "OUTP?", "CURR?", "VOLT?", "MEAS:VOLT?", "MEAS:CURR?"]
        assert sorted(heard) == sorted(asked)
        assert all(only_asks(message) for message in heard)
        assert load_dialect("dialect.toml", Path.cwd()).value_in("voltage_setting", "5 V") == "5"

    def test_with_its_output_on_nothing_more_is_asked(self, peer: Serve) -> None:
        """What is on may have a unit at it: the rest waits, and no file is written."""
        heard: list[str] = []
        port = peer(supply(heard, "1"))
        done = new(f"--yes --role supply --resource TCPIP0::127.0.0.1::{port}::SOCKET")

        assert isinstance(done.exception, Refused), said(done)
        assert "output_state says that it is on" in said(done)
        assert heard == ["*IDN?", "OUTP?"]
        assert not Path("dialect.toml").exists()

    def test_a_message_that_may_do_more_is_not_sent(self, peer: Serve) -> None:
        """A question behind a setting, or letters without a question mark, are not tried."""
        heard: list[str] = []
        port = peer(supply(heard, "0"))
        done = new(
            f"--yes --role supply --resource TCPIP0::127.0.0.1::{port}::SOCKET "
            '--message identify=ID --message "measure_current=OUTP ON;:MEAS:CURR?"'
        )

        assert done.exit_code == 0, said(done)
        assert "OUTP ON;:MEAS:CURR? is not sent: it may do more than ask" in done.output
        assert sorted(heard) == sorted(["OUTP?", "CURR?", "VOLT?", "MEAS:VOLT?"])


class TestOnlyAsks:
    @pytest.mark.parametrize(
        "message", ["*IDN?", "MEAS:VOLT? (@2)", "MEAS:VOLT?;:MEAS:CURR?", "V1?", "APPL? P1"]
    )
    def test_a_question(self, message: str) -> None:
        """The query form of each part."""
        assert only_asks(message)

    @pytest.mark.parametrize(
        "message",
        [
            *("", "OUTP ON", "OUTP ON;:MEAS:VOLT?", "VOLT 5?", "ID", "*TST?", "*CAL?", "CAL:ALL?"),
            *("INST:NSEL 2;:VOLT?", "MEAS:VOLT?;OUTP ON", "MEAS:VOLT?;", "OUTP ON\n?", "OUT 1 ?"),
        ],
    )
    def test_no_question(self, message: str) -> None:
        """What could set, switch, calibrate or test is none."""
        assert not only_asks(message)

    @pytest.mark.parametrize(
        ("message", "asks"),
        [("holding 5", True), ("coil 1", True), ("coil 1 = on", False), ("OUTP?", False)],
    )
    def test_registers_are_read(self, message: str, asks: bool) -> None:
        """Reading registers sets nothing; all else is not sent."""
        assert only_asks(message, "modbus") is asks
