"""Random nameplates, the profiles drafted from them, and healthy units on a bench that fits.

``python -m tests.qualify.drafted 300 20 1`` carries the whole campaign out (nameplates, units each,
seed) and prints its figures.
"""

from __future__ import annotations

import sys
import tomllib
from collections import Counter
from collections.abc import Iterable, Iterator
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from multiprocessing import get_context

import numpy as np

from harness.api import plan_for, simulated_bench_file
from harness.new.drafts import Nameplate, draft_profile, unit_of
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Range
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.qualify.bounds import Share, share
from harness.qualify.unit_result import End, UnitResult
from harness.qualify.worker import DAY, Job, run_units
from harness.rehearse.unit_model import typical_model

__all__ = ["Drafted", "Figures", "carry_out", "drafted", "figures", "nameplate"]

#: What is drawn, by decades where a range spans some: rated power, idle power as a share of it,
#: bulk capacitance over that of a usual unit.
POWER_W = (2.0, 1000.0)
IDLE_FRAC = (0.005, 0.40)
BULK_TIMES = (0.2, 5.0)
#: Nominal voltages. A unit takes 50 A at most: more goes through no bench's leads.
NOMINAL_V = {
    "dc": (5.0, 9.0, 12.0, 15.0, 19.0, 24.0, 28.0, 36.0, 48.0),
    "ac": (100.0, 115.0, 120.0, 230.0, 240.0),
}
MOST_A = 50.0
OUTPUT_V = (3.3, 5.0, 12.0, 24.0, 48.0)
#: Power factor of a capacitor-input rectifier at full load: 0.5 to 0.7, common practice.
POWER_FACTOR = 0.6
#: Share of what is left after the idle power that the output gives at most.
EFFICIENCY = 0.88

#: Ranges of supplies, in amperes: a bench has the smallest that gives the envelope's current.
RANGES_A = {"dc": (10.0, 30.0, 100.0), "ac": (8.0, 30.0)}

#: What a plan says where a healthy unit may be stopped, in these words.
FORESEEN = "healthy unit can trip on"


@dataclass(frozen=True, kw_only=True, slots=True)
class Drafted:
    """A nameplate, and how its draft did.

    Attributes:
        number: Its number.
        plate: The nameplate.
        load: Whether the draft has a load step.
        notes: What draft and plan say beforehand of a healthy unit that may be stopped.
        rows: One row a healthy unit.
    """

    number: int
    plate: Nameplate
    load: bool
    notes: tuple[str, ...]
    rows: tuple[UnitResult, ...]

    @property
    def stopped(self) -> tuple[UnitResult, ...]:
        """Units that were cut off or refused."""
        return tuple(row for row in self.rows if row.end in {End.TRIPPED, End.REFUSED})


