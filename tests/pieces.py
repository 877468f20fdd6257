"""Texts with some pieces taken out, doubled or replaced, for tests of what files may say."""

from __future__ import annotations

import re
from collections.abc import Sequence

from hypothesis import strategies as st


@st.composite
def other_pieces(
    draw: st.DrawFn, texts: Sequence[str], piece: re.Pattern[str], pieces: Sequence[str]
) -> str:
    """Draw a text with some of what ``piece`` finds taken out, doubled or replaced."""
    found = piece.findall(draw(st.sampled_from(texts)))
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(found) - 1))
        length = draw(st.integers(0, 4))
        found[at : at + length] = draw(st.lists(st.sampled_from(pieces), max_size=2))
        found = found or [""]
    return "".join(found)
