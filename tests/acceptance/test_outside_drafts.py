"""Profiles drafted from random nameplates start healthy units on the outside bench."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.outside.nameplates import campaign, draw

#: Nameplates of each kind; `python -m tests.outside.nameplates` takes any number.
COUNT = 15


@pytest.mark.torture
class TestDrafts:
    @pytest.mark.parametrize("kind", ["dc", "ac"])
    def test_no_healthy_unit_is_cut_unannounced(self, tmp_path: Path, kind: str) -> None:
        """Every unit comes up, or the plan of its draft said beforehand that it might not."""
        told: list[str] = []
        counts = campaign(
            (draw(kind, seed) for seed in range(1, COUNT + 1)), tmp_path, tell=told.append
        )

        assert counts["cut"] == 0, told
        assert counts["completed"] >= 0.8 * COUNT
