from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from typing import Any

import pytest

from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.errors import PowerOffUnconfirmed, RecordError
from harness.power.local_bench import open_bench
from harness.power.local_keeper import LocalKeeper
from harness.power.trip import TripReason
from harness.profile.load import load_profile
from harness.record.recorder import MemoryRecorder
from harness.record.run_summary import Outcome
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult

STARTED = dt.datetime(2026, 11, 25, tzinfo=dt.UTC)


class Unwritable(MemoryRecorder):
    """A record that cannot take in one kind of event, as a disk that fills up just then."""

    def __init__(self, kind: str) -> None:
        super().__init__(serial="HRW-0007", started=STARTED)
        self._kind = kind

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Keep an event, unless it is of this kind."""
        if kind == self._kind:
            raise RecordError("the record cannot be written", where="results")
        super().event(time_s, kind, step, detail)


def run_with(
    kind: str,
    sink: Callable[..., MemoryRecorder] | None = None,
    clock: SimulatedClock | None = None,
) -> tuple[RunResult, SimulatedBench]:
    """Run unit A with a record that is lost at the first event of a kind, or with another."""
    profile = load_profile("mount-controller-board")
    file = simulated_bench_file(profile)
    clock = clock or SimulatedClock()
    bench = SimulatedBench(simulated_unit(profile), file, clock)
    result = carry_out(
        plan_for(profile, file),
        connect=lambda: open_bench(file, clock, library=bench.library()),
        clock=clock,
        sink=Unwritable(kind) if sink is None else sink(serial="HRW-0007", started=STARTED),
        info=RunInfo(serial="HRW-0007", started=STARTED),
    )
    return result, bench


class TestRecordLost:
    @pytest.mark.parametrize("kind", ["power on", "settled", "check", "power off"])
    def test_no_run_counts_without_its_record(self, kind: str) -> None:
        """Wherever the record is lost while power is on, down to the last event: tripped, off."""
        result, bench = run_with(kind)

        assert not bench.circuit.source_on
        assert result.outcome is Outcome.TRIPPED
        assert not result.released
        assert result.exit_code == 3
        assert "record_lost: results: the record cannot be written" in result.reason

    def test_a_record_lost_before_power_is_a_refusal(self) -> None:
        """A record that cannot take in the first event keeps power off."""
        result, bench = run_with("step")

        assert not bench.circuit.source_on
        assert result.outcome is Outcome.REFUSED
        assert result.exit_code == 5


class Unfinishable(MemoryRecorder):
    """A record whose end meets an error of the program."""

    def finish(self, run: Mapping[str, object]) -> None:
        """Fail."""
        del run
        raise ValueError("no such key")


class TestUnfinished:
    def test_an_error_at_the_very_end_is_told_and_counts_for_nothing(self) -> None:
        """Whatever goes wrong in finishing the record: no traceback, no release, power off."""
        result, bench = run_with("nothing of this kind", Unfinishable)

        assert not bench.circuit.source_on
        assert result.outcome is Outcome.TRIPPED
        assert not result.released
        assert "record_lost: ValueError: no such key" in result.reason

    def test_output_that_is_not_off_is_told_all_the_same(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """An error in finishing the record never hides that output off was not confirmed."""

        def unconfirmed(_: LocalKeeper) -> None:
            raise PowerOffUnconfirmed("OUTPUT OFF COULD NOT BE CONFIRMED", where="supply")

        monkeypatch.setattr(LocalKeeper, "power_off", unconfirmed)
        with pytest.raises(PowerOffUnconfirmed):
            run_with("nothing of this kind", Unfinishable)


class TestSlowDisk:
    def test_each_row_is_announced_to_the_keeper(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """The keeper is told before each row, so that a slow disk is no silent engine."""
        happened: list[str] = []
        expect, sample = LocalKeeper.expect_silence, MemoryRecorder.sample

        def announced(self: LocalKeeper, longest_s: float | None = None) -> None:
            happened.append("announced")
            expect(self, longest_s)

        def written(self: MemoryRecorder, *row: Any) -> None:
            happened.append("written")
            sample(self, *row)

        monkeypatch.setattr(LocalKeeper, "expect_silence", announced)
        monkeypatch.setattr(MemoryRecorder, "sample", written)
        run_with("nothing of this kind")

        rows = [index for index, what in enumerate(happened) if what == "written"]
        assert len(rows) > 100
        assert all(happened[index - 1] == "announced" for index in rows)


class Crawling(MemoryRecorder):
    """A record on a disk that takes three seconds for each event of power."""

    def __init__(self, clock: SimulatedClock) -> None:
        super().__init__(serial="HRW-0007", started=STARTED)
        self._clock = clock

    def event(self, time_s: float, kind: str, step: str, detail: str) -> None:
        """Take the time."""
        super().event(time_s, kind, step, detail)
        if kind in {"power on", "trip", "power off"}:
            self._clock.sleep_s(3.0)


class TestCrawlingDisk:
    def test_a_disk_that_holds_the_engine_up_is_named(self) -> None:
        """A row that takes longer than the keeper waits for cuts power, and the disk is named."""
        clock = SimulatedClock()
        sink = Crawling(clock)
        result, bench = run_with("", lambda **_: sink, clock)

        assert not bench.circuit.source_on
        assert result.exit_code == 3
        assert result.trip is not None
        assert result.trip.reason is TripReason.RECORD_LOST
        assert "the disk took 3 s to write a row" in result.reason
        kinds = list(sink.frames().events["kind"])
        assert kinds[-2:] == ["trip", "power off"]  # the record is slow, not lost
