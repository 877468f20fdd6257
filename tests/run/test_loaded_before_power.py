"""What a run imports, it imports before power is on: an import leaves readings unwatched."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]

#: Rehearses a demo and prints what was imported while the source was on, and that it was on at all.
_REHEARSAL = """
import sys, tempfile
import harness
from harness.rehearse.circuit import Circuit

under_power, live, ever = [], False, False

class Listener:
    def find_spec(self, name, path=None, target=None):
        if live:
            under_power.append(name)

set_source = Circuit.set_source

def listening(self, **settings):
    global live, ever
    live = settings.get("on", live)
    ever = ever or live
    return set_source(self, **settings)

Circuit.set_source = listening
sys.meta_path.insert(0, Listener())
with tempfile.TemporaryDirectory() as folder:
    harness.rehearse_profile("mount-controller-board", results=folder)
print(ever, "scipy.special" in sys.modules, under_power)
"""


def test_nothing_is_imported_under_power() -> None:
    """The library of Student's t is there before the first switch-on, and no import comes later."""
    run = subprocess.run(
        [sys.executable, "-c", _REHEARSAL],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
        check=True,
    )

    assert run.stdout.split("\n")[-2] == "True True []"
