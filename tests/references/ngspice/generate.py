"""Run the netlists beside this file in ngspice and write what they give as reference curves.

    python tests/references/ngspice/generate.py

needs ``ngspice`` on the path and overwrites the CSV files in ``curves``. The tests compare the
simulated circuit with the committed files, and where ngspice is present they run the netlists
again and compare the files with that.
"""

from __future__ import annotations

import csv
import re
import shutil
import subprocess
import tempfile
from collections.abc import Iterable
from pathlib import Path

HERE = Path(__file__).parent
CURVES = HERE / "curves"

#: Netlists that write a curve, with its columns after time.
CURVE_COLUMNS = {
    "charge_current_limit": ("terminal_v", "bulk_v", "current_a"),
    "start_constant_power": ("terminal_v", "bulk_v", "current_a", "output_v"),
}
#: Netlists that give figures. They print one a line, ``name = value``, from ``meas``.
FIGURES = (
    "rectifier_120v_60hz_power",
    "rectifier_120v_60hz_resistor",
    "rectifier_120v_60hz_idle",
    "rectifier_120v_50hz_power",
    "rectifier_100v_50hz_power",
    "rectifier_100v_50hz_resistor",
    "rectifier_100v_50hz_idle",
    "rectifier_100v_50hz_aged",
    "rectifier_120v_60hz_half_watt",
    "rectifier_120v_60hz_light",
    "rectifier_120v_60hz_public",
    "rectifier_240v_50hz_idle",
    "switch_on_120v_limited",
    "switch_on_120v_bare",
    "rectifier_240v_50hz_power",
    "limiter_120v_60hz_power",
    "varistor_170v_60hz_power",
    "open_diode_120v_60hz_power",
    "shorted_leg_120v_60hz_power",
    "shorted_leg_100v_50hz_resistor",
    "start_120v_60hz",
    "dc_24v_resistor",
    "varistor_45v_dc",
    "limiter_24v_charge",
    "forming_24v",
    "bridge_60v_dc_charge",
    "bridge_170v_dc_power",
    "bridge_dc_shorted_leg",
    "bridge_dc_shorted_leg_backwards",
    "charger_battery",
    "charger_100v_50hz",
    "boost_100v_50hz_power",
    "boost_120v_60hz_half",
    "boost_240v_50hz_power",
    "boost_264v_60hz_light",
    "boost_start_100v_50hz",
    "rails_cross",
    "board_120v_60hz",
)
#: One row in so many of ngspice's 10 us rows is kept.
KEPT_ROWS = 50

_FACTORS = {"": 1.0, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9}
_FIGURE = re.compile(
    r"^((?:bulk|charge|current|limiter|power|start|terminal)_\w+)\s*=\s*(\S+)", re.MULTILINE
)


def parameters(name: str) -> dict[str, float]:
    """Return the values of a netlist's ``.param`` lines, in SI."""
    values = {}
    for line in (HERE / f"{name}.cir").read_text(encoding="utf-8").splitlines():
        if line.startswith(".param"):
            for word in line.split()[1:]:
                key, text = word.split("=")
                number, suffix = re.fullmatch(r"([\d.]+)([kmun]?)", text).groups()
                values[key] = float(number) * _FACTORS[suffix]
    return values


def curve(name: str) -> list[list[float]]:
    """Run a netlist and return its thinned curve: rows of time and the columns."""
    with tempfile.TemporaryDirectory() as folder:
        _run(name, Path(folder))
        lines = (Path(folder) / "curve.txt").read_text(encoding="utf-8").splitlines()[1:]
    rows = [[float(word) for word in line.split()] for line in lines]
    return rows[::KEPT_ROWS]


def figures(name: str) -> dict[str, float]:
    """Run a netlist and return its figures."""
    with tempfile.TemporaryDirectory() as folder:
        printed = _run(name, Path(folder))
    return {key: float(value) for key, value in _FIGURE.findall(printed)}


def read_curve(name: str) -> list[dict[str, float]]:
    """Return a committed curve."""
    with (CURVES / f"{name}.csv").open(encoding="utf-8", newline="") as file:
        return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(file)]


def read_figures() -> dict[str, dict[str, float]]:
    """Return the committed figures by netlist."""
    found: dict[str, dict[str, float]] = {}
    with (CURVES / "figures.csv").open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            found.setdefault(row["netlist"], {})[row["quantity"]] = float(row["value"])
    return found


def _run(name: str, folder: Path) -> str:
    """Run a netlist in ``folder`` and return what ngspice printed."""
    for file in (*HERE.glob("*.inc"), HERE / f"{name}.cir"):
        shutil.copy(file, folder)
    program = shutil.which("ngspice")
    if program is None:
        raise RuntimeError("ngspice is not installed; install the Debian package ngspice")
    done = subprocess.run(
        [program, "-b", f"{name}.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=120,
        check=False,
    )
    # Batch mode reports "no simulations run" by its status although the control block ran.
    if "aborted" in done.stdout + done.stderr:
        raise RuntimeError(f"ngspice gave up on {name}:\n{done.stdout}\n{done.stderr}")
    return done.stdout


def _write(name: str, header: Iterable[str], rows: Iterable[Iterable[float | str]]) -> None:
    CURVES.mkdir(exist_ok=True)
    with (CURVES / f"{name}.csv").open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file, lineterminator="\n")
        writer.writerow(header)
        writer.writerows(rows)


def main() -> None:
    """Write every reference file again."""
    for name, columns in CURVE_COLUMNS.items():
        rows = [[f"{value:.6g}" for value in row] for row in curve(name)]
        _write(name, ("time_s", *columns), rows)
    measured = {name: figures(name) for name in FIGURES}
    rows = [
        (name, key, f"{value:.6g}") for name in FIGURES for key, value in measured[name].items()
    ]
    _write("figures", ("netlist", "quantity", "value"), rows)


if __name__ == "__main__":
    main()
