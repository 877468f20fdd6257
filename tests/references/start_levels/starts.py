"""Whole DC starts out of ngspice, an independent circuit simulator, and instruments that read them.

The circuit, the parts and the instruments are the project's own, drawn at random: supply in
constant current then constant voltage with a capacitor of its own, leads, diode, a bulk capacitor
with its series resistance and its leak, and a converter that begins at a voltage, fills its
output's capacitor and then draws its idle power.
"""

from __future__ import annotations

import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors

Array = npt.NDArray[np.float64]

#: Levels, of a unit for 24 V; the converter begins between the second and the third.
LEVELS_V = (2.4, 6.0, 12.0, 18.0, 24.0)
THRESHOLD_V = 8.0
_STEP_S, _HELD_S, _EDGE_S = 20e-6, 0.3, 10e-6

_NETLIST = """Whole start: a unit whose converter begins on the way up
Vset set 0 PWL({set})
Breg 0 reg I = max(0, min({limit_a}, (V(set) - V(out))/0.02))
Vshunt reg out 0
Cout out 0 {own_f} IC=0
Vunit out lead 0
Rline lead anode {line_ohm}
D1 anode pos dser
.model dser D(IS={saturation_a} N=1.5 RS=0)
Resr pos plate {esr_ohm}
Cbulk plate 0 {bulk_f} IC=0
Rleak plate 0 {leak_ohm}
Brun run 0 V = (V(plate) > {begin_v}) || ((V(mem) > 0.5) && (V(plate) > {stop_v})) ? 1 : 0
Rmem run mem 1k
Cmem mem 0 1n IC=0
* the converter's output, filled on a straight line; with its losses it is taken from the input
Brail 0 rail I = ((V(mem) > 0.5) && (V(rail) < 5)) ? {rail_a} : 0
Crail rail 0 {rail_f} IC=0
Bwatts watts 0 V = ((V(mem) > 0.5) && (V(rail) < 5)) ? 1.2*V(rail)*{rail_a} : 0
Bin plate 0 I = V(mem) > 0.5 ? ({idle_w} + V(watts))/max(V(plate), 1) : 0
* the energy that the unit takes, as the voltage of one farad
Bpower 0 energy I = V(out)*I(Vunit)
Cpower energy 0 1 IC=0
.options method=gear
.tran {step_s} {end_s} 0 {step_s} UIC
.control
run
linearize V(out) I(Vshunt) I(Vunit) V(energy)
set wr_singlescale
set wr_vecnames
wrdata curve.txt V(out) I(Vshunt) I(Vunit) V(energy)
.endc
.end
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Start:
    """A start as it was, and what its instruments read of it."""

    errors: SupplyErrors  # as stated
    levels: tuple[LevelReadings, ...]
    energy_j: float  # true: what the unit took until the last reading
    #: True, of each level: current and power at rest, at the unit.
    rest_a: tuple[float, ...]
    rest_w: tuple[float, ...]


def started(seed: int) -> Start:
    """Draw a circuit and its instruments, carry the start out, and read it."""
    rng = np.random.default_rng(seed)
    bulk_f, own_f = 10.0 ** rng.uniform(-4.0, -3.0), rng.uniform(47e-6, 330e-6)
    limit_a = rng.uniform(0.15, 0.5)
    begin_v, soft_s = rng.uniform(6.8, 9.0), 10.0 ** rng.uniform(-2.7, -1.7)
    rail_f = rng.uniform(50e-6, 200e-6)
    most_w = 0.5 * limit_a * begin_v  # that the soft start takes: it must not hang in the limit
    rail_a = min(rail_f * 5.0 / soft_s, most_w / (1.2 * 5.0))
    gaps_v = np.diff([0.0, *LEVELS_V])
    lasts_s = 2.5 * (bulk_f + own_f) * gaps_v / limit_a + 4.0 * soft_s + _HELD_S
    set_s = np.concatenate([[0.0], np.cumsum(lasts_s)])
    points = [
        f"{time_s + edge_s:.9g} {volts}"
        for time_s, (before_v, after_v) in zip(
            set_s, zip((0.0, *LEVELS_V), LEVELS_V, strict=False), strict=False
        )
        for edge_s, volts in ((0.0, before_v), (_EDGE_S, after_v))
    ]
    netlist = _NETLIST.format(
        set=" ".join(points),
        limit_a=limit_a,
        own_f=own_f,
        line_ohm=rng.uniform(0.05, 0.5),
        saturation_a=10.0 ** rng.uniform(-9.0, -6.0),
        esr_ohm=rng.uniform(0.02, 0.5),
        bulk_f=bulk_f,
        leak_ohm=10.0 ** rng.uniform(3.5, 5.5),
        begin_v=begin_v,
        stop_v=begin_v - 1.5,
        rail_a=rail_a,
        rail_f=rail_f,
        idle_w=rng.uniform(0.1, 0.8),
        step_s=_STEP_S,
        end_s=set_s[-1],
    )
    return _read(_simulated(netlist), set_s, limit_a, own_f, rng)


def _simulated(netlist: str) -> Array:
    """Run ngspice: time, voltage at the terminals, current of regulator and unit, energy."""
    program = shutil.which("ngspice")
    if program is None:
        raise RuntimeError("ngspice is not installed; install the Debian package ngspice")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "start.cir").write_text(netlist, encoding="utf-8")
        done = subprocess.run(
            [program, "-b", "start.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=300,
            check=False,
        )
        if "aborted" in done.stdout + done.stderr:
            raise RuntimeError(f"ngspice gave up:\n{done.stdout}\n{done.stderr}")
        rows: Array = np.loadtxt(Path(folder) / "curve.txt", skiprows=1).T
    return rows


def _read(
    rows: Array, set_s: Array, limit_a: float, own_f: float, rng: np.random.Generator
) -> Start:
    """Read a start: a pair each 0.3 ms to 50 ms, with errors up to the edge of the accuracy."""
    apart_s = 10.0 ** rng.uniform(-3.5, -1.4)
    own_error_f = 0.05 * own_f
    errors = SupplyErrors(
        voltage=ReadingError(gain_frac=5e-4, offset=float(rng.choice([0.002, 0.01]))),
        current=ReadingError(gain_frac=2e-3, offset=float(rng.choice([1e-4, 2e-3]))),
        own_capacitance_f=own_f + own_error_f * rng.uniform(-1.0, 1.0),
        own_capacitance_error_f=own_error_f,
        reading_s=apart_s,
    )
    edge = rng.uniform(-1.0, 1.0, 4)
    edge[rng.integers(4)] = rng.choice([-1.0, 1.0])  # one of them is all the way out
    time_s, voltage_v, shunt_a, unit_a, energy_j = rows
    levels, rest_a, rest_w = [], [], []
    for number, volts in enumerate(LEVELS_V):
        begins_s, ends_s = set_s[number : number + 2]
        times_s = np.arange(begins_s + apart_s * rng.uniform(0.2, 1.0), ends_s, apart_s)
        read_v, read_a = (
            np.interp(times_s, time_s, true) * (1.0 + error.gain_frac * gain)
            + error.offset * (0.9 * offset + rng.normal(0.0, 0.05, times_s.size))
            for true, error, gain, offset in (
                (voltage_v, errors.voltage, edge[0], edge[1]),
                (shunt_a, errors.current, edge[2], edge[3]),
            )
            if error is not None
        )
        levels.append(
            LevelReadings(
                label=f"{volts:g} V",
                set_v=volts,
                limit_a=limit_a,
                set_s=float(begins_s),
                times_s=times_s,
                voltage_v=read_v,
                current_a=read_a,
                power_w=read_v * read_a,
            )
        )
        rests = slice(*np.searchsorted(time_s, times_s[[-(times_s.size // 3), -1]]))
        rest_a.append(float(unit_a[rests].mean()))
        rest_w.append(float((voltage_v * unit_a)[rests].mean()))
    taken_j = float(np.interp(levels[-1].times_s[-1], time_s, energy_j))
    return Start(
        errors=errors,
        levels=tuple(levels),
        energy_j=taken_j,
        rest_a=tuple(rest_a),
        rest_w=tuple(rest_w),
    )
