"""Random numbers by name: what is added later draws from a stream of its own and moves no other."""

from __future__ import annotations

import random


def stream(*name: object) -> random.Random:
    """Return the random numbers of one thing: the same for the same name, on every machine.

    Source: A text seeds Python's generator through its SHA-512 (``random.seed``, version 2; from
    memory), so that streams of two names have nothing in common.
    """
    return random.Random(" / ".join(map(str, name)))