def nameplate(number: int, seed: int = 1) -> tuple[Nameplate, bool]:
    """Draw a nameplate, and whether there is a load, by its number."""
    rng = np.random.default_rng(np.random.SeedSequence(seed, spawn_key=(number,)))

    def by_decades(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    kind = "dc" if number % 2 else "ac"
    power_w, idle_frac = by_decades(*POWER_W), by_decades(*IDLE_FRAC)
    power_factor = 1.0 if kind == "dc" else POWER_FACTOR
    fitting_v = [v for v in NOMINAL_V[kind] if power_w / v / power_factor <= MOST_A]
    nominal_v = float(rng.choice(fitting_v))
    output_v = float(rng.choice(OUTPUT_V))
    output_w = rng.uniform(0.6, 1.0) * EFFICIENCY * (1 - idle_frac) * power_w
    threshold = rng.uniform(0.3, 0.8)
    plate = Nameplate(
        title=f"unit {number}",
        kind=kind,  # type: ignore[arg-type]
        nominal_v=nominal_v,
        tolerance_frac=float(rng.choice((0.05, 0.1, 0.15, 0.2))),
        current_a=power_w / nominal_v / power_factor,
        frequency_hz=() if kind == "dc" else ((50.0, 60.0), (60.0, 50.0))[rng.integers(2)],
        idle_power_w=idle_frac * power_w,
        start_threshold_v=float(threshold * nominal_v) if rng.uniform() < 0.5 else None,
        output_v=output_v,
        output_a=float(output_w / output_v),
        protection_class="III" if kind == "dc" else "II",
    )
    usual_f = typical_model(unit_of(plate)).bulk.nominal_capacitance_f
    bulk_f = by_decades(*BULK_TIMES) * usual_f
    return replace(plate, bulk_capacitance_f=bulk_f), bool(rng.uniform() < 0.5)


def profile_of(plate: Nameplate, *, load: bool) -> tuple[Profile, str]:
    """Return the drafted profile, with what the interview takes for a quick Enter, and its text."""
    sample_s = 0.01 if plate.kind == "dc" else 0.05
    text = draft_profile(plate, sample_s=sample_s, load=load)
    return Profile.model_validate(tomllib.loads(text)), text


def bench_of(profile: Profile) -> BenchFile:
    """Return the shipped simulated bench, with a supply and a load as large as the unit needs.

    The fixed part of the current reading's accuracy goes with the range, as on data sheets.
    """
    bench = simulated_bench_file(profile)
    kind = profile.unit.input.kind
    range_a = next(a for a in RANGES_A[kind] if a >= profile.envelope.current_a)
    times = range_a / RANGES_A[kind][0]
    accuracy = dict(bench.supply.accuracy)
    accuracy["current"] = _wider(accuracy["current"], times)
    if "power" in accuracy:
        accuracy["power"] = _wider(accuracy["power"], times)
    supply = bench.supply.model_copy(
        update={
            "range": Range(
                voltage=f"{bench.supply.range.voltage_v} V",
                current=f"{range_a} A",
                power=f"{max(profile.envelope.power_w, 200.0)} W",
            ),
            "accuracy": accuracy,
        }
    )
    assert bench.load is not None
    output = next(iter(profile.unit.output.values()))
    load = bench.load.model_copy(
        update={
            "range": Range(
                voltage="80 V",
                current=f"{max(10.0, 1.2 * output.current_a)} A",
                power=f"{max(150.0, 1.2 * output.current_a * output.nominal_v)} W",
            )
        }
    )
    return bench.model_copy(update={"supply": supply, "load": load})


def _wider(accuracy: Accuracy, times: float) -> Accuracy:
    return Accuracy(accuracy.reading_frac, accuracy.fixed * times)


def foreseen(plan: Plan, text: str) -> tuple[str, ...]:
    """Return what plan and draft say beforehand."""
    comments = " ".join(line.strip("# ") for line in text.splitlines() if line.startswith("#"))
    said = [note for note in plan.notes if FORESEEN in note]
    return tuple(said + ([FORESEEN] if FORESEEN in comments else []))


def drafted(number: int, units: int, seed: int = 1) -> Drafted:
    """Draft a profile for a nameplate and carry healthy units through it."""
    plate, load = nameplate(number, seed)
    profile, text = profile_of(plate, load=load)
    bench = bench_of(profile)
    plan = plan_for(profile, bench)
    refused = preflight(plan, today=DAY.date()).reasons
    assert not refused, (number, refused)
    job = Job(profile=profile, seed=number, bench=bench)
    # the even ones of a population are healthy
    rows = tuple(map(UnitResult.from_line, run_units(job, range(0, 2 * units, 2))))
    return Drafted(number=number, plate=plate, load=load, notes=foreseen(plan, text), rows=rows)


def carry_out(
    numbers: Iterable[int], units: int, seed: int = 1, workers: int = 1
) -> Iterator[Drafted]:
    """Carry the campaign out, in processes of its own where more than one is asked for."""
    if workers == 1:
        yield from (drafted(number, units, seed) for number in numbers)
        return
    with ProcessPoolExecutor(workers, get_context("spawn")) as pool:
        jobs = [pool.submit(drafted, number, units, seed) for number in numbers]
        for job in jobs:
            yield job.result()


@dataclass(frozen=True, kw_only=True, slots=True)
class Figures:
    """What a campaign came to; every share with its exact bounds.

    Attributes:
        stopped: Healthy units that were cut off or refused, of all.
        unforeseen: Those of them that neither draft nor plan had warned of, of all.
        needless: Nameplates with a warning, of those of which no unit was stopped.
        text: The figures in words, and a line for each nameplate with a stop or a warning.
    """

    stopped: Share
    unforeseen: Share
    needless: Share
    text: str


def figures(all_: list[Drafted]) -> Figures:
    """Return what a campaign came to."""
    units = sum(len(one.rows) for one in all_)
    well = [one for one in all_ if not one.stopped]
    stopped = share(sum(len(one.stopped) for one in all_), units)
    unforeseen = share(sum(len(one.stopped) for one in all_ if not one.notes), units)
    needless = share(sum(1 for one in well if one.notes), len(well))
    surprises = sum(1 for one in all_ if one.stopped and not one.notes)
    lines = [
        *(_line(one) for one in all_ if one.stopped or one.notes),
        f"{len(all_)} nameplates, {units} healthy units",
        f"stopped: {_said(stopped)}; not foreseen: {_said(unforeseen)}",
        f"nameplates with a stop: {len(all_) - len(well)}, not foreseen: {surprises}",
        f"warned of, though no unit was stopped: {_said(needless)} of such nameplates",
        f"ends: {dict(Counter(row.end.value for one in all_ for row in one.rows))}",
    ]
    return Figures(stopped=stopped, unforeseen=unforeseen, needless=needless, text="\n".join(lines))


def _line(one: Drafted) -> str:
    plate = one.plate
    why = Counter((row.trip or row.end.value, row.step, row.level) for row in one.stopped)
    reason = f"\n     {one.stopped[0].reason[:240]}" if one.stopped else ""
    return (
        f"{one.number} {plate.kind} {plate.nominal_v:g} V {plate.current_a:.3g} A "
        f"idle {plate.idle_power_w:.3g} W C {plate.bulk_capacitance_f:.3g} F "
        f"th {plate.start_threshold_v} load {one.load} "
        f"stopped {len(one.stopped)}/{len(one.rows)} {dict(why)} notes {len(one.notes)}{reason}"
    )


def _said(one: Share) -> str:
    return f"{one.count} of {one.total} ({one.frac:.2%}, at most {one.high_frac:.2%})"


if __name__ == "__main__":
    count, each, first_seed = (int(text) for text in (*sys.argv[1:], "1")[:3])
    campaign = carry_out(range(count), each, seed=first_seed, workers=2)
    sys.stdout.write(f"{figures(list(campaign)).text}\n")
