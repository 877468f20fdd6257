"""How much a figure tells of the classes of a few units, beyond what chance would."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from harness.suspects.forest import Floats
from harness.suspects.measuring import entropy

#: Relabellings by which it is found what so few units would tell by chance alone.
_SHUFFLES = 24
#: Units of one class that differ by less are one, of a figure's own size.
_SAME_FRAC = 2e-3

Names = NDArray[np.str_]


def information(reads: Floats, kinds: Names, chances: Floats) -> float:
    """Return the expected information of a figure on the classes, in bits.

    Readings that units of one class scatter by are one. Few units seem to tell more than they do:
    what the same readings tell of classes that are dealt out anew is taken off (Lindley 1956; the
    correction by permutation is common practice).
    """
    cells = _cells(reads, kinds)
    rng = np.random.default_rng(1)
    chance = [_bits(cells[rng.permutation(len(cells))], kinds, chances) for _ in range(_SHUFFLES)]
    return max(0.0, float(_bits(cells, kinds, chances)) - float(np.mean(chance)))


def _cells(reads: Floats, kinds: Names) -> Floats:
    there = np.isfinite(reads)
    if not there.any():
        return np.zeros(len(reads))
    scatters = [
        float(np.std(reads[there & (kinds == name)]))
        for name in set(kinds.tolist())
        if (there & (kinds == name)).sum() > 1
    ]
    usual = float(np.median(np.abs(reads[there])))
    width = max(4.0 * float(np.median(scatters or [0.0])), _SAME_FRAC * usual, 1e-12)
    cells: Floats = np.where(there, np.round(reads / width), np.inf)
    return cells


def _bits(cells: Floats, kinds: Names, chances: Floats) -> float:
    after = 0.0
    for cell in np.unique(cells):
        inside = totals(kinds, np.where(cells == cell, chances, 0.0))
        after += inside.sum() * entropy(inside / inside.sum())
    return entropy(totals(kinds, chances)) - after


def totals(kinds: Names, chances: Floats) -> Floats:
    """Return the chance of each class, in order of name."""
    return np.array([chances[kinds == name].sum() for name in sorted(set(kinds.tolist()))])
