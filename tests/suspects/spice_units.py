"""Units computed by ngspice in topologies of their own: curves played on the simulated bench.

None of the program's circuit takes part: each netlist has its own feed (an LC filter and a MOSFET
against wrong polarity, or a Schottky diode and two bulk capacitors in parallel), its own converter
(which takes constant power or, while it ramps, constant current) and its own spread of values. A
run sets a voltage, and gets the curve that ngspice computed for that level from the state before;
past its end the last value stays. Instruments, errors, engine and checks are the program's own.
"""

from __future__ import annotations

import math
import random
import shutil
import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from harness.api import simulated_bench_file
from harness.profile.schema import Profile
from harness.qualify.population import Drawn
from harness.qualify.worker import Place
from harness.rehearse import simulated_bench
from harness.rehearse.circuit.dc import DcCircuit
from harness.rehearse.laws import Laws
from harness.rehearse.unit_model import typical_model
from harness.suspects.bench_errors import Misread
from harness.suspects.digest import Digest

#: Makes the circuit of a simulated bench, in the place of the program's own.
MakeCircuit = Callable[..., Any]

#: Levels of the start of the shipped DC profile, its current limit, and time computed for each.
LEVELS_V, LIMIT_A, LEVEL_S = (2.4, 6.0, 12.0, 18.0, 24.0), 0.3, 0.35
_STEP_S = 0.5e-3
#: Across the supply's own terminals.
SUPPLY_F = 220e-6
#: Decay of the terminals once the supply is off.
_OFF_S = 0.05


@dataclass(frozen=True, kw_only=True)
class Parts:
    """One unit, in component values; SI units."""

    bulk_f: float = 470e-6
    esr_ohm: float = 0.12
    leak_ohm: float = 80e3
    feed_ohm: float = 0.2
    input_short_ohm: float = 1e9
    bulk_short_ohm: float = 1e9
    breakdown_v: float = 1e3
    is_open: bool = False
    starts: bool = True
    idle_w: float = 0.48
    output_v: float = 5.0
    ripple_v: float = 4e-3
    output_f: float = 300e-6


#: Class of the library, what it changes, and how far: three units of each, from mild to severe.
FAULTS: dict[str, tuple[str, tuple[Any, ...]]] = {
    "shorted-input": ("input_short_ohm", (3.0, 0.8, 0.15)),
    "shorted-switch": ("bulk_short_ohm", (3.0, 0.8, 0.15)),
    "switch-breakdown": ("breakdown_v", (21.0, 15.0, 9.0)),
    "open-fuse": ("is_open", (True, True, True)),
    "leaky-bulk-capacitor": ("leak_ohm", (900.0, 250.0, 60.0)),
    "weak-bulk-capacitor": ("bulk_f", (220e-6, 100e-6, 40e-6)),
    "output-low": ("output_v", (4.7, 4.4, 3.9)),
    "output-high": ("output_v", (5.3, 5.6, 6.2)),
    "no-start": ("starts", (False, False, False)),
    "idle-over-consumption": ("idle_w", (1.1, 1.8, 3.0)),
    "rippling-output": ("ripple_v", (12e-3, 20e-3, 33e-3)),
    "bench-supply-lead-resistance": ("feed_ohm", (2.0, 4.0, 7.0)),
    "bench-supply-leads-off": ("is_open", (True, True, True)),
    "open-rectifier-diode": ("is_open", (True, True, True)),
}


def units() -> Iterator[tuple[str, int, Parts]]:
    """Yield every faulty unit: its class, its topology (0 or 1), its parts; 42 of them."""
    for kind, (field, values) in FAULTS.items():
        for index, value in enumerate(values):
            parts = _drawn(random.Random(f"{kind} {index}"))
            if kind == "weak-bulk-capacitor":  # dries out: less left, more resistance, more ripple
                lost = parts.bulk_f / value
                parts = replace(
                    parts, esr_ohm=parts.esr_ohm * lost, ripple_v=parts.ripple_v * lost**0.7
                )
            more = parts.feed_ohm if kind == "bench-supply-lead-resistance" else 0
            yield kind, index % 2, replace(parts, **{field: value + more if more else value})


