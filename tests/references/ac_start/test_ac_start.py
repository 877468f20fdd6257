"""Bulk capacitance by energy against ngspice: netlist and curves are the project's own."""

from __future__ import annotations

import importlib.util
import math
import random
import shutil
import sys
from collections import Counter
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from harness.judge.start_curve import LevelReadings, ReadingError, StartFigures, SupplyErrors
from harness.judge.start_draw import ENERGY, weigh_energy
from harness.judge.start_energy import CAPACITANCE, AcUnit, weigh_ac
from harness.judge.start_rest import LEAKAGE_CURRENT, weigh_leak
from harness.judge.uncertainty import combine
from harness.profile.load import load_profile
from harness.qualify.population import Mix, Population
from harness.rehearse.circuit import circuit_of, source_for

ERRORS = SupplyErrors(
    voltage=ReadingError(gain_frac=1e-3, offset=0.1),
    current=ReadingError(gain_frac=2e-3, offset=3e-3),
    power=ReadingError(gain_frac=3e-3, offset=0.2),
    window_s=0.05,
)
#: From an instrument that answers in a millisecond to one a little slower than its window.
APART_S = (0.0011, 0.005, 0.012, 0.03, 0.047, 0.052)


@pytest.fixture(scope="module")
def fills() -> ModuleType:
    """The module that runs the netlist and reads it as an instrument."""
    path = Path(__file__).with_name("fills.py")
    spec = importlib.util.spec_from_file_location("ac_start_fills", path)
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def judged(fills: ModuleType, fill: object, seeds: range) -> Counter[str]:
    """Weigh a circuit as often as there are seeds: is the true value inside what is stated?"""
    values, found = fill.values, Counter[str]()  # type: ignore[attr-defined]
    unit = AcUnit(
        threshold_v=1.15 * values["vthree"],
        idle_power_w=2.0,
        frequency_hz=values["fline"],
        most_series_ohm=15.0,
    )
    for seed in seeds:
        rng = random.Random(seed)
        levels = fills.read(fill, ERRORS, rng, apart_s=rng.choice(APART_S))
        figures = weigh_ac(levels, ERRORS, unit)
        if CAPACITANCE in figures.why_not:
            found[figures.why_not[CAPACITANCE]] += 1
            continue
        estimate = figures.estimates[CAPACITANCE]
        expanded = combine(estimate.contributions).expanded
        inside = abs(estimate.value - values["cbulk"]) <= expanded
        if inside:  # and so is each point of the line that is drawn
            on_line = (
                abs(one.energy_j - values["cbulk"] * one.square_v2) <= 1.2 * one.expanded_j
                for one in figures.gained
            )
            inside = len(figures.gained) == 2 and all(on_line)
        found["inside" if inside else "outside"] += 1
        assert expanded < 0.5 * values["cbulk"]
    return found


@pytest.mark.parametrize("name", ["fill_120v_60hz", "fill_230v_50hz"])
def test_the_true_value_is_inside(name: str, fills: ModuleType) -> None:
    """Read by 25 instruments, fast and slow, the true capacitance is inside what is stated."""
    found = judged(fills, fills.committed(name), range(25))

    assert found["inside"] >= 24
    assert found["inside"] + found["outside"] == 25


#: A source that reads power more finely than any pulse it takes in.
FINE = replace(ERRORS, power=ReadingError(gain_frac=1e-3, offset=2e-3))


@pytest.mark.parametrize("errors", [ERRORS, FINE])
@pytest.mark.parametrize("name", ["fill_120v_60hz", "fill_230v_50hz"])
def test_the_energy_taken_is_inside(name: str, errors: SupplyErrors, fills: ModuleType) -> None:
    """Read by 25 instruments, what ngspice's source gave until then is inside what is stated."""
    fill, inside = fills.committed(name), 0
    for seed in range(25):
        rng = random.Random(seed)
        levels = fills.read(fill, errors, rng, apart_s=rng.choice(APART_S))
        told = weigh_energy(levels, errors, frequency_hz=fill.values["fline"]).estimates[ENERGY]
        true_j = float(np.interp(levels[-1].times_s[-1], fill.rows[0], fill.rows[1]))
        expanded = combine(told.contributions).expanded
        inside += abs(told.value - true_j) <= expanded
        assert expanded < 1.2 * (0.2 if errors is ERRORS else 0.02) * levels[-1].times_s[-1]

    assert inside >= 24


