"""Nominal: the voltage the unit is built for, held and judged."""

from __future__ import annotations

from harness.run import levels

carry_out = levels.hold_levels
