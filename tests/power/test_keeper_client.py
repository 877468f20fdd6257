from __future__ import annotations

import contextlib
import threading
import time
from collections import deque
from collections.abc import Callable, Iterator
from typing import Any, cast

import pytest

from harness.bench.clock import SystemClock
from harness.bench.sample import SupplySample
from harness.errors import LinkError, LinkTimeout, PowerOffUnconfirmed, RecordError
from harness.power import keeper_client, without_keeper
from harness.power.channel import Answer, Call, Sign, see_out, start_own_process
from harness.power.commands import CLIENT_SILENCE_S, Arm, Set, SwitchOn
from harness.power.dip import Dip
from harness.power.envelope import OperatingEnvelope
from harness.power.keeper_client import ProcessPower
from harness.power.on_the_wire import OFF_BY_HAND
from harness.power.process_bench import open_process_bench
from harness.power.trip import Trip, Tripped, TripReason
from harness.power.without_keeper import WithoutKeeper
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench
from harness.record.events import EventKind
from tests.power.quick_bench import quick_bench

LIMITS = OperatingEnvelope(voltage_v=132.0, current_a=1.5, power_w=90.0)
QUICK_LIMITS = OperatingEnvelope(voltage_v=26.4, current_a=1.5, power_w=36.0, load_current_a=1.0)
TRIP = Trip(reason=TripReason.RECORD_LOST, detail="full", time_s=1.0, live=True)


class Script:
    """A line to a keeper process that says what a test has written down."""

    def __init__(self, *script: Any) -> None:
        self.messages = deque([Answer(1), *script])
        self.sent: list[Any] = []
        self.kills = 0
        self.silent_for_s = 0.0
        self.attend: Callable[[], None] = lambda: None
        self.waits = 0  # so often nothing has come yet

    @property
    def has_come(self) -> bool:
        """Whether the keeper has said the next: not before it was asked so often."""
        self.waits -= 1
        return self.waits < 0

    def send(self, message: Any) -> None:
        """Note what the keeper is told."""
        self.sent.append(message)

    def receive(self, _longest_s: float) -> Any:
        """Return what the keeper says next; at the end it is gone."""
        self.attend()
        return self.messages.popleft() if self.messages else Sign.CLOSED

    def silent_s(self) -> float:
        """Return how long the keeper has been silent: as a test says."""
        return self.silent_for_s

    def kill(self) -> None:
        """Note it."""
        self.kills += 1


class OffByHand:
    """Stands for opening the bench again: notes what was opened, and what was told by itself.

    Attributes:
        told: Role and operation of each message to what is not the supply.
    """

    def __init__(self, *, broken: str = "") -> None:
        self.benches: list[BenchFile] = []
        self.told: list[tuple[str, str]] = []
        self._broken = broken

    @contextlib.contextmanager
    def open(self, file: BenchFile, _clock: object) -> Iterator[Any]:
        """Open, unless the broken instrument is on the bench."""
        self.benches.append(file)
        if self._broken and file.instruments.get(self._broken) is not None:
            raise LinkError("it cannot be opened", instrument=f"{self._broken} (nowhere)")
        yield self

    def power(self, *_: object) -> OffByHand:
        """Return the keeper in this process."""
        return self

    def power_off(self) -> None:
        """Switch off."""

    @contextlib.contextmanager
    def open_one(self, _file: BenchFile, roles: tuple[str, ...], _clock: object) -> Iterator[Any]:
        """Open one instrument that is no supply, unless it is broken."""
        (role,) = roles
        if role == self._broken:
            raise LinkError("it cannot be opened", instrument=f"{role} (nowhere)")
        self._open = role
        yield {role: self}

    def send(self, operation: str) -> None:
        """Note what it is told."""
        self.told.append((self._open, operation))

    def state(self, _operation: str) -> bool:
        """Say that it is off."""
        return False


@pytest.fixture(autouse=True)
def all_else(monkeypatch: pytest.MonkeyPatch) -> OffByHand:
    """Have nothing but the supply opened in earnest where a keeper is gone."""
    opened = OffByHand()
    monkeypatch.setattr(without_keeper, "open_instruments", opened.open_one)
    return opened


def event(kind: EventKind, detail: str = "") -> Call:
    return Call("on_event", (kind, detail))


def power_over(script: Script, on_event: Any = lambda *_: None) -> ProcessPower:
    """Return power at the end of a line."""
    return ProcessPower(
        load_bench("bench-simulated-ac"),
        SystemClock(),
        cast("Any", script),
        LIMITS,
        on_event,
        lambda _: None,
    )


