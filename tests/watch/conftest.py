"""Records of rehearsals, and their rows one after the other, for every test of watching."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.watch.fold import Fold
from harness.watch.tail import Tail

#: A journal row by row: what is folded so far, and the time of the last row.
Replay = Callable[[Path], Iterator[tuple[Fold, float]]]


@pytest.fixture(scope="session")
def record(tmp_path_factory: pytest.TempPathFactory) -> Callable[..., Path]:
    """Return a function that rehearses once for all tests, and returns the record's folder."""
    made: dict[tuple[str, str | None], Path] = {}

    def make(profile: str = "mount-controller-board", fault: str | None = None) -> Path:
        if (profile, fault) not in made:
            results = tmp_path_factory.mktemp("results")
            result = rehearse_profile(profile, fault=fault, serial="HRW-0007", results=results)
            assert result.folder is not None
            made[profile, fault] = result.folder
        return made[profile, fault]

    return make


@pytest.fixture
def replay() -> Replay:
    """Return a function that folds a record row by row, in the order of time."""

    def rows(folder: Path) -> Iterator[tuple[Fold, float]]:
        tail = Tail(folder)
        fresh = [*tail._events.rows(), *tail._readings.rows()]
        for row in sorted(fresh, key=lambda row: row[0]):
            tail._take(*row)
            yield tail.fold, row[0]

    return rows
