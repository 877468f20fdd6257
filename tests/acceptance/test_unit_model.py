from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.api import rehearse_profile
from harness.cli.main import app
from harness.judge.verdict import Verdict
from harness.power.trip import TripReason
from harness.record.run_summary import Outcome
from harness.rehearse.model_file import load_unit_model

UNIT_B = "dome-shutter-power-unit"
UNIT_A = "mount-controller-board"


@pytest.mark.parametrize("seed", [1, 2, 3])
@pytest.mark.parametrize("model", ["dome-shutter-HRW-0007", "dome-shutter-long-on-the-shelf"])
def test_a_sound_unit_passes_whatever_its_tolerances(model: str, seed: int) -> None:
    """A described unit without a fault passes every check, on any seed."""
    result = rehearse_profile(UNIT_B, model=model, seed=seed)

    assert (result.outcome, result.verdict) == (Outcome.COMPLETED, Verdict.PASS)


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_a_leak_that_begins_under_voltage_is_cut(seed: int) -> None:
    """A capacitor that begins to leak at 15 V is found by the charge budget of a later level."""
    result = rehearse_profile(UNIT_A, model="mount-controller-HRW-0012", seed=seed)

    assert result.trip is not None
    assert result.trip.reason is TripReason.CHARGE_BUDGET


def test_a_switch_that_shorts_in_service_is_cut(tmp_path: Path) -> None:
    """A switch that shorts 3 s after power ends in a trip, though it was sound when power came."""
    text = 'title = "Late"\ninput = "ac"\n[[faults]]\nkind = "shorted-switch"\nonset_time = "3 s"\n'
    path = tmp_path / "late.toml"
    path.write_text(text, encoding="utf-8")
    result = rehearse_profile(UNIT_B, model=path)

    assert result.trip is not None
    assert result.duration_s > 3.0


def test_a_fault_on_top_of_a_model(tmp_path: Path) -> None:
    """A fault named on the command line comes on top of the unit model, and the record says so."""
    result = rehearse_profile(
        UNIT_A, model="mount-controller-HRW-0012", fault="no-start", results=tmp_path
    )
    assert result.folder is not None
    run = json.loads((result.folder / "run.json").read_text(encoding="utf-8"))
    model = load_unit_model("mount-controller-HRW-0012")

    assert run["fault"] == "leaky-bulk-capacitor, no-start"
    assert run["unit_model"]["sha256"] == model.sha256
    assert run["unit_model"]["text"] == model.text
    assert model.title in (result.folder / "report.html").read_text(encoding="utf-8")


class TestAsTyped:
    def test_a_rehearsal_on_a_described_unit(self, tmp_path: Path) -> None:
        """A unit model of the user's own is rehearsed on; exit code 0 for all checks passed."""
        path = tmp_path / "mine.toml"
        path.write_text('title = "Mine"\ninput = "dc"\n', encoding="utf-8")
        done = CliRunner().invoke(
            app,
            ["rehearse", UNIT_A, "--unit-model", str(path), "--results", str(tmp_path / "r")],
        )

        assert done.exit_code == 0

    def test_the_list_of_faults_names_severities(self) -> None:
        """The list of faults says what each severity means, and which faults may come late."""
        done = CliRunner().invoke(app, ["rehearse", "--fault", "list"])

        assert "mild, usual, severe" in done.output
        assert "may come late" in done.output