class TestDip:
    """A drop is the keeper's; meanwhile this process reads what is its own."""

    ASKED = Dip(voltage_v=0.0, back_v=24.0, duration_s=0.06)

    def test_what_goes_on_meanwhile_is_done_while_nothing_comes(self) -> None:
        """Again and again, and not once more after the answer is there."""
        script = Script(Answer(2, "the record"))
        power, done = power_over(script), []
        script.waits = 3
        assert power.dip(self.ASKED, lambda: done.append(1)) == "the record"
        assert len(done) == 3
        assert script.sent[-1] == Call("dip", (self.ASKED,), 2)  # the keeper hears nothing of it

    def test_a_trip_ends_it(self) -> None:
        """What cut power in the drop is met before the next reading."""
        script = Script(Tripped(TRIP))
        power, done = power_over(script), []
        script.waits = 1
        with pytest.raises(Tripped):
            power.dip(self.ASKED, lambda: done.append(1))
        assert len(done) == 1


class TestLive:
    def test_power_is_live_from_on_to_off(self) -> None:
        """What the keeper says of power counts as soon as it is heard, before any answer."""
        seen: list[tuple[str, bool]] = []
        script = Script(
            event(EventKind.POWER_ON),
            event(EventKind.CHECK),
            event(EventKind.POWER_OFF, "confirmed"),
            Answer(2),
        )
        power = power_over(script, lambda kind, _: seen.append((kind, power.live)))

        power.command(Set("voltage", 60.0))

        assert seen == [("power on", True), ("check", True), ("power off", False)]


class TestCut:
    def test_an_answer_to_an_earlier_request_is_passed_over(self) -> None:
        """A cut waits for the trip, whatever the keeper still says about an earlier command."""
        script = Script(Answer(2, live=True), Tripped(TRIP))
        power = power_over(script)

        with pytest.raises(Tripped) as caught:
            power.cut(TripReason.RECORD_LOST, "full")
        assert caught.value.trip == TRIP
        assert script.sent[1:] == [Call("cut", (TripReason.RECORD_LOST, "full"))]

    def test_power_that_is_cut_is_not_cut_again(self) -> None:
        """After a trip a cut asks the keeper for nothing: the first reason stands."""
        script = Script(Tripped(TRIP))
        power = power_over(script)
        with pytest.raises(Tripped):
            power.command(Set("voltage", 60.0))
        told = len(script.sent)

        with pytest.raises(Tripped):
            power.cut(TripReason.INTERNAL, "something else")
        assert len(script.sent) == told


class TestAnswers:
    def test_an_answer_to_an_earlier_request_is_not_taken_for_this_one(self) -> None:
        """A reading is the answer of its own number, whatever was still on its way."""
        power = power_over(Script(Answer(1, {"status": 1.0}), Answer(2, {"status": 5.0})))

        assert power.read("supply", "status") == {"status": 5.0}

    def test_a_reading_that_fails_with_the_output_off_is_told_as_it_is(self) -> None:
        """What the instrument did wrong reaches the engine, and cuts nothing."""
        error = LinkTimeout("no answer in time", instrument="load (wire)")
        power = power_over(Script(Answer(2, error)))

        with pytest.raises(LinkTimeout, match="no answer in time"):
            power.read("load", "voltage")
        assert power.trip is None

    def test_a_trip_that_is_told_twice_counts_once(self) -> None:
        """A cut that crosses a trip on its way brings it twice: what is read later is read."""
        script = Script(Tripped(TRIP), Tripped(TRIP), Answer(3, {"current": 0.0}))
        power = power_over(script)
        with pytest.raises(Tripped):
            power.command(Set("voltage", 60.0))

        assert power.read("supply", "current") == {"current": 0.0}

    def test_power_that_may_be_on_is_told_after_a_trip(self) -> None:
        """A trip whose switching off fails later is the more serious of the two."""
        error = PowerOffUnconfirmed("OUTPUT OFF COULD NOT BE CONFIRMED", where="supply")
        power = power_over(Script(Tripped(TRIP), error))
        with pytest.raises(Tripped):
            power.command(Set("voltage", 60.0))

        with pytest.raises(PowerOffUnconfirmed):
            power.read("supply", "current")
        assert power.unconfirmed


