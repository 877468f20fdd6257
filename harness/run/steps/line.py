"""Line: corners of line voltage and frequency, each held and judged; a load stays on throughout."""

from __future__ import annotations

from harness.run.levels import hold_levels as carry_out

__all__ = ["carry_out"]
