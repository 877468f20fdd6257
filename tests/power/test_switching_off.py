from __future__ import annotations

import contextlib
import subprocess
import sys
from queue import Empty, SimpleQueue
from typing import TYPE_CHECKING, Any

import pytest

from harness.bench.clock import SystemClock
from harness.errors import LinkTimeout, PowerOffUnconfirmed
from harness.power.channel import Channel, Sign
from harness.power.commands import OFF_ATTEMPTS, Arm, Set, SwitchOn
from harness.power.trip import Tripped

if TYPE_CHECKING:
    from tests.power.conftest import Wire


class TestTryingAgain:
    def test_an_output_that_goes_off_at_last_is_confirmed(self, wire: Wire) -> None:
        """After tries in vain a try that is confirmed counts: nobody goes on trying."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.command(SwitchOn())
        wire.supply.answers["OUTP?"] = lambda: "1"
        with pytest.raises(PowerOffUnconfirmed):
            wire.host.power_off()
        del wire.supply.answers["OUTP?"]

        wire.host.power_off()

        assert not wire.keeper.unconfirmed

    def test_each_try_has_a_fresh_link_to_the_supply(self, wire: Wire) -> None:
        """The link that did not confirm is opened again before each next try, and no other."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.command(SwitchOn())
        wire.supply.answers["OUTP?"] = lambda: "1"

        with pytest.raises(PowerOffUnconfirmed):
            wire.host.power_off()

        assert (wire.supply.reopened, wire.load.reopened) == (OFF_ATTEMPTS, 0)


class TestHungLink:
    def test_a_setting_that_is_not_answered(self, wire: Wire) -> None:
        """Off goes out on the old link at once, and again on a fresh one before it is confirmed."""
        wire.host.command(Arm(2.4, 0.3))
        wire.host.command(SwitchOn())
        wire.supply.messages.clear()
        opened: list[int] = []

        def silent() -> str:
            raise LinkTimeout("no answer in time", instrument="supply (wire)")

        def state() -> str:
            opened.append(wire.supply.reopened)
            return "0"

        wire.supply.answers |= {"VOLT?": silent, "OUTP?": state}
        with pytest.raises(Tripped):
            wire.host.command(Set("voltage", 4.8))

        assert wire.supply.messages == [
            "VOLT 4.800",
            "VOLT?",
            "OUTP OFF",
            "OUTP OFF",
            "OUTP?",
        ]
        assert opened == [1]


class _HeldUpClock(SystemClock):
    """A clock that jumps once, as it does for a process that was stopped."""

    def __init__(self, jump_s: float) -> None:
        super().__init__()
        self._jump_s = jump_s
        self.looks = 0

    def now_s(self) -> float:
        """Return the time; from the third look on, after the jump."""
        self.looks += 1
        return super().now_s() + (self._jump_s if self.looks > 2 else 0.0)


class TestStoppedEngine:
    def test_what_came_in_while_it_was_stopped_is_read_first(self) -> None:
        """A wait that was held up past its end looks for a message before it gives up."""
        child = [sys.executable, "-c", "import sys; sys.stdin.read()"]
        with subprocess.Popen(child, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
            line = Channel(process, _HeldUpClock(60.0))
            incoming = _LateQueue("the trip")
            line._incoming = incoming

            assert line.receive(4.0) == "the trip"
            line.close()


class TestSlowReading:
    def test_signs_of_life_go_on_for_the_announced_time(self) -> None:
        """While the engine waits for a slow reading the keeper hears of it, and no longer."""
        child = [sys.executable, "-c", "import sys; sys.stdin.read()"]
        with subprocess.Popen(child, stdin=subprocess.PIPE, stdout=subprocess.PIPE) as process:
            line = Channel(process, SystemClock())
            line._outgoing = SimpleQueue()

            line.beat(0.3)
            beats = 0
            with contextlib.suppress(Empty):
                while line._outgoing.get(timeout=0.5) is Sign.ALIVE:
                    beats += 1
            line._closed.set()
            line.kill()

        assert 3 <= beats <= 8


class _LateQueue(SimpleQueue[Any]):
    """A queue whose message comes with the second look, as a reading thread may bring it."""

    def __init__(self, message: str) -> None:
        super().__init__()
        self._message = message
        self._looks = 0

    def get(self, block: bool = True, timeout: float | None = None) -> Any:  # noqa: FBT002
        """Return the message at the second look."""
        self._looks += 1
        if self._looks == 2:
            self.put(self._message)
        return super().get(block, timeout)
