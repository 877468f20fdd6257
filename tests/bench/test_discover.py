"""What is connected is found, named, and matched with a dialect by questions alone."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from harness.bench import discover as module
from harness.bench.discover import Found, addresses_of, dialects_at_hand, discover
from harness.errors import Refused, UsageError
from tests.bench.test_diagnose_sockets import instrument_on_a_serial_port
from tests.outside.partner import OutsideBench

__all__ = ["instrument_on_a_serial_port"]


@contextlib.contextmanager
def free(_: str) -> Iterator[None]:
    """Let anybody have a resource."""
    yield


@pytest.fixture(autouse=True)
def _quick(monkeypatch: pytest.MonkeyPatch) -> None:
    """What does not answer is not waited for as long as at a bench."""
    monkeypatch.setattr(module, "_ANSWER_S", 0.25)
    monkeypatch.setattr(module, "_SERIAL_S", 0.2)


@pytest.fixture(scope="module", params=["dc", "ac"])
def outside(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[OutsideBench]:
    """Instruments that parse SCPI-1999 strictly, and do not answer what they do not know."""
    folder = tmp_path_factory.mktemp("outside")
    with OutsideBench(folder, {"kind": request.param}) as bench:
        yield bench
    assert not bench.events("power", on=True)


class TestInstruments:
    def test_each_is_named_with_the_dialect_of_its_role(
        self, outside: OutsideBench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Who it is, and the dialect whose questions it answers best; its error queue is empty."""
        # the outside bench's AC source holds its peak
        ac = outside._config.get("kind") == "ac"
        supply = "scpi-ac-source-peak" if ac else "scpi-dc-supply"
        expected = {"supply": supply, "meter": "scpi-meter", "load": "scpi-load"}
        ports = {role: port for role, port in outside.ports.items() if role in expected}
        resources = {f"TCPIP0::127.0.0.1::{port}::SOCKET": role for role, port in ports.items()}
        monkeypatch.setattr(module, "_local", lambda _: list(resources))

        found = {
            resources[one.resource]: one for one in discover("@py", dialects_at_hand(()), free)
        }

        assert {role: one.dialects[0] for role, one in found.items()} == expected
        assert all("," in one.identity and not one.settings for one in found.values())

    def test_on_a_network_only_where_it_is_asked_for(
        self, outside: OutsideBench, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A range is searched at the port for SCPI; without one nothing is connected to."""
        monkeypatch.setattr(module, "_local", lambda _: [])
        monkeypatch.setattr(module, "SCPI_PORT", outside.ports["meter"])
        dialects = {"scpi-meter": dialects_at_hand(())["scpi-meter"]}

        (found,) = discover("@py", dialects, free, addresses_of("127.0.0.1/32"))

        assert found.dialects == ("scpi-meter",)
        assert list(discover("@py", dialects, free)) == []


class TestSerial:
    def test_terminator_and_speed_are_found(
        self,
        instrument_on_a_serial_port: Callable[[bytes], str],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:
        """A serial port is tried with each terminator; the lines to write come with it."""
        port = instrument_on_a_serial_port(b"\r")
        resource = f"ASRL{port}::INSTR"
        monkeypatch.setattr(module, "_local", lambda _: [resource])

        (found,) = discover("@py", {}, free)

        assert found.identity.count(",") >= 1
        assert found.settings == ('terminator = "CR"',)

    def test_a_port_where_nothing_answers_is_listed(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """What is there is told, whether it says who it is or not."""
        monkeypatch.setattr(module, "_local", lambda _: ["ASRL/dev/ttyNONE9::INSTR"])

        assert list(discover("@py", {}, free)) == [
            Found("ASRL/dev/ttyNONE9::INSTR", "", "nothing answers *IDN?", (), ())
        ]


class TestRights:
    def test_what_a_run_holds_is_not_asked(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A run has its instruments to itself."""

        def held(_: str) -> Any:
            raise Refused(["a run has it"])

        monkeypatch.setattr(module, "_local", lambda _: ["GPIB0::7::INSTR"])

        (found,) = discover("@py", {}, held)

        assert found.note == "a run has it"


class TestAddresses:
    def test_a_range_has_its_hosts(self) -> None:
        """Network and broadcast addresses are none (RFC 4632 notation)."""
        assert addresses_of("192.0.2.0/30") == ("192.0.2.1", "192.0.2.2")
        assert addresses_of("192.0.2.7") == ("192.0.2.7",)

    @pytest.mark.parametrize(
        ("text", "says"),
        [("bench", "no range of addresses"), ("10.0.0.0/8", "at most 1024 are searched")],
    )
    def test_nonsense_is_told(self, text: str, says: str) -> None:
        """What is no range, or is a whole network, is not searched."""
        with pytest.raises(UsageError, match=says):
            addresses_of(text)


def test_dialects_of_the_folder_are_tried_too(tmp_path: Path) -> None:
    """A file that is a dialect counts, any other is left alone."""
    good, bad = tmp_path / "own.toml", tmp_path / "bench.toml"
    good.write_text(
        'name = "own"\nrole = "meter"\n[ask]\nidentify = "*IDN?"\nmeasure_voltage_dc = "V?"\n',
        encoding="utf-8",
    )
    bad.write_text('name = "bench"\n', encoding="utf-8")

    found = dialects_at_hand((str(good), str(bad)))

    assert str(good) in found
    assert str(bad) not in found