def started(seed: int) -> tuple[float, StartFigures]:
    """Weigh a unit of the simulator, every value anywhere in its tolerance.

    Its source limits, and hunts about its limit: it is what a start really meets.
    """
    profile = load_profile("dome-shutter-full-release")
    model = Population(profile.unit, seed=seed, mix=Mix.HEALTHY).draw(0).model
    rng = random.Random(seed)
    frequency_hz, limit_a = rng.choice([50.0, 60.0]), rng.uniform(0.02, 0.05)
    apart_s = rng.choice(APART_S)
    circuit = circuit_of(model, source_for("ac"), seed=seed)
    errors = (ERRORS.voltage, ERRORS.current, ERRORS.power)
    made = [(one, rng.uniform(-1, 1), rng.uniform(-1, 1)) for one in errors if one is not None]
    levels, time_s = [], 0.0
    for volts in (12.0, 30.0, 46.8):
        circuit.set_source(
            voltage_v=volts, current_limit_a=limit_a, frequency_hz=frequency_hz, on=True
        )
        set_s, times_s, rows, rests_s = time_s, [], [], math.inf
        while time_s < min(rests_s + 1.2, set_s + 10.0):
            time_s += apart_s
            circuit.advance_to(time_s)
            read = circuit.source_voltage_v, circuit.source_current_a, circuit.source_power_w
            true = [one(ERRORS.window_s) for one in read]
            if true[0] > 0.995 * volts and true[1] < 0.2 * limit_a:
                rests_s = min(rests_s, time_s)
            times_s.append(time_s)
            rows.append(
                [
                    value * (1.0 + one.gain_frac * gain)
                    + one.offset * (offset + rng.gauss(0.0, 0.05))
                    for value, (one, gain, offset) in zip(true, made, strict=True)
                ]
            )
        voltage_v, current_a, power_w = np.array(rows).T
        levels.append(
            LevelReadings(
                label=f"{volts:g} V",
                set_v=volts,
                limit_a=limit_a,
                set_s=set_s,
                times_s=np.array(times_s),
                voltage_v=voltage_v,
                current_a=current_a,
                power_w=power_w,
            )
        )
    unit = AcUnit(
        threshold_v=55.0, idle_power_w=2.0, frequency_hz=frequency_hz, most_series_ohm=14.1
    )
    return model.bulk.capacitance_f, weigh_ac(levels, ERRORS, unit)


def told(cases: int) -> tuple[int, int]:
    """Return how often a unit of the simulator is told, and how often rightly."""
    figures = [started(seed) for seed in range(cases)]
    found = [(true_f, one.estimates[CAPACITANCE]) for true_f, one in figures if one.estimates]
    inside = sum(
        abs(estimate.value - true_f) <= combine(estimate.contributions).expanded
        for true_f, estimate in found
    )
    return len(found), inside


def test_units_of_the_simulator() -> None:
    """Units anywhere in their tolerances, on a source in its limit, are told, and rightly."""
    count, inside = told(12)

    assert count >= 11
    assert inside >= count - 1


@pytest.mark.torture
def test_many_units_of_the_simulator() -> None:
    """Of 200 such units the true value lies inside what is stated in 93 of 100 at least."""
    count, inside = told(200)

    assert count >= 185
    assert inside >= 0.93 * count


@pytest.fixture
def _ngspice() -> None:
    if shutil.which("ngspice") is None:
        pytest.skip("ngspice is not installed; the committed curves were used")


@pytest.mark.torture
@pytest.mark.usefixtures("_ngspice")
def test_random_circuits(fills: ModuleType) -> None:
    """Of random capacitance, resistance, frequency and phase, 93 of 100 cases lie inside."""
    rng, found = random.Random(7), Counter[str]()
    for number in range(20):
        fill = fills.by_ngspice(fills.random_circuit(rng))
        found += judged(fills, fill, range(10 * number, 10 * number + 10))
    count = found["inside"] + found["outside"]

    assert count >= 150
    assert found["inside"] >= 0.93 * count


def leaks(fills: ModuleType, fill: object, seed: int) -> Iterator[bool]:
    """Tell what leaks at each level: is the true current inside what is stated?"""
    values, rows = fill.values, fill.rows  # type: ignore[attr-defined]
    unit = AcUnit(
        threshold_v=1.15 * values["vthree"],
        idle_power_w=2.0,
        frequency_hz=values["fline"],
        most_series_ohm=15.0,
        bulk_f=values["cbulk"],
    )
    rng = random.Random(seed)
    errors = rng.choice([ERRORS, FINE])
    levels = fills.read(fill, errors, rng, apart_s=rng.choice(APART_S))
    told = weigh_leak(levels, errors, unit).by_level[LEAKAGE_CURRENT]
    for level, estimate in zip(levels, told.values(), strict=True):
        rests = slice(*np.searchsorted(rows[0], level.times_s[[-level.times_s.size // 3, -1]]))
        true_a = float(rows[4][rests].mean()) / values["rleak"]
        yield abs(estimate.value - true_a) <= combine(estimate.contributions).expanded


@pytest.mark.torture
@pytest.mark.usefixtures("_ngspice")
def test_random_leaks(fills: ModuleType) -> None:
    """Of 120 random leaks, told level by level, 93 of 100 lie inside."""
    rng, inside = random.Random(11), []
    for seed in range(40):
        inside += leaks(fills, fills.by_ngspice(fills.random_leak(rng)), seed)

    assert len(inside) == 120
    assert sum(inside) >= 0.93 * len(inside)


@pytest.mark.torture
@pytest.mark.usefixtures("_ngspice")
@pytest.mark.parametrize("name", ["fill_120v_60hz", "fill_230v_50hz"])
def test_a_fresh_run_repeats_the_curve(name: str, fills: ModuleType) -> None:
    """A run of ngspice today gives the committed curve within a thousandth of its range."""
    old = fills.committed(name).rows
    new = fills.by_ngspice(fills.CASES[name]).rows[:4]

    assert np.abs(new - old).max(axis=1) == pytest.approx(0.0, abs=1e-3 * float(old.max()))
