"""The keeper's process, without its pipes."""

from __future__ import annotations

import contextlib
import io
import pickle
import subprocess
import sys
from queue import SimpleQueue
from typing import TYPE_CHECKING, Any

import pytest

from harness.errors import CommandRefused, HarnessError, LinkError, LinkTimeout
from harness.power.channel import Answer, Call, Sign, pump_in
from harness.power.commands import Arm, Command, SwitchOff, SwitchOn
from harness.power.keeper_process import KeeperService, _answer
from harness.power.trip import Tripped, TripReason
from harness.profile.load import load_bench
from harness.record.events import EventKind

if TYPE_CHECKING:
    from pathlib import Path

    from tests.power.conftest import Wire

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"


class TestErrors:
    def test_an_error_of_the_program_is_told_to_the_engine(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Whatever ends the keeper's work, the engine hears of it, and takes over."""

        def no_memory(*_: object) -> None:
            raise MemoryError("none left")

        monkeypatch.setattr("harness.power.keeper_process.hold_as_keeper", no_memory)
        service = KeeperService()
        service.calls.put(Call("open", (load_bench("bench-simulated-dc"), 0.0, None)))

        service.run()

        told = service.answers.get_nowait()
        assert isinstance(told, HarnessError)
        assert str(told) == "the keeper process: MemoryError: none left"


class TestLeftAlone:
    @pytest.mark.parametrize(("word", "said"), [("connected", True), ("disconnected", False)])
    def test_it_says_that_a_battery_may_be_there(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, word: str, *, said: bool
    ) -> None:
        """An engine that is gone without a word cannot say so any more."""
        heard: list[str] = []
        monkeypatch.setattr("harness.power.keeper_process.say", heard.append)
        journal = f"time_s,kind,step,detail\n0.1,load,charge,battery {word}\n0.2,power on,,\n"
        (tmp_path / "events.csv").write_text(journal, encoding="utf-8")
        service = KeeperService()
        service.calls.put(Call("open", (load_bench("bench-simulated-dc"), 0.0, tmp_path)))

        def gone(*_: object) -> None:
            service._tell(EventKind.POWER_OFF, "confirmed")
            service.arrived(Sign.CLOSED)
            service._leave_word()
            raise MemoryError

        monkeypatch.setattr("harness.power.keeper_process.hold_as_keeper", gone)
        service.run()

        assert "power off" in (tmp_path / "events.csv").read_text(encoding="utf-8")
        assert [text.startswith("A BATTERY MAY STILL BE CONNECTED") for text in heard] == [
            True
        ] * said


class TestAnswer:
    def test_a_refused_command_is_told_as_that_and_power_stays(self, wire: Wire) -> None:
        """What the keeper kept from the wire is the answer to the request, not the end of it."""
        answer = _answer(wire.host, Call("command", (SwitchOn(),), 7))

        assert (answer.number, answer.live) == (7, False)
        assert isinstance(answer.value, CommandRefused)

    def test_a_reading_that_fails_with_the_output_off_is_told_as_that(self, wire: Wire) -> None:
        """What the instrument did not answer is the answer, and the keeper goes on."""

        def silent() -> str:
            raise LinkTimeout("no answer in time", instrument="supply (wire)")

        wire.supply.answers[SAMPLE] = silent
        answer = _answer(wire.host, Call("read", ("supply", "voltage", "current"), 7))

        assert isinstance(answer.value, LinkTimeout)
        assert wire.host.trip is None

    def test_how_long_power_was_off_is_told_across_the_pipe(self, wire: Wire) -> None:
        """As two intervals, by the clock of the process that holds the link."""
        for _ in range(2):
            wire.host.command(Arm(24.0, 0.3))
            wire.host.command(SwitchOn())
            wire.host.command(SwitchOff())
        wire.host.command(Arm(24.0, 0.3))
        wire.host.command(SwitchOn())
        answer = _answer(wire.host, Call("off_time", (), 7))
        assert answer == Answer(7, wire.host.off_time(), live=True)
        assert answer.value is not None

    def test_switching_off_answers_after_a_trip(self, wire: Wire) -> None:
        """Off can be asked for at any time, and is done again, whatever has cut power before."""
        wire.host.command(Arm(2.4, 0.3))
        with contextlib.suppress(Tripped):
            wire.host.cut(TripReason.INTERNAL, "")
        wire.supply.messages.clear()

        assert _answer(wire.host, Call("power_off", number=8)) == Answer(8, wire.host.trip)
        assert wire.supply.messages == ["OUTP OFF", "OUTP?"]

    def test_an_instrument_s_error_from_a_command_ends_the_keeper(
        self, wire: Wire, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Only a reading may fail so: anything else is an error of the program."""

        def broken(_command: Command) -> None:
            raise LinkError("from nowhere", instrument="supply")

        monkeypatch.setattr(wire.host, "command", broken)

        with pytest.raises(LinkError):
            _answer(wire.host, Call("command", (SwitchOn(),), 9))


class TestPipe:
    def test_a_message_that_is_cut_off_closes_the_pipe(self) -> None:
        """Wherever the other end dies in a message, those before it count, and then it is gone."""
        whole = pickle.dumps(Call("make_room", (32,)), pickle.HIGHEST_PROTOCOL)
        for length in range(len(whole)):
            arrived: SimpleQueue[Any] = SimpleQueue()
            pump_in(io.BufferedReader(io.BytesIO(whole + whole[:length])), arrived.put)

            assert arrived.get(timeout=5.0) == Call("make_room", (32,))
            assert arrived.get(timeout=5.0) is Sign.CLOSED

    def test_what_is_no_message_closes_the_pipe(self) -> None:
        """A name that this program does not have, or plain noise: the other end counts as gone."""
        for noise in (b"cno_such_module\nNothing\n.", b"cbuiltins\nno_such\n.", b"\x80\xff", b"t."):
            arrived: SimpleQueue[Any] = SimpleQueue()
            pump_in(io.BufferedReader(io.BytesIO(noise)), arrived.put)

            assert arrived.get(timeout=5.0) is Sign.CLOSED


class TestImports:
    def test_the_process_holds_no_library_of_numbers(self) -> None:
        """What guards power starts at once and takes little memory: no numpy, scipy or pandas."""
        code = "import sys, harness.power.keeper_process; print(*sorted(sys.modules))"
        run = subprocess.run(
            [sys.executable, "-c", code], capture_output=True, encoding="utf-8", check=True
        )

        assert {"numpy", "pandas", "pint", "scipy"} & set(run.stdout.split()) == set()
