"""A contact that opens at seeded random times."""

from __future__ import annotations

import math
import random

from harness.rehearse.unit_model import Intermittence

__all__ = ["Contact"]


class Contact:
    """The contact in the input line; a sound one never opens.

    Attributes:
        is_closed: Its state now.
        next_s: Time at which the state changes next; infinite for a sound contact.
    """

    __slots__ = ("_intermittence", "_random", "is_closed", "next_s")

    def __init__(self, intermittence: Intermittence | None, *, seed: int) -> None:
        self._intermittence = intermittence
        self._random = random.Random(seed)
        self.is_closed = True
        self.next_s = math.inf
        if intermittence is not None:
            self.next_s = self._random.expovariate(1.0 / intermittence.closed_s)

    def change(self) -> None:
        """Pass ``next_s``: open or close, and draw the time of the next change."""
        if self._intermittence is None:
            return
        self.is_closed = not self.is_closed
        if self.is_closed:
            self.next_s += self._random.expovariate(1.0 / self._intermittence.closed_s)
        else:
            self.next_s += self._random.uniform(*self._intermittence.open_s)
