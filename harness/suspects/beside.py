"""What may be wrong beside the first suspect: runs with two faults, put together from two units.

No unit of a library has two faults, and none is simulated for it. What a unit of the first suspect
and one of another differ from healthy ones is added, figure by figure; whose sums come nearest to
the run is what its readings point at most, if a second fault is there (assumption: effects add, as
small ones do; that of an interaction is not in it).
"""

from __future__ import annotations

import numpy as np

from harness.qualify.unit_result import HEALTHY
from harness.suspects.bench_errors import BENCH_ERRORS
from harness.suspects.digest import REACHED
from harness.suspects.forest import Floats
from harness.suspects.hidden import COVERING
from harness.suspects.library import Library
from harness.suspects.ranking import Ranking, Suspect

#: How many are named.
_BESIDE = 2
#: Units of the first suspect that stand for it, the nearest ones; nearest sums that count.
_NEAR, _SUMS = 8, 3
#: Holds that a run must have reached: what one hold reads is the first suspect's alone.
_HOLDS = 2
#: How far the nearest one may be, of the median of all (assumption).
_ALIKE_FRAC = 0.95
#: A difference that counts one, in scaled figures; what a figure counts that only one has, in
#: these; the most that one counts by which those units are chosen; how many figures, the worst
#: ones, say how far a sum is from the run.
#: All chosen on pairs of faults that are none of the study's.
_STEP, _ABSENT, _MOST, _WORST = 0.8, 6.0, 10.0, 10
#: How far readings scatter tells of instruments more than of faults, and does not add.
_SCATTER = "scatter"


def second_faults(library: Library, ranking: Ranking) -> tuple[Suspect, ...]:
    """Return what the readings point at most beside the first suspect, if there is a second fault.

    It says nothing of whether there is one. Empty where the first suspect is no fault of the
    unit's, or covers what lies behind it; where the run ended in its first hold; and where no other
    fault stands out.
    """
    first = ranking.suspects[0].name
    if first == HEALTHY or first in COVERING or first in BENCH_ERRORS:
        return ()
    reached = ranking.row[library.names.index(REACHED)]
    if not reached >= _HOLDS:
        return ()
    far = _distances(library, first, ranking.row)
    order = sorted(far, key=lambda name: far[name])
    # where all lie alike, the readings point at none
    if far[order[0]] > _ALIKE_FRAC * float(np.median(list(far.values()))):
        return ()
    by_name = {one.name: one for one in ranking.suspects}
    return tuple(by_name[name] for name in order[:_BESIDE])


def _distances(library: Library, first: str, row: Floats) -> dict[str, float]:
    """Return how far the sums of the first suspect and each other fault are from a run."""
    adds = np.array([not name.endswith(_SCATTER) for name in library.names])
    units = ((library.values - library.center) / library.spread)[:, adds]
    run = library.scaled(row)[adds]
    own = np.flatnonzero(library.suspects == first)
    gaps = np.minimum(_gaps(np.arcsinh(units[own]), run), _MOST).mean(axis=1)
    near = units[own[np.argsort(gaps, kind="stable")[:_NEAR]]]
    found = {}
    for name in sorted(set(library.suspects.tolist()) - {first, HEALTHY, *BENCH_ERRORS}):
        others = units[library.suspects == name]
        sums = np.arcsinh(near[:, np.newaxis, :] + others[np.newaxis, :, :])
        worst = np.partition(_gaps(sums, run), -_WORST, axis=-1)[..., -_WORST:].mean(axis=-1)
        found[name] = float(np.sort(worst, axis=None)[:_SUMS].mean())
    return found


def _gaps(units: Floats, run: Floats) -> Floats:
    here, there = np.isfinite(run), np.isfinite(units)
    gaps = np.abs(units - run) / _STEP
    found: Floats = np.where(here & there, gaps, np.where(here != there, _ABSENT, 0.0))
    return found
