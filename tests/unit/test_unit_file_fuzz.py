"""Whatever a unit file says, it gives an assessment or a list of mistakes."""

from __future__ import annotations

import json
import re
import tempfile
from pathlib import Path

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.errors import FileError
from harness.shipped import shipped, shipped_names
from harness.unit.assess import assess
from harness.unit.assessment import as_plain
from harness.unit.unit_file import load_unit
from tests.pieces import other_pieces

TEXTS = [
    path.read_text(encoding="utf-8")
    for name in shipped_names("profiles")
    if name.startswith("units/") and (path := shipped("profiles", name)) is not None
]
PIECE = re.compile(r'"[^"\n]*"|\[\[\w+\]\]|[\w.]+|\s+|\S')
NUMBER = re.compile(r'(?<=")[0-9.]+(?= )')
PIECES = sorted(
    {piece for text in TEXTS for piece in PIECE.findall(text)} | {'""', "[]", "{}", "-1"}
)


@st.composite
def other_numbers(draw: st.DrawFn) -> str:
    """Draw a shipped file with some of its figures scaled far up or down."""
    text = draw(st.sampled_from(TEXTS))
    share = draw(st.sampled_from([0.05, 0.3, 1.0]))
    chance = draw(st.randoms(use_true_random=False))

    def scaled(found: re.Match[str]) -> str:
        if chance.random() > share:
            return found.group()
        return f"{float(found.group()) * 10.0 ** chance.uniform(-4, 4):.6g}"

    return NUMBER.sub(scaled, text)


def check(text: str) -> None:
    """Load and assess a text; only mistakes may come of it, or data for JSON."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "it.toml"
        path.write_text(text, encoding="utf-8", newline="\n")
        try:
            unit = load_unit(path)
        except FileError:
            return
    found = assess(unit)
    assert json.loads(json.dumps(as_plain(found), allow_nan=False))["serial"] == found.serial
    assert len(found.parts) == len(unit.parts)


@given(other_numbers())
@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
def test_figures_of_any_size(text: str) -> None:
    """Figures far from any real unit's end in finite numbers or in mistakes."""
    check(text)


@given(other_pieces(TEXTS, PIECE, PIECES))
@settings(max_examples=150, suppress_health_check=[HealthCheck.too_slow])
def test_pieces_in_any_order(text: str) -> None:
    """Keys and values out of place end in an assessment or in mistakes, never in another error."""
    check(text)
