"""What is loaded to see that no library is at hand, and to answer from one."""

from __future__ import annotations

import subprocess
import sys

#: What simulates, grows or ranks, by what loads it.
_DEAR = (
    *("scipy", "sklearn", "pyvisa", "harness.api", "harness.run.engine"),
    "harness.rehearse.circuit",
)
_RANKS = ("harness.suspects.ranking", "harness.suspects.library", "harness.suspects.answer")


def _loaded(modules: str, of: tuple[str, ...]) -> list[str]:
    """Return which of these a new process has loaded after it has imported some modules."""
    words = f"import sys, {modules}\nprint(*(n for n in {of!r} if n in sys.modules))"
    done = subprocess.run([sys.executable, "-c", words], capture_output=True, text=True, check=True)
    return done.stdout.split()


def test_nothing_that_ranks_where_no_library_is() -> None:
    """Whether a library is at hand is seen without what ranks or simulates."""
    assert _loaded("harness.suspects.asked", _DEAR + _RANKS) == []


def test_nothing_that_simulates_for_an_answer() -> None:
    """An answer from a library at hand needs no engine, no simulated bench and no scikit-learn."""
    assert _loaded("harness.suspects.answer, harness.suspects.told", _DEAR) == []
