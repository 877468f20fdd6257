"""Bulk capacitance by energy against ngspice: netlist and curves are the project's own."""

from __future__ import annotations

import importlib.util
import random
import shutil
import sys
from collections import Counter
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from harness.judge.start_curve import ReadingError, SupplyErrors
from harness.judge.start_energy import CAPACITANCE, AcUnit, weigh_ac
from harness.judge.uncertainty import combine

ERRORS = SupplyErrors(
    voltage=ReadingError(gain_frac=1e-3, offset=0.1),
    current=ReadingError(gain_frac=2e-3, offset=3e-3),
    power=ReadingError(gain_frac=3e-3, offset=0.2),
    window_s=0.05,
)
#: From an instrument that answers in a tenth of a millisecond to one slower than its window.
APART_S = (0.0011, 0.005, 0.012, 0.03, 0.047, 0.052, 0.06)


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
        found["inside" if inside else "outside"] += 1
        assert expanded < 0.15 * values["cbulk"]
    return found


@pytest.mark.parametrize("name", ["fill_120v_60hz", "fill_230v_50hz"])
def test_the_true_value_is_inside(name: str, fills: ModuleType) -> None:
    """Read by 50 instruments, fast and slow, the true capacitance is inside what is stated."""
    found = judged(fills, fills.committed(name), range(50))

    assert found["inside"] >= 47
    assert found["inside"] + found["outside"] == 50


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
    told = found["inside"] + found["outside"]

    assert told >= 150
    assert found["inside"] >= 0.93 * told


@pytest.mark.torture
@pytest.mark.usefixtures("_ngspice")
@pytest.mark.parametrize("name", ["fill_120v_60hz", "fill_230v_50hz"])
def test_a_fresh_run_repeats_the_curve(name: str, fills: ModuleType) -> None:
    """A run of ngspice today gives the committed curve within a thousandth of its range."""
    old = fills.committed(name).rows
    new = fills.by_ngspice(fills.CASES[name]).rows

    assert np.abs(new - old).max(axis=1) == pytest.approx(0.0, abs=1e-3 * float(old.max()))
