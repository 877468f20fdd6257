"""Supply and meter at a low level: the comparison, and that the output is off afterwards."""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.api import simulated_unit
from harness.bench.dialect import load_dialect
from harness.bench.finding import Finding, Mark
from harness.bench.roles import Instrument
from harness.errors import LinkTimeout, Refused
from harness.power.leads import check_leads, judge_leads, low_level_v
from harness.power.local_bench import LocalBench, open_bench
from harness.power.trip import Tripped
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench

SAMPLE = "MEAS:VOLT?;:MEAS:CURR?"
METER = "MEAS:VOLT:DC?"


def file_with(**supply: Any) -> BenchFile:
    return BenchFile.model_validate(
        {
            "name": "bench",
            "supply": {
                "kind": "dc",
                "resource": "X",
                "dialect": "scpi-dc-supply",
                "accuracy": {"voltage": "0.05 % + 10 mV"},
                **supply,
            },
            "meter": {
                "resource": "Y",
                "dialect": "scpi-meter",
                "accuracy": {"voltage_dc": "0.02 % + 2 mV"},
            },
        }
    )


class Rig:
    """A supply and a meter on recording links (the fixture `wire` brings the links)."""

    def __init__(self, wire: Any, file: BenchFile | None = None) -> None:
        self.file = file_with() if file is None else file
        self.clock = wire.clock
        self.supply, self.meter = wire.supply, wire.load
        self.supply.answers["*IDN?"] = lambda: "Harrow Point,PS-200,1,1"
        self.meter.answers["*IDN?"] = lambda: "Harrow Point,DM-60,1,1"
        self.supply.answers[SAMPLE] = lambda: f"{self.voltage()};0.0"
        self.meter.answers[METER] = self.voltage
        self.bench = LocalBench(
            self.file,
            self.clock,
            {
                "supply": Instrument(self.supply, load_dialect("scpi-dc-supply"), self.clock),
                "meter": Instrument(self.meter, load_dialect("scpi-meter"), self.clock),
            },
        )

    def voltage(self) -> str:
        """What stands at the output."""
        return self.supply.settings["VOLT"] if self.supply.settings["OUTP"] == "1" else "0"

    def check(self) -> Finding:
        """Check the leads."""
        return self.check_unless(lambda: None)

    def check_unless(self, raise_if_requested: Callable[[], None]) -> Finding:
        """Check the leads, unless somebody wants to stop."""
        return check_leads(
            self.file, self.clock, contextlib.nullcontext(self.bench), raise_if_requested
        )

    @property
    def off(self) -> bool:
        """Whether the output is off, and was confirmed off last of all."""
        last = [message for message in self.supply.messages if message.startswith("OUTP")][-2:]
        return self.supply.settings["OUTP"] == "0" and last == ["OUTP OFF", "OUTP?"]


@pytest.fixture
def rig(wire: Any) -> Rig:
    """Supply and meter that see the same voltage."""
    return Rig(wire)


class TestLevel:
    @pytest.mark.parametrize(
        ("range_", "level_v"), [({}, 1.0), ({"voltage": "60 V"}, 1.0), ({"voltage": "6 V"}, 0.3)]
    )
    def test_is_one_volt_or_a_twentieth_of_the_range(
        self, range_: dict[str, str], level_v: float
    ) -> None:
        """The level is 1 V or 5 % of the supply's range, whichever is lower."""
        assert low_level_v(file_with(range=range_)) == pytest.approx(level_v)