class TestKeeperLost:
    def test_a_keeper_that_switched_off_on_its_way_out(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The unit was energised, so the run counts as tripped, though power is off by then."""
        monkeypatch.setattr(without_keeper, "open_bench", OffByHand().open)
        script = Script(
            event(EventKind.POWER_ON),
            Answer(2, live=True),
            event(EventKind.POWER_OFF),
        )
        power = power_over(script)
        power.command(SwitchOn())

        with pytest.raises(Tripped) as caught:
            power.sample()
        assert caught.value.trip.reason is TripReason.KEEPER_LOST
        assert caught.value.trip.live
        assert script.kills == 1

    def test_a_keeper_lost_while_it_switches_on(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """From the moment the keeper is told to switch on, the unit counts as energised."""
        monkeypatch.setattr(without_keeper, "open_bench", OffByHand().open)
        power = power_over(Script())

        with pytest.raises(Tripped) as caught:
            power.command(SwitchOn())
        assert caught.value.trip.live

    def test_a_load_that_is_gone_does_not_keep_the_supply_on(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The supply is opened first, alone, and switched off; then the load, if it can be."""
        by_hand = OffByHand(broken="load")
        monkeypatch.setattr(without_keeper, "open_bench", by_hand.open)
        monkeypatch.setattr(without_keeper, "open_instruments", by_hand.open_one)
        power = power_over(Script())

        with pytest.raises(Tripped):
            power.command(SwitchOn())
        (only,) = by_hand.benches
        assert only.load is None

    def test_a_supply_that_is_gone_is_told(
        self, monkeypatch: pytest.MonkeyPatch, all_else: OffByHand
    ) -> None:
        """Where the supply cannot be opened either, the operator must cut the mains.

        The load goes off all the same.
        """
        monkeypatch.setattr(without_keeper, "open_bench", OffByHand(broken="supply").open)
        power = power_over(Script())

        with pytest.raises(PowerOffUnconfirmed, match="cut the mains"):
            power.command(SwitchOn())
        assert power.unconfirmed
        assert ("load", "input_off") in all_else.told

    def test_a_record_that_is_lost_as_well_does_not_hide_it(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The trip is kept when it cannot be written down: the next cut raises it at once."""
        monkeypatch.setattr(without_keeper, "open_bench", OffByHand().open)

        def full(kind: str, _detail: str) -> None:
            if kind == "trip":
                raise RecordError("the record cannot be written")

        script = Script()
        power = power_over(script, full)
        with pytest.raises(RecordError):
            power.command(SwitchOn())

        with pytest.raises(Tripped) as caught:
            power.cut(TripReason.RECORD_LOST, "full")
        assert caught.value.trip.reason is TripReason.KEEPER_LOST

    def test_who_has_to_turn_to_zero_is_told_on_the_screen(
        self, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
    ) -> None:
        """Where no switch cuts a source set by hand, whoever leads the run waits for a person."""

        class Waiting(OffByHand):
            def power(self, *bounds_and_ears: Any) -> Waiting:
                """Return the keeper in this process, which asks for a hand."""
                bounds_and_ears[1](EventKind.TURN, OFF_BY_HAND)
                return self

        monkeypatch.setattr(without_keeper, "open_bench", Waiting().open)
        meter = {"resource": "TCPIP0::127.0.0.1::1::SOCKET", "dialect": "scpi-power-meter"}
        by_hand = {"kind": "by hand", "range": {"voltage": "40 V"}, "frequency": "60 Hz"}
        file = BenchFile.model_validate({"name": "bench", "supply": by_hand, "power_meter": meter})

        WithoutKeeper(file, SystemClock(), LIMITS).switch_off()

        assert "POWER IS ON: TURN TO 0 V" in capsys.readouterr().err


class TestSilentKeeper:
    def test_whoever_looks_takes_over_and_the_engine_meets_it_later(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A thread that looks switches off at once; events come from the thread that leads."""
        by_hand = OffByHand()
        monkeypatch.setattr(without_keeper, "open_bench", by_hand.open)
        script = Script(event(EventKind.POWER_ON), Answer(2, live=True))
        events: list[str] = []
        power = power_over(script, lambda kind, _detail: events.append(kind))
        power.command(SwitchOn())
        script.silent_for_s = 0.7
        looking = threading.Thread(target=script.attend)
        looking.start()
        looking.join()

        assert by_hand.benches
        assert not power.live
        assert events == ["power on"]
        with pytest.raises(Tripped, match="does not answer"):
            power.sample()
        assert events == ["power on", "trip", "power off"]

    def test_it_is_taken_over_once(
        self, monkeypatch: pytest.MonkeyPatch, all_else: OffByHand
    ) -> None:
        """Whatever number of threads see it at the same time, one ends it and switches off."""
        by_hand = OffByHand()
        monkeypatch.setattr(without_keeper, "open_bench", by_hand.open)
        script = Script(event(EventKind.POWER_ON), Answer(2, live=True))
        power = power_over(script)
        power.command(SwitchOn())
        script.silent_for_s = 0.7
        together = threading.Barrier(9)

        def look() -> None:
            together.wait()
            script.attend()

        threads = [threading.Thread(target=look) for _ in range(8)]
        for thread in threads:
            thread.start()
        together.wait()
        with pytest.raises(Tripped):
            power.sample()
        for thread in threads:
            thread.join()

        assert script.kills == 1
        assert [bench.load is None for bench in by_hand.benches] == [True]
        assert all_else.told == [("load", "input_off")]

    def test_what_it_said_before_changes_nothing(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A message that was on its way when the keeper was ended does not bring power back."""
        monkeypatch.setattr(without_keeper, "open_bench", OffByHand().open)
        script = Script(event(EventKind.POWER_ON), Answer(2, live=True))
        power = power_over(script)
        script.silent_for_s = 0.7
        power.command(SwitchOn())

        assert not power.live
        assert script.kills == 1
        with pytest.raises(Tripped):
            power.sample()
        assert script.kills == 1

    def test_a_silence_before_power_is_no_reason(self) -> None:
        """While nothing is energised nobody is in a hurry."""
        script = Script()
        power = power_over(script)
        script.silent_for_s = 5.0
        script.attend()

        assert script.kills == 0
        assert power.trip is None


class TestUnwatched:
    def test_the_engine_has_it_cut_of_its_own(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """A gap that the keeper did not notice is cut by the engine, and never goes unseen."""
        elapsed = [0.0]
        monkeypatch.setattr("harness.power.attention.elapsed_s", lambda: elapsed[0])
        monkeypatch.setattr("harness.power.attention.awake_s", lambda: 0.0)
        trip = Trip(reason=TripReason.UNWATCHED, detail="for 20 s", time_s=1.0, live=False)
        script = Script(
            event(EventKind.POWER_ON),
            Answer(2, live=True),
            Answer(3),  # to switching off, which was on its way already
            Tripped(trip),
        )
        power = power_over(script)
        power.command(SwitchOn())
        elapsed[0] = 20.0
        power.power_off()

        cuts = [message.arguments for message in script.sent if message.method == "cut"]
        assert cuts == [(TripReason.UNWATCHED, "for 20 s: the computer slept")]
        assert power.trip == trip


class TestFresh:
    """The engine acts on no sample that is older than 50 ms."""

    @staticmethod
    def sampled(*ages_s: float) -> tuple[ProcessPower, list[float], Script]:
        """Return power whose keeper sends samples that are so old by then, and what is recorded."""
        script = Script()
        power, recorded = power_over(script), []
        power._on_sample = lambda sample: recorded.append(sample.voltage_v)
        now_s = power._clock.now_s()
        for number, age_s in enumerate(ages_s):
            script.messages.append(
                SupplySample(now_s - age_s, float(number), 0.0, 0.0, None, protection=False)
            )
        return power, recorded, script

    def test_an_old_sample_is_recorded_and_not_acted_on(self) -> None:
        """What was on its way for too long is passed over, but not lost."""
        power, recorded, _ = self.sampled(0.2, 0.06, -10.0)

        assert power.sample().voltage_v == 2.0
        assert recorded == [0.0, 1.0, 2.0]

    def test_nothing_but_old_samples_cuts_power(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Where none is younger for a second, nobody watches over power any more."""
        monkeypatch.setattr(keeper_client, "_BEHIND_S", 0.0)
        power, _, script = self.sampled(0.2, 0.2)
        script.messages.append(Tripped(TRIP))

        with pytest.raises(Tripped):
            power.sample()
        [cut] = [message for message in script.sent if message.method == "cut"]
        assert cut.arguments[0] is TripReason.UNWATCHED


class TestSignsOfLife:
    def test_any_message_is_one(self) -> None:
        """An engine that asks for the load every 2 ms, and says nothing else, is there."""
        clock = SystemClock()
        with quick_bench(supply=0.0, load=0.0) as file, open_process_bench(file, clock) as bench:
            bench.identities()
            power = bench.power(QUICK_LIMITS, lambda *_: None, lambda _: None)
            power.command(Arm(24.0, 1.0))
            power.command(SwitchOn())
            end_s = clock.now_s() + 2 * CLIENT_SILENCE_S
            while clock.now_s() < end_s:
                assert power.read("load", "voltage", "current", "power")
                clock.sleep_s(0.002)

            assert power.live
            power.power_off()


def test_a_process_that_is_left_to_itself_leaves_nothing_behind() -> None:
    """Whoever does not wait for a process still has its end seen and its pipe closed."""
    process = start_own_process("platform")  # prints a line, and ends

    see_out(process)

    deadline_s = time.monotonic() + 30.0
    assert process.stdout is not None
    while not process.stdout.closed and time.monotonic() < deadline_s:
        time.sleep(0.01)
    assert process.stdout.closed
    assert process.returncode == 0
    assert process.stdin is not None
    process.stdin.close()