def _drawn(rng: random.Random) -> Parts:
    """Draw a sound unit."""
    usual = Parts()
    return replace(
        usual,
        bulk_f=usual.bulk_f * rng.uniform(0.85, 1.15),
        esr_ohm=usual.esr_ohm * rng.uniform(0.6, 1.5),
        feed_ohm=usual.feed_ohm * rng.uniform(0.7, 1.3),
        idle_w=usual.idle_w * rng.uniform(0.85, 1.15),
        output_v=usual.output_v * rng.uniform(0.993, 1.007),
        ripple_v=usual.ripple_v * rng.uniform(0.8, 1.2),
        output_f=usual.output_f * rng.uniform(0.6, 1.5),
    )


def netlist(parts: Parts, topology: int) -> str:
    """Return the netlist of one unit on a supply that goes through the levels."""
    times = []
    for index, volts in enumerate(LEVELS_V):
        times += [f"{index * LEVEL_S + 1e-4:.6g} {volts}", f"{(index + 1) * LEVEL_S:.6g} {volts}"]
    feed_ohm = 1e9 if parts.is_open else parts.feed_ohm
    if topology == 0:  # filter, MOSFET against wrong polarity, one capacitor
        feed = f"""Lin in mid 47u
Rdamp in mid 10
Cin mid 0 10u IC=0
Rfet mid pos {feed_ohm + 0.05}
"""
        bulk = f"Resr pos plate {parts.esr_ohm}\nCbulk plate 0 {parts.bulk_f} IC=0\n"
    else:  # Schottky diode, two capacitors in parallel
        feed = f"""Rfeed in anode {feed_ohm}
D1 anode pos dfeed
.model dfeed D(IS=2e-7 N=1.05 RS=0.02)
"""
        bulk = f"""Resr1 pos plate {2 * parts.esr_ohm}
Cbulk1 plate 0 {0.5 * parts.bulk_f} IC=0
Resr2 pos plate2 {2 * parts.esr_ohm}
Cbulk2 plate2 0 {0.5 * parts.bulk_f} IC=0
"""
    starts = 1 if parts.starts and parts.bulk_short_ohm > 1e6 else 0
    ramp_s, start_v, stop_v = (0.015, 8.3, 6.9) if topology == 0 else (0.03, 9.2, 6.2)
    # while it ramps: constant power into the output capacitor, or a constant current
    ramp_w = 0.5 * parts.output_f * parts.output_v**2 / ramp_s
    ramp = f"{ramp_w} / max(V(pos), 4)" if topology == 0 else f"{ramp_w / 12.0}"
    return f"""unit of topology {topology}
Vset set 0 PWL(0 0 {" ".join(times)})
Breg 0 reg I = max(-0.05, min({LIMIT_A}, (V(set) - V(out)) / 0.02))
Vshunt reg out 0
Cout out 0 {SUPPLY_F} IC=0
Rsink out 0 33k
Rlead out in 0.06
Rshort in 0 {parts.input_short_ohm}
{feed}{bulk}Rleak pos 0 {parts.leak_ohm}
Rbulkshort pos 0 {parts.bulk_short_ohm}
Bbreak brk 0 V = (V(pos) > {parts.breakdown_v}) || (V(broke) > 0.5) ? 1 : 0
Rbreak brk broke 1k
Cbreak broke 0 1n IC=0
Bbroken pos 0 I = V(broke) > 0.5 ? V(pos) / 0.5 : 0
Brun run 0 V = {starts} * ((V(pos) > {start_v}) || ((V(mem) > 0.5) && (V(pos) > {stop_v})))
Rmem run mem 1k
Cmem mem 0 100n IC=0
Bramp 0 share I = V(mem) > 0.5 ? (V(share) < 1 ? 1u / {ramp_s} : 0) : -V(share) * 1u / 0.05
Cshare share 0 1u IC=0
Rshare share 0 1g
Bidle pos 0 I = V(mem) > 0.5 ? {parts.idle_w} / max(V(pos), 4) : 0
Bfill pos 0 I = (V(mem) > 0.5) && (V(share) < 0.99) ? {ramp} : 0
.options method=gear reltol=2e-3
.tran {_STEP_S} {len(LEVELS_V) * LEVEL_S} 0 0.2m UIC
.control
run
linearize V(out) I(Vshunt) V(share)
set wr_singlescale
wrdata curve.txt V(out) I(Vshunt) V(share)
.endc
.end
"""


