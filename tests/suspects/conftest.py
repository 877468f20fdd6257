"""A small library of a shipped profile, made once for all tests of this folder."""

from __future__ import annotations

import pytest

from harness.api import simulated_bench_file
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.suspects.library import Library, compiled
from harness.suspects.population import Member, run_members
from harness.suspects.stock import Stock

DC = "mount-controller-board"
#: Classes of the small library, and how many of each.
KINDS = (HEALTHY, "shorted-input", "output-low", "open-fuse", "leaky-bulk-capacitor")
EACH = 7


@pytest.fixture(scope="session")
def profile() -> Profile:
    """The shipped DC profile."""
    return load_profile(DC)


@pytest.fixture(scope="session")
def bench(profile: Profile) -> BenchFile:
    """The shipped DC bench."""
    return simulated_bench_file(profile)


def units(profile: Profile, bench: BenchFile, seed: int, each: int) -> list[Member]:
    """Carry units of the few classes out."""
    stock = Stock(profile=profile, bench=bench, seed=seed, key=f"test {seed}")
    places = [stock.kinds.index(kind) for kind in KINDS]
    numbers = [place + turn * len(stock.kinds) for turn in range(each) for place in places]
    return [Member.from_line(line) for line in run_members(stock, numbers)]


@pytest.fixture(scope="session")
def members(profile: Profile, bench: BenchFile) -> list[Member]:
    """The units of the library."""
    return units(profile, bench, seed=1, each=EACH)


@pytest.fixture(scope="session")
def others(profile: Profile, bench: BenchFile) -> list[Member]:
    """Units of the same classes that the library does not know."""
    return units(profile, bench, seed=2, each=2)


@pytest.fixture(scope="session")
def library(profile: Profile, members: list[Member]) -> Library:
    """The library."""
    return compiled(profile, members)
