"""`softwake bench`, as typed."""

from __future__ import annotations

import datetime as dt
import re
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
import typer
from typer.testing import CliRunner, Result

from harness.api import simulated_unit
from harness.bench import discover
from harness.bench.clock import SystemClock
from harness.cli.bench import bench
from harness.cli.prompts import TerminalOperator
from harness.errors import FileError, Refused
from harness.power.lock import hold_supply
from harness.profile.load import load_bench, load_profile
from harness.rehearse.server import serve
from harness.rehearse.simulated_bench import SimulatedBench
from harness.shipped import shipped

app = typer.Typer()
app.command()(bench)


@pytest.fixture
def softwake(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Callable[..., Result]:
    """Return a function that runs the command in eighty columns, with locks of its own."""
    monkeypatch.setattr("harness.power.lock.lock_folder", lambda: tmp_path / "locks")
    monkeypatch.setenv("COLUMNS", "80")
    return lambda *arguments: CliRunner().invoke(app, [*arguments])


@pytest.fixture
def served(tmp_path: Path) -> Iterator[tuple[SimulatedBench, Path]]:
    """A simulated bench on loopback, and the file that leads to it."""
    file = load_bench("bench-simulated-dc")
    unit = simulated_unit(load_profile("mount-controller-board"))
    simulated = SimulatedBench(unit, file, SystemClock())
    text = shipped("profiles", "bench-simulated-dc.toml").read_text(encoding="utf-8")
    with serve(simulated.devices, dict.fromkeys(simulated.devices, 0)) as ports:
        for resource, port in ports.items():
            text = text.replace(resource, f"TCPIP0::127.0.0.1::{port}::SOCKET")
        path = tmp_path / "bench.toml"
        path.write_text(text, encoding="utf-8")
        yield simulated, path


class TestBench:
    def test_a_bench_in_order_ends_well(
        self, softwake: Callable[..., Result], served: tuple[SimulatedBench, Path]
    ) -> None:
        """A bench on which all is well ends with 0, in eighty columns, nothing energised."""
        simulated, path = served

        ended = softwake(str(path))

        assert ended.exit_code == 0, ended.output
        assert max(map(len, ended.output.splitlines())) <= 80
        assert "ok     self-test    passed\n" in ended.output
        assert len(re.findall(r"note   pace +a (pair of readings|reading)", ended.output)) == 2
        assert (
            len(re.findall(r'^    reading_time = "[\d.]+ \ws"$', ended.output, re.MULTILINE)) == 2
        )
        assert ended.output.splitlines()[-2:] == [
            "All 3 instruments answer, and no fault was found.",
            "Nothing was set, and nothing was switched on.",
        ]
        assert not simulated.circuit.source_on

    def test_a_missing_instrument_ends_with_five(
        self, softwake: Callable[..., Result], served: tuple[SimulatedBench, Path]
    ) -> None:
        """An instrument that is not there is named with its next step; the others are looked at."""
        _, path = served
        file = load_bench(str(path))
        assert file.meter is not None
        with socket.create_server(("127.0.0.1", 0)) as server:
            closed = f"TCPIP0::127.0.0.1::{server.getsockname()[1]}::SOCKET"
        text = path.read_text(encoding="utf-8").replace(file.meter.resource, closed)
        path.write_text(text, encoding="utf-8")

        ended = softwake(str(path))

        assert ended.exit_code == 5
        assert "WRONG  link         127.0.0.1 is there, but its port" in ended.output
        assert "next: switch remote control over the network on" in ended.output
        assert "NOT READY: see meter." in ended.output
        assert "EL-150" in ended.output

    def test_a_line_to_write_stands_unfolded(
        self, softwake: Callable[..., Result], served: tuple[SimulatedBench, Path]
    ) -> None:
        """What is to be copied into a file stands on a line of its own."""
        _, path = served
        text = path.read_text(encoding="utf-8").replace('"DM-60"', '"DM-61"')
        path.write_text(text, encoding="utf-8")

        ended = softwake(str(path))

        assert ended.exit_code == 5
        assert '\n    identity = "DM-60 simulated"\n' in ended.output

    def test_what_is_connected_is_listed_with_lines_to_write(
        self,
        softwake: Callable[..., Result],
        served: tuple[SimulatedBench, Path],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """Each has its identity, its address and the dialect that fits; nothing is energised."""
        simulated, path = served
        meter = load_bench(str(path)).meter
        assert meter is not None
        monkeypatch.setattr(discover, "_local", lambda _: [meter.resource])
        monkeypatch.setattr(discover, "_ANSWER_S", 0.25)

        ended = softwake("--discover")

        assert ended.exit_code == 0, ended.output
        assert f'    resource = "{meter.resource}"\n    dialect = "scpi-meter"\n' in ended.output
        assert ended.output.splitlines()[-1] == "Nothing was set, and nothing was switched on."
        assert not simulated.circuit.source_on

    @pytest.mark.parametrize(
        ("words", "says"),
        [
            ((), "which bench?"),
            (("bench.toml", "--addresses", "192.0.2.0/28"), "it is searched with --discover"),
            (("--discover", "--wiring"), "it needs a bench file"),
            (("--discover", "--addresses", "here"), "no range of addresses"),
        ],
    )
    def test_options_that_do_not_fit_are_told(
        self, softwake: Callable[..., Result], words: tuple[str, ...], says: str
    ) -> None:
        """Without a file or --discover there is nothing to look at."""
        assert says in str(softwake(*words).exception)

    def test_a_bad_file_is_no_bench(self, softwake: Callable[..., Result], tmp_path: Path) -> None:
        """A file that cannot be used is an error of the file: exit code 2."""
        path = tmp_path / "bench.toml"
        path.write_text('name = "bench"\n', encoding="utf-8")

        ended = softwake(str(path))

        assert isinstance(ended.exception, FileError)
        assert ended.exception.exit_code == 2

    def test_a_supply_in_use_is_left_alone(
        self,
        softwake: Callable[..., Result],
        served: tuple[SimulatedBench, Path],
    ) -> None:
        """While a run uses the supply, the bench is not looked at."""
        _, path = served
        resource = load_bench(str(path)).supply.resource
        now = dt.datetime.now(dt.UTC)

        with hold_supply(resource, serial="HRW-0007", started=now):
            ended = softwake(str(path))

        assert isinstance(ended.exception, Refused)
        assert "for unit HRW-0007" in str(ended.exception)


def _noting(write: Callable[[bytes], Any], heard: list[bytes]) -> Callable[[bytes], Any]:
    """Return a device's `write` that notes every message."""

    def noting(message: bytes) -> Any:
        heard.extend(message.strip().split(b";"))
        return write(message)

    return noting


class TestWiring:
    def test_asks_before_the_output_goes_on(
        self,
        softwake: Callable[..., Result],
        served: tuple[SimulatedBench, Path],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """The check of the leads shows its cautions and asks; without a yes nothing is set."""
        simulated, path = served
        heard: list[bytes] = []
        for device in simulated.devices.values():
            monkeypatch.setattr(device, "write", _noting(device.write, heard))

        asked: list[str] = []
        monkeypatch.setattr(TerminalOperator, "confirm", lambda _, text: bool(asked.append(text)))
        ended = softwake(str(path), "--wiring")

        assert ended.exit_code == 5
        assert asked == ["Switch the output on now?"]
        assert ended.output.endswith("Nothing was switched on.\n")
        assert "The supply gives 1 V, limited to 50 mA" in ended.output
        assert "Mains and stored charge can kill." in ended.output
        assert b"OUTP?" in heard
        assert [message for message in heard if not message.endswith(b"?")] == []

    def test_compares_supply_and_meter_and_switches_off(
        self, softwake: Callable[..., Result], served: tuple[SimulatedBench, Path]
    ) -> None:
        """A meter across something else does not agree, and the output is off afterwards."""
        simulated, path = served

        ended = softwake(str(path), "--wiring", "--yes")

        assert ended.exit_code == 5, ended.output
        assert "WRONG  leads" in ended.output
        assert ended.output.endswith("Output off, and confirmed off.\n")
        assert not simulated.circuit.source_on

    def test_a_bench_that_is_not_well_is_not_energised(
        self, softwake: Callable[..., Result], served: tuple[SimulatedBench, Path]
    ) -> None:
        """Where anything is wrong with the instruments, the leads are not tried."""
        _, path = served
        text = path.read_text(encoding="utf-8").replace('"DM-60"', '"DM-61"')
        path.write_text(text, encoding="utf-8")

        ended = softwake(str(path), "--wiring", "--yes")

        assert ended.exit_code == 5
        assert "Check of the leads" not in ended.output
