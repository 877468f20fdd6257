"""Start levels out of ngspice, an independent circuit simulator, and instruments that read them.

    python -m tests.references.start_levels.levels

needs ``ngspice`` on the path and writes the true values of a few levels again, as CSV beside this
file. The circuit, the parts and the instruments are the project's own, drawn at random: supply in
constant current then constant voltage with a capacitor of its own, leads, a diode or none, a bulk
capacitor with its series resistance and its leak.
"""

from __future__ import annotations

import csv
import shutil
import subprocess
import tempfile
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt

from harness.judge.start_curve import LevelReadings, ReadingError, SupplyErrors

HERE = Path(__file__).parent
Array = npt.NDArray[np.float64]

#: Seeds of the levels whose true values lie beside this file.
STORED = (6, 13, 33, 42, 56, 60, 105)
#: Steps of a run of ngspice, and the time for which a level is held.
_STEPS, _HELD_S = 20_000, 0.4

_NETLIST = """Start level: a bulk capacitor filled by a supply in current limit
Breg 0 reg I = max(0, min({limit_a}, ({set_v} - V(out))/{regulation_ohm}))
Vshunt reg out 0
Cout out 0 {own_f} IC=0
Rline out in {line_ohm}
{diode}
Rseries anode cathode {unit_ohm}
Resr cathode plate {esr_ohm}
Cbulk plate 0 {bulk_f} IC=0
Rleak cathode 0 {leak_ohm}
.options method=gear
.tran {step_s} {end_s} 0 {step_s} UIC
.control
run
linearize V(out) I(Vshunt)
set wr_singlescale
set wr_vecnames
wrdata curve.txt V(out) I(Vshunt)
.endc
.end
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Parts:
    """The circuit of one level."""

    bulk_f: float
    own_f: float
    ohms: tuple[float, float, float, float]  # regulation, leads, unit, capacitor
    leak_ohm: float
    diode: tuple[float, float] | None  # saturation current in A, and n
    limit_a: float
    set_v: float

    @property
    def series_ohm(self) -> float:
        """All that is in series with the capacitor."""
        return sum(self.ohms)

    @property
    def end_s(self) -> float:
        """End of the hold."""
        return (self.bulk_f + self.own_f) * self.set_v / self.limit_a * 1.3 + _HELD_S

    def netlist(self) -> str:
        """Return the circuit as ngspice reads it."""
        diode = "Rnone in anode 1u"
        if self.diode is not None:
            saturation_a, n = self.diode
            diode = f"D1 in anode dser\n.model dser D(IS={saturation_a:.6g} N={n} RS=0)"
        regulation, line, unit, esr = self.ohms
        return _NETLIST.format(
            limit_a=self.limit_a,
            set_v=self.set_v,
            regulation_ohm=regulation,
            own_f=self.own_f,
            line_ohm=line,
            diode=diode,
            unit_ohm=unit,
            esr_ohm=esr,
            bulk_f=self.bulk_f,
            leak_ohm=self.leak_ohm,
            step_s=self.end_s / _STEPS,
            end_s=self.end_s,
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class Instrument:
    """The supply's meters: answers of one length, errors up to the edge of the accuracy."""

    answer_s: float
    together: bool  # voltage and current in one answer, or one after the other
    moments_frac: tuple[float, float]  # where in its answer each is taken
    jitter_frac: float
    errors: SupplyErrors  # as stated
    gains: tuple[float, float]  # true: of voltage and current
    offsets: tuple[float, float]
    noises: tuple[float, float]
    own_error_f: float  # true: what the stated own capacitance is off by

    @property
    def sample_s(self) -> float:
        """Time from one sample to the next."""
        return self.answer_s * (1 if self.together else 2)

    def moments(self, end_s: float, rng: np.random.Generator) -> tuple[Array, Array, Array]:
        """Return when each sample had come, and when voltage and current were taken."""
        times_s = np.arange(1, int(end_s / self.sample_s)) * self.sample_s

        def taken(answers_since: int, share: float) -> Array:
            jitter = self.jitter_frac * rng.uniform(-0.5, 0.5, times_s.size)
            moments: Array = times_s - self.answer_s * (answers_since + 1.0 - share + jitter)
            return moments

        first, second = self.moments_frac
        return times_s, taken(0 if self.together else 1, first), taken(0, second)


