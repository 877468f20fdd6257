"""`softwake bench --wiring` on a supply with a resistor: what is asked, and what is printed."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
import typer
from typer.testing import CliRunner, Result

from harness.cli.bench import bench
from harness.cli.prompts import TerminalOperator
from harness.rehearse.clock import SimulatedClock
from tests.power.resistor_supply import CONVENTIONS, ResistorSupply

app = typer.Typer()
app.command()(bench)

BENCH = """
name = "bench"
visa = "@py"
[supply]
kind = "dc"
resource = "TCPIP0::127.0.0.1::{supply}::SOCKET"
dialect = "own.toml"
accuracy = {{ voltage = "0.05 % + 10 mV", current = "0.2 % + 2 mA" }}
[meter]
resource = "TCPIP0::127.0.0.1::{meter}::SOCKET"
dialect = "scpi-meter"
accuracy = {{ voltage_dc = "0.02 % + 2 mV" }}
"""

#: What a supply needs at the least, written in long form.
OWN = """
name = "own"
role = "supply"
[send]
clear = "*CLS"
set_voltage = "SOURce:VOLTage:LEVel {value}"
set_current_limit = "SOURce:CURRent:LEVel {value}"
set_voltage_protection = "SOURce:VOLTage:PROTection {value}"
output_on = "OUTPut:STATe ON"
output_off = "OUTPut:STATe OFF"
[ask]
identify = "*IDN?"
error = "SYSTem:ERRor?"
voltage_setting = "SOURce:VOLTage:LEVel?"
current_limit_setting = "SOURce:CURRent:LEVel?"
voltage_protection_setting = "SOURce:VOLTage:PROTection?"
output_state = "OUTPut:STATe?"
measure_voltage = "MEASure:SCALar:VOLTage:DC?"
measure_current = "MEASure:SCALar:CURRent:DC?"
status = "STATus:QUEStionable:CONDition?"
"""


#: What an answer takes, so that whoever asks in a loop waits rather than computes.
LATENCY_S = 0.005


@contextlib.contextmanager
def serving(answer: Callable[[str], str]) -> Iterator[int]:
    """Serve an instrument on loopback; yield its port."""
    lock = threading.Lock()

    def converse(connection: socket.socket) -> None:
        with contextlib.suppress(OSError), connection:
            for line in connection.makefile("rb"):
                with lock:
                    time.sleep(LATENCY_S)
                    said = answer(line.decode().strip())
                if said:
                    connection.sendall(said.encode() + b"\n")

    def accept() -> None:
        with contextlib.suppress(OSError):
            while True:
                talk = threading.Thread(target=converse, args=(server.accept()[0],), daemon=True)
                talk.start()

    with socket.create_server(("127.0.0.1", 0)) as server:
        acceptor = threading.Thread(target=accept)
        acceptor.start()
        yield server.getsockname()[1]
        with contextlib.suppress(OSError):
            server.shutdown(socket.SHUT_RDWR)
    acceptor.join()


@pytest.fixture
def softwake(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> Iterator[Callable[..., tuple[Result, ResistorSupply]]]:
    """Return a function that runs the command on a supply with this register."""
    monkeypatch.setattr("harness.power.lock.lock_folder", lambda: tmp_path / "locks")
    monkeypatch.setenv("COLUMNS", "80")
    # a resistor never lets it rise at a small limit: nothing is learnt by waiting for that long
    monkeypatch.setattr("harness.power.own_capacitance.RISE_S", 0.3)
    with contextlib.ExitStack() as stack:

        def run(convention: str, *options: str) -> tuple[Result, ResistorSupply]:
            supply = ResistorSupply(SimulatedClock(), CONVENTIONS[convention])

            def meter(message: str) -> str:
                fixed = {"*IDN?": "Harrow Point,DM-60,HRW-8,1.0", "SYST:ERR?": '0,"No error"'}
                known = {**fixed, "*TST?": "0", "*OPC?": "1", "MEAS:RES?": "9.9E37"}
                return known.get(message, f"{supply.state()[0]:.6f}")

            ports = {
                "supply": stack.enter_context(serving(supply.query)),
                "meter": stack.enter_context(serving(meter)),
            }
            (tmp_path / "own.toml").write_text(OWN, encoding="utf-8")
            path = tmp_path / "bench.toml"
            path.write_text(BENCH.format(**ports), encoding="utf-8")
            return CliRunner().invoke(app, [str(path), "--wiring", *options]), supply

        yield run


class TestStatusBits:
    def test_a_resistor_is_asked_for_and_the_lines_are_printed(
        self,
        softwake: Callable[..., tuple[Result, ResistorSupply]],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """After the leads a resistor is asked for; what is learnt stands as lines to copy."""
        asked: list[str] = []
        monkeypatch.setattr(TerminalOperator, "confirm", lambda *_: True)
        monkeypatch.setattr(
            TerminalOperator, "place_load", lambda *said: bool(asked.append(said[-1])) or True
        )

        ended, supply = softwake("bit 0 = protection, bit 1 = constant current")

        assert ended.exit_code == 0, ended.output
        assert "Connect a resistor of 22 ohm to 100 ohm across the supply, and nothing" in asked[0]
        assert ended.output.endswith(
            "    [status]\n    protection    = 1\n    current_limit = 2\n"
            "Output off, and confirmed off.\n"
        )
        assert supply.state()[0] == 0.0
        assert supply.highest_v <= 1.0

    @pytest.mark.parametrize("options", [(), ("--yes",)])
    def test_without_somebody_to_connect_one_it_is_left_out(
        self,
        softwake: Callable[..., tuple[Result, ResistorSupply]],
        monkeypatch: pytest.MonkeyPatch,
        options: tuple[str, ...],
    ) -> None:
        """A no leaves the bits out, and so does `--yes`: nobody has connected a resistor."""
        monkeypatch.setattr(TerminalOperator, "confirm", lambda *_: True)
        monkeypatch.setattr(TerminalOperator, "place_load", lambda *_: False)

        ended, supply = softwake("no bits at all", *options)

        assert ended.exit_code == 0, ended.output
        assert "[status]" not in ended.output
        assert sum("ON" in message.split() for message in supply.messages) == 2  # leads, own charge
