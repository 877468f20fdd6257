"""What the first page says of a unit and what the annex says of its parts never disagree."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.report.page import report_from_record
from tests.units import BOARD, BOARD_STEPS

PROFILE = BOARD + BOARD_STEPS
FUSE = """
[[parts]]
name           = "F1"
kind           = "fuse"
current        = "2 A"
characteristic = "F"
breaking       = "L"
voltage        = "125 V"
"""
UNIT = """
serial = "HRW-0012"

[event]
kind                = "dc"
voltage             = "24 V"
voltage_tolerance   = "1 %"
duration            = "2 s"
opened              = "OPENED"
prospective_current = "30 A"

[service]
prospective_current = "30 A"
"""


@pytest.mark.parametrize("opened", ["fuse", "nothing"])
@pytest.mark.parametrize("part", ["", "replaced = true\n", 'proved_by = "5 V rail"\n'])
def test_a_part_destroyed_and_left_in_is_never_below_a_release(
    tmp_path: Path, opened: str, part: str
) -> None:
    """Whatever became of the part, headline, open points and annex tell one story."""
    (tmp_path / "board.toml").write_text(PROFILE, encoding="utf-8")
    head, _, nameplate = BOARD.partition("\n")
    text = (
        head + UNIT.replace("OPENED", opened) + nameplate.partition("[envelope]")[0] + FUSE + part
    )
    (tmp_path / "unit.toml").write_text(text, encoding="utf-8")
    result = rehearse_profile(
        tmp_path / "board.toml", unit=tmp_path / "unit.toml", results=tmp_path / "results"
    )
    run = result.record.run
    [f1] = run["unit_file"]["parts"]
    stands = f1["severity"] in {"over-stressed", "destroyed likely"} and not f1["replaced"]
    assert result.folder is not None
    written = (result.folder / "report.html").read_text(encoding="utf-8")
    for page in (written, report_from_record(result.record).decode()):
        first, _, annex = page.partition("Annex: over-stress of the parts")
        # the row that names the part says of it what the assessment does, and nothing milder
        [row] = re.findall(r"<tr><td[^>]*><b>F1</b>.*?</tr>", annex)
        assert f">{f1['severity']}</td>" in row
        assert ("F1 (" in first) is stands
        assert ("<b>Rehearsal passed</b>" in first) is (not stands or "proved_by" in part)
        assert ("Left in, and proved by this run" in first) is (stands and "proved_by" in part)
        assert ("not replaced: settle it" in first) is False
