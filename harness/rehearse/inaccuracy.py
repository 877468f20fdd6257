"""Instruments are not exact: gain and offset error and noise inside their stated accuracy."""

from __future__ import annotations

import math
import random

from harness.profile.bench_file import Accuracy

#: Share of the stated accuracy that goes to a systematic error at most; noise stays below the rest.
_SYSTEMATIC = 0.6
_NOISE = 0.05


class Inaccuracy:
    """What one instrument adds to the true value of one quantity.

    Args:
        accuracy: The stated accuracy, or None for a reading that is exact.
        rng: Draws the errors: a stream of its own, so that other readings do not matter.
    """

    def __init__(self, accuracy: Accuracy | None, rng: random.Random) -> None:
        stated = accuracy or Accuracy(0.0, 0.0)
        self._gain = 1.0 + stated.reading_frac * rng.uniform(-_SYSTEMATIC, _SYSTEMATIC)
        self._offset = stated.fixed * rng.uniform(-_SYSTEMATIC, _SYSTEMATIC)
        self._noise = stated.fixed * _NOISE
        self._rest = stated.fixed * (1.0 - _SYSTEMATIC)
        self._rng = rng

    def read(self, true: float) -> float:
        """Return what the instrument shows for a true value."""
        noise = self._rng.gauss(0.0, self._noise) if self._noise else 0.0
        if abs(noise) > self._rest:  # beyond eight standard deviations: not in a lifetime
            noise = math.copysign(self._rest, noise)
        return true * self._gain + self._offset + noise
