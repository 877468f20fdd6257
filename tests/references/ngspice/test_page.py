"""The page about the simulator shows the table of agreement as it is."""

from __future__ import annotations

import re
from pathlib import Path
from types import ModuleType

import pytest

PAGE = Path(__file__).parents[3] / "docs" / "simulator.md"
ROW = re.compile(r"^\| `(\w+)` \| (\w+) \| (\S+) \| (\S+) \| ([+-][\d.]+) % \|$", re.MULTILINE)


@pytest.fixture(scope="module")
def rows() -> dict[tuple[str, str], tuple[float, float, float]]:
    """The rows of the page: ngspice, simulator, per cent off."""
    found = ROW.findall(PAGE.read_text(encoding="utf-8"))
    return {
        (name, quantity): (float(theirs), float(ours), float(off))
        for name, quantity, theirs, ours, off in found
    }


def test_every_figure_is_on_the_page(
    rows: dict[tuple[str, str], tuple[float, float, float]],
    spice: ModuleType,
    circuits: ModuleType,
) -> None:
    """Every figure of every circuit stands in the table, within the last digit shown.

    ``python tests/references/ngspice/agreement.py`` prints the table again.
    """
    figures = spice.read_figures()
    assert set(rows) == {(name, key) for name, one in figures.items() for key in one}
    for name, one in figures.items():
        ours = circuits.figures(name, spice.parameters(name))
        for key, value in one.items():
            theirs, shown, off = rows[name, key]

            assert theirs == pytest.approx(value, rel=1e-3)
            assert shown == pytest.approx(ours[key], rel=2e-3)
            assert off == pytest.approx(100.0 * (ours[key] / value - 1.0), abs=0.3)
