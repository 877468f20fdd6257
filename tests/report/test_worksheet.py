from __future__ import annotations

import html
import re
from dataclasses import replace

from harness.report.worksheet import worksheet_html
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit

ABOUT = assess(load_unit("units/dome-shutter-HRW-0007"))


def test_every_check_has_a_row_with_room_for_a_finding() -> None:
    """Each cold check of the assessment stands in its order, with what a sound part shows."""
    page = html.unescape(worksheet_html(ABOUT).decode())

    rows = re.findall(r"<tr(?: class=\"first\")?><td.*?</tr>", page)
    assert len(rows) == len(ABOUT.checks)
    for row, check in zip(rows, ABOUT.checks, strict=True):
        assert check.measure in row
        assert check.expected in row
        assert '<td class="write"></td>' in row
        assert ('class="first"' in row) is check.suspect


def test_the_cautions_come_before_the_first_check() -> None:
    """Whoever fills it in has read that stored charge can kill."""
    page = html.unescape(worksheet_html(ABOUT).decode())

    assert all(page.index(caution) < page.index("<table>") for caution in ABOUT.cautions)


def test_hostile_text_stays_text() -> None:
    """Nothing of a unit file becomes markup."""
    page = worksheet_html(replace(ABOUT, title="<script>", story="<img>", maker="<b>")).decode()

    assert not re.search(r"<(script|img)", page)
