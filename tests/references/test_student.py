"""Student's t against the tables of a handbook, and when the library for it is loaded."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

from harness.judge.uncertainty import coverage_factor

ROOT = Path(__file__).resolve().parents[2]


@pytest.mark.parametrize(
    ("dof", "at_95", "at_99"),
    [
        (1, 12.706, 63.657),
        (2, 4.303, 9.925),
        (3, 3.182, 5.841),
        (5, 2.571, 4.032),
        (10, 2.228, 3.169),
        (30, 2.042, 2.750),
        (60, 2.000, 2.660),
        (120, 1.980, 2.617),
    ],
)
def test_quantiles_of_the_handbook(dof: int, at_95: float, at_99: float) -> None:
    """The two-sided quantiles are those of a handbook, to its three decimals."""
    # Source: Abramowitz and Stegun, Handbook of Mathematical Functions, Table 26.10; from memory.
    assert coverage_factor(dof, 0.95) == pytest.approx(at_95, abs=6e-4)
    assert coverage_factor(dof, 0.99) == pytest.approx(at_99, abs=6e-4)


#: Rehearses the shorter demo with a listener on the supply's wire and one on imports.
_REHEARSAL = """
import sys, pathlib, tempfile
import harness

during, on = [], [False]

class Imports:
    def find_spec(self, name, path=None, target=None):
        if on[0]:
            during.append(name)

from harness.run import engine  # as a run has it before the first message
assert "scipy.special" in sys.modules
"""


def test_the_library_is_loaded_before_power_is_on() -> None:
    """Whoever imports the engine has Student's t: nothing is imported for it under power."""
    code = "import harness.run.engine, sys; print('scipy.special' in sys.modules)"
    run = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, encoding="utf-8", check=True
    )

    assert run.stdout.strip() == "True"
