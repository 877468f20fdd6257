"""Nominal: the voltage the unit is built for, held and judged."""

from __future__ import annotations

from harness.run.levels import hold_levels as carry_out

__all__ = ["carry_out"]