@dataclass(frozen=True)
class Curve:
    """What ngspice computed: time, terminal voltage, current, share of the output."""

    rows: np.ndarray

    def at(self, level: int, since_s: float) -> tuple[float, float, float]:
        """Return the values a time after a level was set; past its end the last ones stay."""
        time_s = (level + min(since_s / LEVEL_S, 0.995)) * LEVEL_S
        volts, amperes, share = (
            float(np.interp(time_s, self.rows[:, 0], self.rows[:, column])) for column in (1, 2, 3)
        )
        return volts, amperes, share


def by_ngspice(netlist: str, folder: Path) -> np.ndarray:
    """Have ngspice compute a netlist; return what it wrote, a row for each time."""
    program = shutil.which("ngspice")
    assert program is not None, "ngspice is not installed"
    (folder / "unit.cir").write_text(netlist, encoding="utf-8")
    done = subprocess.run(
        [program, "-b", "unit.cir"],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=600,
        check=False,
    )
    assert "aborted" not in done.stdout + done.stderr, done.stdout[-2000:] + done.stderr[-2000:]
    return np.loadtxt(folder / "curve.txt")


def computed(parts: Parts, topology: int, folder: Path) -> Curve:
    """Have ngspice compute one unit."""
    return Curve(by_ngspice(netlist(parts, topology), folder))


class Played(DcCircuit):
    """A circuit whose values are those of a curve; what it is told decides where on the curve."""

    def __init__(self, curve: Curve, parts: Parts, *args: Any, **named: Any) -> None:
        self._curve, self._parts = curve, parts
        self._level, self._since_s, self._off_v = 0, 0.0, 0.0
        super().__init__(*args, **named)

    def set_source(self, **told: Any) -> None:
        """Begin a level where a new voltage is told, with the supply on."""
        volts, _, _ = self._now()
        before = self.setting
        super().set_source(**told)
        if before.on and not self.setting.on:
            self._off_v, self._since_s = volts, self.time_s
        if self.setting.on and (not before.on or before.voltage_v != self.setting.voltage_v):
            gaps = [abs(level_v - self.setting.voltage_v) for level_v in LEVELS_V]
            self._level, self._since_s = gaps.index(min(gaps)), self.time_s

    def advance_to(self, time_s: float) -> None:
        """Let time pass: the curve is computed already."""
        self.time_s = max(self.time_s, time_s)

    def _now(self, ago_s: float = 0.0) -> tuple[float, float, float]:
        passed_s = max(0.0, self.time_s - ago_s - self._since_s)
        if not self.setting.on:
            share = math.exp(-passed_s / _OFF_S)
            return self._off_v * share, 0.0, share if self._off_v else 0.0
        return self._curve.at(self._level, passed_s)

    def source_voltage_v(self, window_s: float = 0.0) -> float:  # noqa: ARG002
        """Return the voltage at the terminals."""
        return self._now()[0]

    def source_current_a(self, window_s: float = 0.0) -> float:  # noqa: ARG002
        """Return the supply's current."""
        return self._now()[1]

    def source_power_w(self, window_s: float = 0.0) -> float:  # noqa: ARG002
        """Return the power at the terminals."""
        volts, amperes, _ = self._now()
        return volts * amperes

    def source_limiting(self) -> bool:
        """Return whether the supply holds its limit."""
        return self._now()[1] > 0.98 * LIMIT_A

    def output_voltage_v(self) -> float:
        """Return the voltage of the output."""
        return self._parts.output_v * min(1.0, max(0.0, self._now()[2]))

    def output_ripple_v(self) -> float:
        """Return its ripple, rms."""
        return self._parts.ripple_v * min(1.0, max(0.0, self._now()[2]))


def played(curve: Curve, parts: Parts) -> MakeCircuit:
    """Return what puts a computed unit on the simulated bench."""
    return lambda model, source, *, seed=1: Played(curve, parts, model, source, seed=seed)


def carried_out(
    profile: Profile, made: MakeCircuit, misread: Misread | None = None
) -> tuple[dict[str, float], str]:
    """Carry a unit through the engine; return its figures, and how its run ended."""
    digest = Digest("outside")
    drawn = Drawn(
        index=0,
        kind="outside",
        severity=math.nan,
        clear=True,
        seed=5,
        model=typical_model(profile.unit),
    )
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(simulated_bench, "circuit_of", made)
        place = Place(profile, simulated_bench_file(profile))
        result, _ = place.carry_out(drawn, digest, laws=Laws(), misread=misread)
    ended = result.trip.reason.value if result.trip else result.verdict.value
    return {name: one.value for name, one in digest.features().items()}, ended
