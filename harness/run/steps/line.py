"""Line: corners of line voltage and frequency, each held and judged; a load stays on throughout."""

from __future__ import annotations

from harness.run import levels

carry_out = levels.hold_levels
