"""The full release of the dome-shutter unit: its start weighs the bulk capacitor."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.record.figures import read_figures
from tests.repeats import repeats

NAME = "dome-shutter-full-release"
SEEDS = repeats(range(1, 6))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_healthy_unit_passes_and_is_weighed(seed: int) -> None:
    """Every check passes; the capacitance lies within its uncertainty, and the start threshold."""
    record = rehearse_profile(NAME, seed=seed).record
    assert record is not None
    assert set(record.checks["verdict"]) == {"pass"}
    (detail,) = record.events.loc[record.events["kind"] == "figures", "detail"]
    told = read_figures(detail)
    assert told is not None
    figures = {figure.measure: figure for figure in told.figures}
    bulk, begin = figures["start.bulk_capacitance"], figures["start.begin_voltage"]

    assert abs(bulk.value - 150e-6) <= bulk.expanded < 0.12 * 150e-6
    assert abs(begin.value - 56.1) <= begin.expanded  # 1.02 times the nameplate's, usual law


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("capacitance", ["75 uF", "60 uF", "20 uF"])
def test_half_the_capacitance_is_not_released(capacitance: str, seed: int, tmp_path: Path) -> None:
    """A unit whose capacitor has half of what is printed, or less, fails by what the start says."""
    path = tmp_path / "unit.toml"
    path.write_text(
        f'title = "Worn"\ninput = "ac"\n[bulk]\ncapacitance = "{capacitance}"\n', encoding="utf-8"
    )
    result = rehearse_profile(NAME, model=path, seed=seed)
    assert result.record is not None
    checks = result.record.checks.set_index("check")

    assert checks.loc["bulk capacitance", "verdict"] != "pass"
    assert not result.released