class TestCheck:
    def test_the_same_voltage_agrees(self, rig: Rig) -> None:
        """Supply and meter that see the same voltage agree; the output is off afterwards."""
        finding = rig.check()

        assert finding.mark is Mark.OK
        assert rig.off

    def test_goes_through_the_keeper(self, rig: Rig) -> None:
        """Protection, limit and level are set and read back before the output goes on, once."""
        rig.check()

        sent = [each for each in rig.supply.messages if not each.startswith(("MEAS", "SYST"))]
        assert sent == [
            "*IDN?",
            "*CLS",
            "OUTP OFF",
            "OUTP?",
            "VOLT:PROT 2.010",
            "VOLT:PROT?",
            "CURR 0.0500",
            "CURR?",
            "VOLT 1.000",
            "VOLT?",
            "OUTP ON",
            "OUTP?",
            "OUTP OFF",
            "OUTP?",
        ]

    def test_a_silent_meter_leaves_the_output_off(self, rig: Rig) -> None:
        """A meter that fails while the output is on is an error, and the output is off."""

        def silent() -> str:
            raise LinkTimeout("no answer in time", instrument="meter", message=METER)

        rig.meter.answers[METER] = silent

        with pytest.raises(LinkTimeout):
            rig.check()
        assert rig.off

    @pytest.mark.parametrize("sample", ["5.0;0.0", "1.0;0.2", "9.9E37;0"])
    def test_a_reading_outside_its_bounds_cuts_power(self, rig: Rig, sample: str) -> None:
        """Too much voltage, too much current or overload trips the keeper here as well."""
        rig.supply.answers[SAMPLE] = lambda: sample

        with pytest.raises(Tripped):
            rig.check()
        assert rig.off

    @pytest.mark.parametrize("looks", [1, 2, 6])
    def test_somebody_who_wants_to_stop_is_obeyed(self, rig: Rig, looks: int) -> None:
        """A wish to stop ends the check between two messages, and the output is off."""
        left = iter(range(looks - 1))

        def raise_if_requested() -> None:
            if next(left, None) is None:
                raise KeyboardInterrupt

        with pytest.raises(KeyboardInterrupt):
            rig.check_unless(raise_if_requested)
        assert rig.off
        assert ("OUTP ON" in rig.supply.messages) is (looks > 1)
        assert rig.meter.messages.count(METER) == max(looks - 2, 0)

    def test_a_stranger_is_not_switched_on(self, wire: Any) -> None:
        """Where another instrument answers, nothing is set at all."""
        rig = Rig(wire, file_with(identity="PS-300"))

        with pytest.raises(Refused, match="expects 'PS-300'"):
            rig.check()
        assert [each for each in rig.supply.messages if not each.endswith("?")] == []

    def test_a_bench_without_a_meter_has_nothing_to_compare(self, rig: Rig) -> None:
        """Without a meter the check is refused before any link is used."""
        rig.file = rig.file.model_copy(update={"meter": None})

        with pytest.raises(Refused, match="no meter"):
            rig.check()
        assert rig.supply.messages == []

    def test_a_meter_that_cannot_measure_it_is_refused(
        self, rig: Rig, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A meter without the quantity compares nothing, and no link is used."""
        other = {"meter": load_dialect("scpi-load")}
        monkeypatch.setattr("harness.power.leads.bench_dialects", lambda _: other)

        with pytest.raises(Refused, match="The meter's dialect cannot measure voltage_dc"):
            rig.check()
        assert rig.supply.messages == []

    def test_a_meter_across_something_else_is_told(self) -> None:
        """On the simulated bench the meter is across the unit's output, and that shows."""
        file, clock = load_bench("bench-simulated-dc"), SimulatedClock()
        unit = simulated_unit(load_profile("mount-controller-board"))
        simulated = SimulatedBench(unit, file, clock)

        connect = open_bench(file, clock, library=simulated.library())
        finding = check_leads(file, clock, connect, lambda: None)

        assert finding.mark is Mark.WRONG
        assert "does not see the supply" in finding.remedy
        assert not simulated.circuit.source_on


PERFECT = Accuracy(0.0, 0.0)


class TestJudgement:
    @pytest.mark.parametrize(
        ("meter_v", "mark"),
        [
            # Bounds of 10 mV and 2 mV, rectangular: U = 1.96 sqrt(10^2 + 2^2) / sqrt(3) mV
            # = 11.54 mV (JCGM 100:2008, 4.3.7, 5.1.2 and table G.1; worked by hand).
            (1.0115, Mark.OK),
            (1.0116, Mark.WRONG),
            (0.9885, Mark.OK),
            (0.9884, Mark.WRONG),
            (float("nan"), Mark.WRONG),
        ],
    )
    def test_agreement_is_inside_the_combined_uncertainty(self, meter_v: float, mark: Mark) -> None:
        """They agree where their difference is inside its expanded uncertainty."""
        pairs = [1.0] * 8, [meter_v] * 8

        assert judge_leads(*pairs, Accuracy(0.0, 10e-3), Accuracy(0.0, 2e-3)).mark is mark

    @pytest.mark.parametrize(
        ("meter_v", "remedy"),
        [
            (0.0, "does not see the supply"),
            (-1.0, "the wrong way round"),
            (0.8, "sense leads"),
        ],
    )
    def test_says_where_to_look(self, meter_v: float, remedy: str) -> None:
        """No voltage, the reverse, and too little of it each have their place to look."""
        pairs = [1.0] * 8, [meter_v] * 8

        assert remedy in judge_leads(*pairs, PERFECT, PERFECT).remedy

    @given(st.lists(st.floats(-2, 2), min_size=2, max_size=8))
    def test_without_an_accuracy_nothing_is_decided(self, volts: list[float]) -> None:
        """Where an accuracy is missing, the readings are shown and nothing is claimed."""
        pairs = volts, volts[::-1]

        assert judge_leads(*pairs, PERFECT, None).mark is Mark.NOTE
        assert judge_leads(*pairs, None, PERFECT).mark is Mark.NOTE
