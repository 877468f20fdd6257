"""The cold checks of an assessment as a page to fill in by hand, beside the opened unit."""

from __future__ import annotations

from harness.report.template import template
from harness.unit.assessment import Assessment


def worksheet_html(assessment: Assessment) -> bytes:
    """Return the page as UTF-8 HTML, checks in the order of doing; all text is escaped.

    Each check has room for what was found, and says where it is typed in afterwards.
    """
    page = template("worksheet.html.j2").render(
        about=assessment,
        replaced={part.name for part in assessment.parts if part.replaced},
    )
    return page.encode(errors="backslashreplace")
