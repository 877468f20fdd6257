"""How much faster than real time a rehearsal is."""

from __future__ import annotations

import re
import tempfile
from dataclasses import dataclass
from pathlib import Path
from statistics import median
from time import perf_counter, process_time

from benchmarks.figure import Figure, Goal, rounded
from harness.api import rehearse_profile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.record.tables import load
from harness.run.result import RunResult
from harness.shipped import shipped

__all__ = ["UNIT_A", "UNIT_B", "rehearsal_speed"]

UNIT_A, UNIT_B = "mount-controller-board", "dome-shutter-power-unit"

_NOMINAL_DWELL = re.compile(r'(kind\s*=\s*"nominal".*?dwell\s*=\s*)"[^"]*"', re.DOTALL)


def rehearsal_speed(
    profile: str, *, nominal_dwell_s: float | None = None, rounds: int = 5
) -> Figure:
    """Measure simulated over real time of a whole rehearsal, its record on disk.

    Args:
        profile: Name of a shipped profile.
        nominal_dwell_s: Dwell to put in the place of that of each nominal step, or None.
        rounds: Rehearsals; one more goes before them and does not count.
    """
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        loaded = load_profile(profile)
        if nominal_dwell_s is not None:
            loaded = _with_dwell(profile, nominal_dwell_s, folder)
        first = _rehearse(loaded, folder)
        runs = [_rehearse(loaded, folder) for _ in range(rounds)]
        unrecorded = [_rehearse(loaded, None) for _ in range(rounds)]
        answers = _answers(first.result)
    simulated_s = first.result.duration_s
    real_s = median(run.real_s for run in runs)
    busy_s = median(run.busy_s for run in runs)
    held = "" if nominal_dwell_s is None else f", nominal held {nominal_dwell_s:g} s"
    return Figure(
        name=f"rehearsal over real time, {profile}{held}",
        value=simulated_s / real_s,
        goal=Goal(">=", 600),
        told=(
            f"{rounded(simulated_s)} s simulated in {real_s:.3f} s ({busy_s:.3f} s of processor), "
            f"in {median(run.real_s for run in unrecorded):.3f} s without a record"
        ),
        conditions=(
            f"record on disk with its report, medians of {rounds} rehearsals in one process; the "
            f"{answers} answers read stand for {simulated_s / answers * 1e3:.0f} ms each and cost "
            f"{busy_s / answers * 1e3:.2f} ms of processor each"
        ),
    )


@dataclass(frozen=True, slots=True)
class _Rehearsal:
    """One rehearsal: how it ended, and its real and its processor time in seconds."""

    result: RunResult
    real_s: float
    busy_s: float


def _rehearse(profile: Profile, folder: Path | None) -> _Rehearsal:
    begin_s, busy_s = perf_counter(), process_time()
    result = rehearse_profile(profile, results=folder)
    rehearsal = _Rehearsal(result, perf_counter() - begin_s, process_time() - busy_s)
    if result.exit_code:
        raise RuntimeError(f"a healthy unit was not passed: {result.reason}")
    return rehearsal


def _answers(result: RunResult) -> int:
    """Return how many answers of instruments the record holds; one may carry several readings."""
    assert result.folder is not None
    return len(load(result.folder).readings[["time_s", "source"]].drop_duplicates())


def _with_dwell(profile: str, dwell_s: float, folder: Path) -> Profile:
    """Load a profile again, with another dwell in each nominal step."""
    source = shipped("profiles", profile)
    assert source is not None
    text = source.read_text(encoding="utf-8")
    changed = folder / f"{profile}.toml"
    changed.write_text(_NOMINAL_DWELL.sub(rf'\1"{dwell_s:g} s"', text), encoding="utf-8")
    return load_profile(changed)
