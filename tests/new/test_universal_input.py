"""The first profile of a unit with universal input and a boost stage."""

from __future__ import annotations

import tomllib

from harness.new.drafts import profile_draft
from harness.new.unit_nameplate import nameplate_text
from harness.unit.unit_file import load_unit


def test_its_start_is_at_the_lower_end_and_lets_the_boost_stage_run() -> None:
    """Levels and power go by 100 V; the limit is near the nominal current of 1 A."""
    unit_file = load_unit("guide-camera-supply-HRW-0021")
    text = profile_draft(unit_file.title, nameplate_text(unit_file, {}), sample_s=0.05)
    drafted = tomllib.loads(text)
    start = next(step for step in drafted["steps"] if step["kind"] == "start")
    assert drafted["unit"]["input"]["nominal"] == "100 V to 240 V"
    assert start["current_limit"] == "900 mA"
    assert start["levels"][-2:] == ["68 %", "100 %"]
    assert drafted["envelope"]["power"] == "125 W"
