"""What the units of a library are made from, and where in the user's cache they are kept.

Nothing here simulates or ranks, so that it costs next to nothing to see that no library is at hand.
"""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from pathlib import Path

from harness.profile.bench_file import BenchFile
from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.record.run_summary import plain
from harness.rehearse.faults import faults_of_unit
from harness.rehearse.laws import LAWS
from harness.shipped import version_of
from harness.suspects.bench_errors import BENCH_ERRORS
from harness.suspects.cold import MEASUREMENTS

#: Raised where a library of before cannot be used any more.
_FORMAT = 3
_SEED = 20
#: How far into its range a law is drawn, from the usual number: a unit's design is not known, and
#: the ends of all ranges at once are nobody's.
LAW_REACH = 0.6


@dataclass(frozen=True, kw_only=True, slots=True)
class Stock:
    """What a worker must know to make units of a library."""

    profile: Profile = field(hash=False)
    bench: BenchFile = field(hash=False)
    seed: int
    #: Tells one stock from another, where profile and bench do not count.
    key: str = ""
    #: How far laws are drawn; zero: the usual ones for every unit.
    law_reach: float = LAW_REACH

    @property
    def kinds(self) -> tuple[str, ...]:
        """The classes, in the order in which they take turns."""
        return classes_of(self.profile, self.bench)


def classes_of(profile: Profile, bench: BenchFile) -> tuple[str, ...]:
    """Return the classes of a library: healthy, every fault, every mistake of such a bench."""
    errors = tuple(one.name for one in BENCH_ERRORS.values() if one.applies(bench))
    return (HEALTHY, *faults_of_unit(profile.unit), *errors)


def stock_for(profile: Profile, bench: BenchFile) -> Stock:
    """Return what the units of a library are made from, with its key."""
    told = {
        "format": _FORMAT,
        "version": version_of("softwake"),
        "profile": profile.model_dump(mode="json"),
        "bench": bench.model_dump(mode="json"),
        "laws": {name: tuple(law) for name, law in LAWS.items()},
        "measurements": [one.name for one in MEASUREMENTS],
    }
    key = hashlib.sha256(json.dumps(plain(told), sort_keys=True).encode()).hexdigest()[:20]
    return Stock(profile=profile, bench=bench, seed=_SEED, key=key)


def cache_folder() -> Path:
    """Return the folder of all libraries."""
    from platformdirs import user_cache_path

    return user_cache_path("softwake", appauthor=False) / "suspects"


def kept_in(stock: Stock) -> Path:
    """Return the folder of one library, whether it is there or not."""
    return cache_folder() / stock.key


def compiled_in(folder: Path) -> Path:
    """Return the file that a folder has once its library can be asked."""
    return folder / "library.npz"
