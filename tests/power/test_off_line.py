"""The line on which nothing but off can be said, past the engine."""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import threading
from collections.abc import Iterator
from queue import Empty
from typing import TYPE_CHECKING

import pytest

from harness.errors import CommandRefused
from harness.power.channel import Answer, Call, Sign
from harness.power.commands import Arm, Set, SwitchOn
from harness.power.keeper_process import KeeperService
from harness.power.off_line import OffLine, hear_off
from harness.power.trip import Tripped, TripReason
from harness.record.events import EventKind

if TYPE_CHECKING:
    from tests.power.conftest import Wire


@pytest.fixture
def line() -> Iterator[OffLine]:
    """A line whose ends are in this process."""
    with contextlib.closing(OffLine()) as line:
        yield line


class TestSaying:
    @pytest.mark.parametrize(
        ("who", "words"),
        [
            ("by a key", "switched off by a key"),
            ("on the page", "switched off on the page"),
            ("by some script", "switched off by hand"),
            (signal.SIGTERM, "stopped by SIGTERM"),
        ],
    )
    def test_who_says_it_is_heard(self, line: OffLine, who: str | int, words: str) -> None:
        """Whoever says off is named, also one that the line does not know."""
        line.say(who)

        assert hear_off(line.reader) == words

    def test_nothing_else_can_be_said(self, line: OffLine) -> None:
        """A byte that is nobody's says nothing, and the line stays open."""
        named = {*b"kph", *(int(number) for number in _stop_signals())}
        os.write(line.writer, bytes(byte for byte in range(256) if byte not in named))
        line.say("by a key")

        assert hear_off(line.reader) == "switched off by a key"

    def test_a_line_that_nobody_reads_holds_nobody_up(self, line: OffLine) -> None:
        """However often it is pressed, no press waits for a reader."""
        for _ in range(100_000):
            line.say("by a key")

    def test_after_the_run_nothing_is_written_anywhere(self) -> None:
        """A line that is closed says nothing, for its number may be another file's by then."""
        line = OffLine()
        line.close()
        reader, writer = os.pipe()
        try:
            assert {reader, writer} == {line.reader, line.writer}
            line.say("by a key")
            os.set_blocking(reader, False)
            with pytest.raises(BlockingIOError):
                os.read(reader, 1)
        finally:
            os.close(reader)
            os.close(writer)

    @pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX systems")
    def test_a_signal_is_said_before_the_program_handles_it(self, line: OffLine) -> None:
        """It is there while the main thread still waits for something that cannot be cut short."""
        heard: list[str] = []
        before = signal.signal(signal.SIGTERM, lambda *_: heard.append("handled"))
        try:
            with line.saying_signals():
                os.kill(os.getpid(), signal.SIGTERM)
                assert hear_off(line.reader) == "stopped by SIGTERM"
        finally:
            signal.signal(signal.SIGTERM, before)
        assert signal.set_wakeup_fd(-1) == -1

    def test_another_thread_may_lead_the_run(self, line: OffLine) -> None:
        """Only the main thread can have signals said; elsewhere nothing breaks."""
        wrong: list[BaseException] = []

        def lead() -> None:
            try:
                with line.saying_signals():
                    pass
            except BaseException as error:  # noqa: BLE001 - whatever it is fails the test
                wrong.append(error)

        thread = threading.Thread(target=lead)
        thread.start()
        thread.join()

        assert wrong == []


def _stop_signals() -> tuple[int, ...]:
    from harness.power.off_line import STOP_SIGNALS

    return STOP_SIGNALS


class TestKeeper:
    """The keeper's process obeys before anything that waits for it."""

    @staticmethod
    def serve(wire: Wire, *calls: object, off: str = "switched off by a key") -> list[object]:
        """Have off said, then serve these calls; return what the engine is told."""
        service = KeeperService()
        service.calls.put(None)
        service.switch_off(off)
        for call in (*calls, Sign.CLOSED):
            service.calls.put(call)
        service._serve(wire.host, 1)
        told = []
        with contextlib.suppress(Empty):
            while True:
                told.append(service.answers.get_nowait())
        return told

    def test_off_is_the_next_message(self, wire: Wire) -> None:
        """What the engine asked for and the keeper has not begun is not done any more."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.command(SwitchOn())
        wire.supply.messages.clear()
        told = self.serve(wire, Call("command", (Set("voltage", 12.0),), 7))

        assert wire.supply.messages[0] == "OUTP OFF"
        assert not any(message.startswith("VOLT 12") for message in wire.supply.messages)
        assert (EventKind.STOPPED, "switched off by a key") in wire.events
        trips = [each.trip for each in told if isinstance(each, Tripped)]
        assert [(trip.reason, trip.detail) for trip in trips] == [
            (TripReason.STOPPED, "switched off by a key")
        ]
        refused = [each for each in told if isinstance(each, Answer) and each.number == 7]
        assert isinstance(refused[0].value, CommandRefused)

    def test_power_does_not_come_after_it(self, wire: Wire) -> None:
        """Said before power, it keeps power from coming: no order of the two is a gap."""
        self.serve(wire, Call("command", (Arm(2.4, 0.3),), 7), Call("command", (SwitchOn(),), 8))

        assert "OUTP ON" not in wire.supply.messages

    def test_a_trip_keeps_its_reason(self, wire: Wire) -> None:
        """Where power was cut already, who wants it off changes nothing."""
        wire.host.command(Arm(2.4, 0.3))
        with contextlib.suppress(Tripped):
            wire.host.cut(TripReason.OVER_CURRENT, "")
        self.serve(wire)

        assert wire.host.trip is not None
        assert wire.host.trip.reason is TripReason.OVER_CURRENT
