"""Soak: nominal voltage, held for long; its checks are judged over the whole of it."""

from __future__ import annotations

from harness.run.levels import hold_levels as carry_out

__all__ = ["carry_out"]
