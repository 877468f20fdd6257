"""Soak: nominal voltage, held for long; its checks are judged over the whole of it."""

from __future__ import annotations

from harness.run import levels

carry_out = levels.hold_levels
