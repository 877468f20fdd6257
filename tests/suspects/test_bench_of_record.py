"""The bench of a record as a simulated one: whatever was read there counts among the figures."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.api import rehearse_profile, simulated_bench_file
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.profile.schema import Profile
from harness.suspects.bench_of_record import bench_like
from harness.suspects.case import Case, case_of
from harness.suspects.population import Member, run_members
from harness.suspects.stock import Stock
from tests.run.hand_bench import HEAD, NOMINAL
from tests.run.test_power_meter import with_power_meter


def _with_named_meter(bench: BenchFile) -> BenchFile:
    """Return a bench whose one meter is wired to the output for good."""
    assert bench.meter is not None
    named = {"main": bench.meter.model_copy(update={"at": "main"})}
    return bench.model_copy(update={"meter": None, "meters": named})


def _case(profile: Profile, bench: BenchFile | str) -> Case:
    return case_of(rehearse_profile(profile, bench=bench, seed=3).record)


def _healthy(case: Case) -> Member:
    """Return the first unit of the record's library."""
    stock = Stock(profile=case.profile, bench=case.bench, seed=1, key="bench of record")
    return Member.from_line(run_members(stock, [0])[0])


class TestBench:
    @pytest.mark.parametrize("change", [with_power_meter, _with_named_meter])
    def test_a_library_reads_what_the_record_reads(
        self, profile: Profile, bench: BenchFile, change: Callable[[BenchFile], BenchFile]
    ) -> None:
        """Power meter and named meter are on the library's bench, and give the same figures."""
        own = change(bench)
        case = _case(profile, own)
        unit = _healthy(case)

        assert case.bench.instruments.keys() == own.instruments.keys()
        assert unit.passed
        assert unit.features.keys() == case.values.keys()

    def test_as_exact_as_there(self, profile: Profile, bench: BenchFile) -> None:
        """An instrument of the library is as exact as that of the record, and stands where it did.

        Addresses are its own, and dialects those that simulated instruments speak.
        """
        own = with_power_meter(_with_named_meter(bench), resource="GPIB0::5::INSTR")
        like = bench_like(own.model_dump(mode="json"), profile)

        assert own.power_meter is not None
        assert like.power_meter is not None
        assert like.power_meter.accuracy == own.power_meter.accuracy
        assert like.power_meter.resource != own.power_meter.resource
        assert like.meters["main"].accuracy == own.meters["main"].accuracy
        assert like.meters["main"].at == "main"

    def test_without_a_bench_the_shipped_one(self, profile: Profile) -> None:
        """A record that says nothing of its bench is taken to be of the shipped simulated one."""
        assert bench_like({}, profile) == simulated_bench_file(profile)


@pytest.fixture(scope="module")
def by_hand(tmp_path_factory: pytest.TempPathFactory) -> Profile:
    """A pre-check on a source that is set by hand."""
    path = tmp_path_factory.mktemp("by hand") / "profile.toml"
    path.write_text(HEAD + NOMINAL, encoding="utf-8")
    return load_profile(path)


class TestByHand:
    def test_power_meter_in_the_supplys_place(self, by_hand: Profile) -> None:
        """What the power meter reads in a hold counts; while a hand turns it does not."""
        case = _case(by_hand, "bench-by-hand")

        assert case.bench.by_hand == load_bench("bench-by-hand").by_hand
        voltage = case.features["start, 10 %: power_meter.voltage"]
        assert voltage.value == pytest.approx(12.0, abs=0.3)  # its hand stops 0.1 V below
        assert case.features["last hold: power_meter.power"].unit == "W"
        assert "start, 100 %: power_meter.power factor" in case.features
        # a hand turns the source of the library's units, too
        assert _healthy(case).features.keys() == case.values.keys()
