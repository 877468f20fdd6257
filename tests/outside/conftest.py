"""What the tests of the outside bench share."""

from __future__ import annotations

import subprocess
from collections.abc import Callable
from pathlib import Path

import pytest


@pytest.fixture
def spice(needs_program: Callable[[str], str], tmp_path: Path) -> Callable[[str], str]:
    """Return a function that runs a netlist in the test's folder and returns what is printed."""
    program = needs_program("ngspice")

    def run(netlist: str) -> str:
        (tmp_path / "unit.cir").write_text(netlist, encoding="utf-8")
        done = subprocess.run(
            [program, "-b", "unit.cir"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            timeout=120,
            check=False,
        )
        assert "aborted" not in done.stdout + done.stderr, done.stdout + done.stderr
        return done.stdout

    return run
