"""Circuits of ``fill.cir`` with other values, by ngspice, and what instruments read of them.

    python tests/references/ac_start/fills.py

needs ``ngspice`` on the path and writes the CSV files in ``curves`` again.
"""

from __future__ import annotations

import csv
import math
import random
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors

HERE = Path(__file__).parent
CURVES = HERE / "curves"
COLUMNS = ("time_s", "energy_j", "square_a2s", "square_v2s")

#: Committed circuits: what differs from the netlist's own values.
CASES: Mapping[str, Mapping[str, float]] = {
    "fill_120v_60hz": {},
    "fill_230v_50hz": {
        "vone": 23.0,
        "vtwo": 46.0,
        "vthree": 80.0,
        "fline": 50.0,
        "phase": 200.0,
        "cbulk": 68e-6,
        "rseries": 11.0,
        "resr": 0.6,
        "rleak": 1e6,
    },
}
#: One row in so many of ngspice's 20 us rows is kept.
KEPT_ROWS = 100

FloatArray = npt.NDArray[np.float64]
_FACTORS = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}


def own_values() -> dict[str, float]:
    """Return the values of the netlist's ``.param`` lines, in SI."""
    text = (HERE / "fill.cir").read_text(encoding="utf-8")
    found = re.findall(r"(\w+)=([\d.]+)([kmun]?)(?=\s)", text)
    return {key: float(number) * _FACTORS[suffix] for key, number, suffix in found}


@dataclass(frozen=True, slots=True)
class Fill:
    """What went into a circuit until each time: integrals of power and of both squares."""

    values: Mapping[str, float]  # of its netlist
    #: COLUMNS by time; fresh from ngspice the voltage of the capacitor besides.
    rows: FloatArray

    def mean(self, column: int, time_s: float, window_s: float) -> float:
        """Return the mean over a window that ends at a time; the line is dead before zero."""
        ends = np.interp([time_s - window_s, time_s], self.rows[0], self.rows[column])
        return float(ends[1] - ends[0]) / window_s


def committed(name: str) -> Fill:
    """Return a committed circuit."""
    rows = np.loadtxt(CURVES / f"{name}.csv", delimiter=",", skiprows=1).T
    return Fill({**own_values(), **CASES[name]}, rows)


def by_ngspice(changes: Mapping[str, float]) -> Fill:
    """Run the netlist with some values changed."""
    program = shutil.which("ngspice")
    if program is None:
        raise RuntimeError("ngspice is not installed; install the Debian package ngspice")
    text = (HERE / "fill.cir").read_text(encoding="utf-8")
    for key, value in changes.items():
        text, count = re.subn(rf"\b{key}=[\d.]+[kmun]?(?=\s)", f"{key}={value:.9g}", text, count=1)
        assert count == 1, key
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "fill.cir").write_text(text, encoding="utf-8")
        done = subprocess.run(
            [program, "-b", "fill.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        if "aborted" in done.stdout + done.stderr:
            raise RuntimeError(f"ngspice gave up:\n{done.stdout}\n{done.stderr}")
        lines = (Path(folder) / "curve.txt").read_text(encoding="utf-8").splitlines()[1:]
    kept = [[float(word) for word in line.split()[:5]] for line in lines[::KEPT_ROWS]]
    return Fill({**own_values(), **changes}, np.array(kept).T)


def read(
    fill: Fill, errors: SupplyErrors, rng: random.Random, *, apart_s: float
) -> list[LevelReadings]:
    """Return what an AC source reads of each level: windows, one after the other, with errors.

    Gain and offset are anywhere inside what is stated, and each reading scatters by a twentieth of
    the offset.
    """
    stated = (errors.power, errors.current, errors.voltage)
    made: list[tuple[ReadingError, float, float]] = []
    for one in stated:
        assert one is not None
        made.append((one, one.gain_frac * rng.uniform(-1, 1), one.offset * rng.uniform(-1, 1)))
    values, window_s = fill.values, errors.window_s
    step_s = values["ramp"] + values["hold"]
    time_s, levels = rng.uniform(0.0, apart_s), []
    for number, key in enumerate(("vone", "vtwo", "vthree")):
        set_s, end_s = number * step_s, (number + 1) * step_s
        times_s, rows = [], []
        while time_s < end_s:
            true = [fill.mean(column, time_s, window_s) for column in (1, 2, 3)]
            shown = (true[0], math.sqrt(max(true[1], 0.0)), math.sqrt(max(true[2], 0.0)))
            rows.append(
                [
                    value * (1.0 + gain) + offset + rng.gauss(0.0, 0.05 * one.offset)
                    for value, (one, gain, offset) in zip(shown, made, strict=True)
                ]
            )
            times_s.append(time_s)
            time_s += apart_s
        power_w, current_a, voltage_v = np.array(rows).T
        levels.append(
            LevelReadings(
                label=f"level {number + 1}",
                set_v=values[key],
                limit_a=0.05,
                set_s=set_s,
                times_s=np.array(times_s),
                voltage_v=voltage_v,
                current_a=current_a,
                power_w=power_w,
            )
        )
    return levels


def random_leak(rng: random.Random) -> dict[str, float]:
    """Draw a circuit that leaks 0.3 mA to 20 mA at its highest level."""
    leak_a = 10.0 ** rng.uniform(-3.5, -1.7)
    return {**random_circuit(rng), "rleak": math.sqrt(2.0) * own_values()["vthree"] / leak_a}


def random_circuit(rng: random.Random) -> dict[str, float]:
    """Draw a circuit: capacitance, resistances, frequency and phase of the line."""
    bulk_f = 10 ** rng.uniform(math.log10(47e-6), math.log10(330e-6))
    return {
        "cbulk": bulk_f,
        "rseries": rng.uniform(1.0, 13.0),
        "resr": rng.uniform(0.1, 1.0),
        "rline": rng.uniform(0.1, 0.5),
        "rleak": rng.uniform(30.0, 300.0) / bulk_f,
        "fline": rng.choice([50.0, 60.0]),
        "phase": rng.uniform(0.0, 360.0),
        "ramp": rng.uniform(0.3, 0.6),
    }


def write(name: str, rows: Iterable[Iterable[float]]) -> None:
    """Write a circuit's curve."""
    CURVES.mkdir(exist_ok=True)
    with (CURVES / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(COLUMNS)
        writer.writerows([f"{value:.8g}" for value in row] for row in rows)


if __name__ == "__main__":
    for case, changed in CASES.items():
        write(case, by_ngspice(changed).rows[:4].T)