def drawn(seed: int) -> tuple[Parts, Instrument]:
    """Draw a circuit and instruments: 0.1 to 50 ms an answer, 6 to 60 samples on the way up."""
    rng = np.random.default_rng(seed)
    answer_s, together = 10 ** rng.uniform(-4.0, np.log10(0.05)), bool(rng.random() < 0.5)
    sample_s = answer_s * (1 if together else 2)
    bulk_f, set_v = 10 ** rng.uniform(-4.0, -2.0), rng.uniform(1.8, 8.0)
    own_f = rng.uniform(0.05, 0.8) * min(bulk_f, 470e-6)
    limit_a = float(np.clip((bulk_f + own_f) * set_v / (rng.uniform(6, 60) * sample_s), 0.01, 1.0))
    ohms = 10 ** rng.uniform(-1.0, 0.7) * rng.dirichlet([1.0, 1.0, 1.0])
    leak_ohm = float(rng.choice([2e5, set_v / (limit_a * rng.uniform(0.002, 0.2))]))
    diode = (10 ** rng.uniform(-9.0, -6.0), float(rng.choice([1.0, 2.0])))
    parts = Parts(
        bulk_f=bulk_f,
        own_f=own_f,
        ohms=(0.02, *map(float, ohms)),
        leak_ohm=leak_ohm,
        diode=diode if rng.random() < 0.67 else None,
        limit_a=limit_a,
        set_v=set_v,
    )
    edge = rng.uniform(-1.0, 1.0, 5)
    edge[rng.integers(5)] = rng.choice([-1.0, 1.0])  # one of them is all the way out
    offset_v, offset_a = float(rng.choice([0.002, 0.01])), float(rng.choice([0.0005, 0.002]))
    gain_v, gain_a, own_error_f = 5e-4, 2e-3, 0.05 * own_f
    noise = rng.uniform(0.02, 0.2, 2)  # beside it the offset keeps to four fifths
    errors = SupplyErrors(
        voltage=ReadingError(gain_frac=gain_v, offset=offset_v),
        current=ReadingError(gain_frac=gain_a, offset=offset_a),
        own_capacitance_f=own_f + own_error_f * edge[4],
        own_capacitance_error_f=own_error_f,
        reading_s=sample_s,
    )
    first, second = rng.uniform(0.0, 1.0, 2)
    instrument = Instrument(
        answer_s=answer_s,
        together=together,
        moments_frac=(first, first if together else second),
        jitter_frac=rng.uniform(0.0, 0.1),
        errors=errors,
        gains=(gain_v * edge[0], gain_a * edge[1]),
        offsets=(0.8 * offset_v * edge[2], 0.8 * offset_a * edge[3]),
        noises=(offset_v * noise[0], offset_a * noise[1]),
        own_error_f=own_error_f * edge[4],
    )
    return parts, instrument


def simulated(parts: Parts) -> tuple[Array, Array, Array]:
    """Run ngspice: time, voltage at the terminals, current of the regulator."""
    program = shutil.which("ngspice")
    if program is None:
        raise RuntimeError("ngspice is not installed; install the Debian package ngspice")
    with tempfile.TemporaryDirectory() as folder:
        (Path(folder) / "level.cir").write_text(parts.netlist(), encoding="utf-8")
        done = subprocess.run(
            [program, "-b", "level.cir"],
            cwd=folder,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        if "aborted" in done.stdout + done.stderr:
            raise RuntimeError(f"ngspice gave up:\n{done.stdout}\n{done.stderr}")
        time_s, voltage_v, current_a = np.loadtxt(Path(folder) / "curve.txt", skiprows=1).T
    return time_s, voltage_v, current_a


def true_values(seed: int) -> tuple[Array, Array, Array]:
    """Return when each sample of a drawn level comes, and what is true as it is taken."""
    parts, instrument = drawn(seed)
    rng = np.random.default_rng([seed, 1])
    time_s, voltage_v, current_a = simulated(parts)
    times_s, taken_v, taken_a = instrument.moments(parts.end_s, rng)
    begin_s = rng.uniform(0.0, instrument.sample_s)  # when the output came on
    return (
        times_s,
        np.interp(taken_v - begin_s, time_s, voltage_v, left=0.0),
        np.interp(taken_a - begin_s, time_s, current_a, left=0.0),
    )


def stored_values(seed: int) -> tuple[Array, Array, Array]:
    """Return the same as it lies beside this file."""
    times_s, voltage_v, current_a = np.loadtxt(
        HERE / f"level_{seed}.csv", delimiter=",", skiprows=1
    ).T
    return times_s, voltage_v, current_a


def read(seed: int, values: tuple[Array, Array, Array]) -> LevelReadings:
    """Return what the drawn instruments make of the true values."""
    parts, instrument = drawn(seed)
    rng = np.random.default_rng([seed, 2])
    times_s, *true = values
    voltage_v, current_a = (
        value * (1.0 + gain) + offset + rng.normal(0.0, noise, times_s.size)
        for value, gain, offset, noise in zip(
            true, instrument.gains, instrument.offsets, instrument.noises, strict=True
        )
    )
    return LevelReadings(
        label="lowest",
        set_v=parts.set_v,
        limit_a=parts.limit_a,
        set_s=0.0,
        times_s=times_s,
        voltage_v=voltage_v,
        current_a=current_a,
        power_w=voltage_v * current_a,
    )


def main() -> None:
    """Write the stored levels again."""
    for seed in STORED:
        path = HERE / f"level_{seed}.csv"
        with path.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file, lineterminator="\n")
            writer.writerow(("time_s", "voltage_v", "current_a"))
            for row in zip(*true_values(seed), strict=True):
                writer.writerow([f"{value:.7g}" for value in row])


if __name__ == "__main__":
    main()
