from __future__ import annotations

import math

import numpy as np
import pytest

from harness.judge.uncertainty import Contribution, combine
from harness.profile.bench_file import BenchFile
from harness.run.causes import mean_causes

BENCH = {
    "name": "Dome workshop, bench 2",
    "supply": {
        "kind": "dc",
        "resource": "S",
        "dialect": "scpi-dc-supply",
        "accuracy": {"voltage": "0.05 % + 10 mV", "current": "0.2 % + 5 mA"},
        "resolution": {"current": "1 mA"},
    },
    "meter": {
        "resource": "M",
        "dialect": "scpi-meter",
        "accuracy": {"resistance": "0.1 % + 0.1 ohm", "voltage_dc": "0.02 % + 2 mV"},
        "resolution": {"resistance": "10 mohm"},
        "lead_resistance": "0.2 ohm",
    },
}
READINGS = {
    "supply.voltage": np.array([24.0, 24.01, 24.0, 23.99]),
    "supply.current": np.array([0.5, 0.501, 0.5, 0.499]),
    "supply.power": np.array([12.0, 12.03, 12.0, 11.97]),
    "meter.resistance": np.array([100.0, 100.1, 99.9, 100.0]),
    "meter.voltage_dc": np.array([5.0, 5.0, 5.0, 5.0]),
    "load.voltage": np.array([5.0, 5.0]),
}


def causes(measure: str, **supply: object) -> dict[str, Contribution]:
    """Causes by name, with keys of the supply's table changed."""
    table = {**BENCH, "supply": {**BENCH["supply"], **supply}}  # type: ignore[dict-item]
    found = mean_causes(BenchFile.model_validate(table), measure, READINGS)
    return {cause.name: cause for cause in found}


def test_a_two_wire_resistance_has_four_causes() -> None:
    """Accuracy, half a digit, the leads and the scatter make up a two-wire resistance."""
    found = causes("meter.resistance")

    root = math.sqrt(3.0)
    assert {name: cause.standard for name, cause in found.items()} == pytest.approx(
        {
            "meter resistance accuracy": 0.2 / root,
            "meter resistance resolution": 0.005 / root,
            "lead resistance, two-wire": 0.2 / root,
            "scatter of meter.resistance": np.std([100, 100.1, 99.9, 100], ddof=1) / 2,
        }
    )
    assert {cause.unit for cause in found.values()} == {"ohm"}


def test_what_the_bench_file_leaves_out_is_no_cause() -> None:
    """Without a resolution and without leads, accuracy and scatter are the budget."""
    assert list(causes("meter.voltage_dc")) == [
        "meter voltage_dc accuracy",
        "scatter of meter.voltage_dc",
    ]


def test_dc_power_follows_from_voltage_and_current() -> None:
    """Each cause of the voltage counts with the current, each of the current with the voltage."""
    found = causes("supply.power")

    assert [(cause.name, cause.unit, cause.sensitivity) for cause in found.values()] == [
        ("supply voltage accuracy", "V", 0.5),
        ("supply current accuracy", "A", 24.0),
        ("supply current resolution", "A", 24.0),
        ("scatter of supply.power", "W", 1.0),
    ]


@pytest.mark.parametrize(
    ("measure", "supply"),
    [
        ("supply.power", {"kind": "ac"}),  # real power is not volts times amperes
        ("supply.power", {"accuracy": {"voltage": "10 mV"}}),
        ("load.voltage", {}),  # no such instrument on this bench
    ],
)
def test_without_a_stated_accuracy_nothing_is_known(
    measure: str, supply: dict[str, object]
) -> None:
    """A reading whose accuracy nobody states has no finite uncertainty."""
    assert math.isinf(combine(causes(measure, **supply).values()).standard)


def test_the_accuracy_is_that_of_the_range_in_use() -> None:
    """A reading of 5 V on ranges of 1 V and 10 V has the bound of the 10 V range."""
    meter = {**BENCH["meter"], "accuracy": {"voltage_dc": {"1 V": "1 mV", "10 V": "0.1 % + 5 mV"}}}  # type: ignore[dict-item]
    bench = BenchFile.model_validate({**BENCH, "meter": meter})

    accuracy, _ = mean_causes(bench, "meter.voltage_dc", READINGS)

    assert accuracy.standard == pytest.approx(10e-3 / math.sqrt(3.0))
