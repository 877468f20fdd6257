from __future__ import annotations

import math

import numpy as np
import pytest

from harness.judge.uncertainty import Contribution, Uncertainty, combine
from harness.profile.bench_file import BenchFile
from harness.run.causes import Readings, drift_of, mean_causes

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
    found = mean_causes(BenchFile.model_validate(table), measure, Readings.of(READINGS))
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
    """Without resolution, change and leads, accuracy and scatter are the budget."""
    assert list(causes("meter.voltage_dc")) == [
        "meter voltage_dc accuracy",
        "scatter of meter.voltage_dc",
    ]


def test_dc_power_follows_from_voltage_and_current() -> None:
    """Each cause of the voltage counts with the current, each of the current with the voltage."""
    found = causes("supply.power")

    assert [(cause.name, cause.unit, cause.sensitivity) for cause in found.values()] == [
        ("supply voltage accuracy", "V", 0.5),
        ("supply voltage resolution, by its smallest change", "V", 0.5),
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

    accuracy, _ = mean_causes(bench, "meter.voltage_dc", Readings.of(READINGS))

    assert accuracy.standard == pytest.approx(10e-3 / math.sqrt(3.0))


def test_a_resolution_nobody_states_is_no_larger_than_the_smallest_change() -> None:
    """Readings 10 mV apart show a digit of 10 mV: u = 0.29 of it (JCGM 100:2008, F.2.2.1)."""
    found = causes("supply.voltage")["supply voltage resolution, by its smallest change"]
    assert found.standard == pytest.approx(0.29 * 0.010, rel=0.005)


def test_a_stated_resolution_goes_before_what_is_seen() -> None:
    """Readings that jump by ten digits do not make the digit larger."""
    found = causes("supply.voltage", resolution={"voltage": "1 mV"})
    assert found["supply voltage resolution"].standard == pytest.approx(0.001 / math.sqrt(12))
    assert "supply voltage resolution, by its smallest change" not in found


N = 100
TIMES = {name: np.linspace(0.0, 9.9, N) for name in ("meter.voltage_dc", "supply.power")}


def drifting(measure: str, values: dict[str, np.ndarray], **tables: object) -> Uncertainty:
    """Uncertainty of the drift of a measure."""
    bench = BenchFile.model_validate({**BENCH, **tables})
    found = drift_of(bench, measure, TIMES, Readings.of(values))
    return combine(found.contributions)


def test_a_drift_below_the_last_digit_is_not_known_to_be_none() -> None:
    """A rail that drifts by 24 mV under a digit of 50 mV reads the same all the time: 0 +- 60."""
    true = 5.0 + np.linspace(0.0, 0.024, N)
    shown = {"meter.voltage_dc": np.round(true / 0.05) * 0.05}
    stated = {**BENCH["meter"], "resolution": {"voltage_dc": "50 mV"}}  # type: ignore[dict-item]
    found = drifting("meter.voltage_dc", shown, meter=stated)

    assert np.ptp(shown["meter.voltage_dc"]) == 0.0
    assert found.expanded == pytest.approx(0.060, rel=0.03)


def test_a_drift_of_readings_that_never_change_needs_a_resolution() -> None:
    """Nobody states the digit, no reading shows it: nothing is known of the drift, in words."""
    found = drifting("meter.voltage_dc", {"meter.voltage_dc": np.full(N, 5.0)})

    [unknown] = [part.name for part in found.contributions if math.isinf(part.standard)]
    assert unknown == (
        "meter.voltage_dc: no reading changed, and the bench file gives no resolution"
    )
    assert math.isinf(found.standard)


def test_a_drift_has_the_gain_error_of_its_own_size() -> None:
    """Of a gain error of 1 % a drift of 1 V has 10 mV; the offset cancels."""
    meter = {**BENCH["meter"], "accuracy": {"voltage_dc": "1 % + 1 V"}}  # type: ignore[dict-item]
    rising = {"meter.voltage_dc": 5.0 + np.linspace(0.0, 1.0, N)}
    found = drifting("meter.voltage_dc", rising, meter=meter)

    [gain] = [part for part in found.contributions if part.name == "meter voltage_dc gain"]
    assert gain.standard == pytest.approx(0.010 / math.sqrt(3.0))
    assert found.standard < 1.01 * math.hypot(gain.standard, 0.01)


def test_a_drift_without_an_accuracy_is_unknown() -> None:
    """An instrument nobody knows the error of decides no drift either."""
    meter = {**BENCH["meter"], "accuracy": {}}  # type: ignore[dict-item]
    rising = {"meter.voltage_dc": 5.0 + np.linspace(0.0, 1.0, N)}
    assert math.isinf(drifting("meter.voltage_dc", rising, meter=meter).standard)


def test_a_drift_of_dc_power_has_the_digits_of_both() -> None:
    """A digit of 10 mV at 0.5 A and one of 1 mA at 24 V are 29 mW of power."""
    noise = np.random.default_rng(1).normal(size=N)
    volts = 24.0 + np.where(noise > 0, 0.01, 0.0)
    values = {
        "supply.voltage": volts,
        "supply.current": np.full(N, 0.5),
        "supply.power": volts * 0.5,
    }
    found = drifting("supply.power", values)
    halves = [part for part in found.contributions if part.name.startswith("resolution")]

    assert [part.standard for part in halves] == pytest.approx([0.029 / math.sqrt(12)] * 2, 1e-3)
