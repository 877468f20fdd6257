"""Print the table of agreement: every figure of ngspice and of the simulator, as Markdown.

    python tests/references/ngspice/agreement.py

needs no ngspice: it reads the committed figures. The table in ``docs/simulator.md`` is its output.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).parent


def lines() -> Iterator[str]:
    """Yield the table line by line."""
    import circuits
    import generate

    yield "| circuit | quantity | ngspice | simulator | off by |"
    yield "|---|---|---:|---:|---:|"
    for name, figures in generate.read_figures().items():
        ours = circuits.figures(name, generate.parameters(name))
        for quantity, value in figures.items():
            off = 100.0 * (ours[quantity] / value - 1.0)
            yield f"| `{name}` | {quantity} | {value:.4g} | {ours[quantity]:.4g} | {off:+.1f} % |"


if __name__ == "__main__":
    sys.path[:0] = [str(HERE), str(HERE.parents[2])]
    print(*lines(), sep="\n")  # noqa: T201 - the table is what it is for
