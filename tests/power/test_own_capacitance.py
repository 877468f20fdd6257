"""The supply's own output capacitance: measured at a low level with nothing connected."""

from __future__ import annotations

from dataclasses import replace

import pytest

from harness.api import simulated_unit
from harness.bench.finding import Finding, Mark
from harness.bench.sample import SupplySample
from harness.judge.uncertainty import combine
from harness.power.local_bench import open_bench
from harness.power.own_capacitance import (
    TRIED_A,
    Rise,
    judge_own_capacitance,
    measure_own_capacitance,
    own_capacitance,
)
from harness.power.trip import Tripped
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.level import LevelMaker
from harness.profile.load import load_bench, load_profile
from harness.quantity import parse_quantity
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench

SUPPLY = {"kind": "dc", "resource": "X", "dialect": "scpi-dc-supply"}


class Rig:
    """A simulated bench whose supply has so much across its terminals; its unit's fuse is open."""

    def __init__(self, own_f: float, *, seed: int = 1) -> None:
        self.file, self.clock = load_bench("bench-simulated-dc"), SimulatedClock()
        unit = simulated_unit(load_profile("mount-controller-board"))
        unit = replace(unit, fuse=replace(unit.fuse, is_open=True))
        self.simulated = SimulatedBench(unit, self.file, self.clock, seed=seed)
        circuit = self.simulated.circuit
        circuit.source = replace(circuit.source, output_capacitance_f=own_f)
        self.limits_a: list[float] = []
        supply = self.simulated.devices[self.file.supply.resource]
        write = supply.write

        def noted(data: bytes) -> None:
            write(data)
            if circuit.source_on:
                self.limits_a.append(circuit.setting.current_limit_a)
                assert circuit.setting.voltage_v <= 1.0

        supply.write = noted  # type: ignore[method-assign]

    def measure(self) -> Finding:
        """Measure it."""
        connect = open_bench(self.file, self.clock, library=self.simulated.library())
        return measure_own_capacitance(self.file, self.clock, connect, lambda: None)


def sample(time_s: float, voltage_v: float, current_a: float) -> SupplySample:
    """A sample of a supply that says nothing of its state."""
    return SupplySample(
        time_s, voltage_v, current_a, voltage_v * current_a, limiting=None, protection=False
    )


def written(finding: Finding) -> tuple[float, float]:
    """What is to be written in the bench file: capacitance and what it may be off by, in F."""
    value, error = (parse_quantity(line.split('"')[1], "F") for line in finding.write)
    assert [line.split(" = ")[0] for line in finding.write] == [
        "output_capacitance",
        "output_capacitance_error",
    ]
    return value, error


class TestMeasurement:
    @pytest.mark.parametrize("own_f", [100e-6, 220e-6, 1e-3, 4.7e-3])
    def test_the_lines_hold_the_true_value(self, own_f: float) -> None:
        """What is written lies within its own uncertainty of what is there; the output is off."""
        rig = Rig(own_f)

        finding = rig.measure()

        assert finding.mark is Mark.OK, finding
        assert finding.check == "capacitance"  # fits the column of the bench check
        value_f, error_f = written(finding)
        assert abs(value_f - own_f) <= error_f < 0.3 * own_f
        assert not rig.simulated.circuit.source_on

    def test_is_right_in_95_of_100(self) -> None:
        """Over instruments of any error, the value lies inside its uncertainty as often as said."""
        inside = 0
        for seed in range(20):
            value_f, error_f = written(Rig(330e-6, seed=seed).measure())
            inside += abs(value_f - 330e-6) <= error_f

        assert inside >= 19

    def test_keeps_to_its_limits(self) -> None:
        """The limit is never above 20 mA, and the first that is slow enough is the last."""
        rig = Rig(4.7e-3)

        rig.measure()

        assert set(rig.limits_a) == {TRIED_A[0]}

    def test_a_tiny_one_is_not_told(self) -> None:
        """What is full within a few readings at the lowest limit is called small, no more."""
        finding = Rig(1e-6).measure()

        assert finding.mark is Mark.NOTE
        assert "it is small" in finding.text
        assert finding.write == ()

    def test_what_draws_beside_it_is_told(self) -> None:
        """A supply that does not come up, since something draws from it, gives no figure."""
        stuck = Rise(0.02, (sample(0.0, 0.4, 0.02),) * 30)

        finding = judge_own_capacitance([stuck], Accuracy(0.0, 10e-3))

        assert finding.mark is Mark.NOTE
        assert "take everything but the meter off" in finding.remedy

    def test_a_trip_leaves_the_output_off(self) -> None:
        """A reading over the bounds cuts power here as well."""
        rig = Rig(220e-6)
        rig.simulated.circuit.source_current_a = lambda _=0.0: 0.3  # type: ignore[method-assign]

        with pytest.raises(Tripped):
            rig.measure()
        assert not rig.simulated.circuit.source_on


def test_charge_over_voltage() -> None:
    """2 mA for 0.11 s, with 1 mA of offset, to 1 V are 220 uF (Q = C V, worked by hand)."""
    rising = tuple(sample(0.01 * n, n / 11, 3e-3) for n in range(12))
    resting = tuple(sample(0.2 + n, 1.0, 1e-3) for n in range(10))

    found = own_capacitance(Rise(2e-3, rising, resting), Accuracy(0.0005, 10e-3))

    assert found.value == pytest.approx(220e-6)
    # one reading more or less of 2 mA over 10 ms at both ends: 10 uC times sqrt(2 / 3), k = 1.96
    assert combine(found.contributions).expanded == pytest.approx(16.0e-6, rel=0.01)


@pytest.mark.parametrize(
    ("stated", "beside_f"),
    [
        ({}, 470e-6),  # what a start allows for where nobody says it
        ({"output_capacitance": "220 uF"}, 264e-6),  # letter M of IEC 60062
        ({"output_capacitance": "220 uF", "output_capacitance_error": "30 uF"}, 250e-6),
        ({"output_capacitance": "2 mF", "output_capacitance_error": "0.1 mF"}, 2.1e-3),
    ],
)
def test_a_start_allows_for_what_is_stated(stated: dict[str, str], beside_f: float) -> None:
    """The charge that may fill beside the unit's is the stated one and what it may be off by."""
    profile = load_profile("mount-controller-board")
    bench = BenchFile.model_validate({"name": "bench", "supply": {**SUPPLY, **stated}})
    maker = LevelMaker(profile.unit.input, 1.0, bench, 0.0)

    (level,) = maker.start((1.0,), 1.0, 0.3, None, charge_factor=2.0, time_at_limit_s=0.5)

    assert level.budget is not None
    assert level.budget.beside_f == pytest.approx(beside_f)
