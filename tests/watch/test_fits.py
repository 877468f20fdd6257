"""The fitted curve over the readings, as the page of a run shows it."""

from __future__ import annotations

import contextlib
import xml.etree.ElementTree as ET
from pathlib import Path

import pytest

from harness.record.figures import Figures, FittedLevel, figures_detail
from harness.record.journal import Journal
from harness.watch.app import Page
from tests.record.test_figures import TOLD
from tests.watch.test_app import PORT, VIEW, One, ask


@pytest.fixture
def page(tmp_path: Path) -> tuple[Page, One]:
    """The page of a run whose start was read and fitted."""
    line = FittedLevel(
        level='10 %"><b>', times_s=(1.0, 1.1), voltage_v=(0.0, 1.0), current_a=(0.02, 0.02)
    )
    with contextlib.closing(Journal(tmp_path)) as journal:
        for number in range(11):
            time_s = 1.0 + 0.01 * number
            values = (("voltage", 10 * (time_s - 1.0), "V"), ("current", 0.02, "A"))
            journal.sample(time_s, "start", "10 %", values, "supply")
        told = Figures(of="start", figures=TOLD.figures, fitted=(line,))
        journal.event(2.0, "figures", "start", figures_detail(told))
    runs = One(tmp_path)
    return Page(runs, port=PORT, view_token=VIEW), runs


class TestFits:
    def test_the_drawing_is_a_file_that_runs_nothing(self, page: tuple[Page, One]) -> None:
        """The page gets the fit as a picture of its own, whose policy allows its look alone."""
        status, headers, body = ask(page[0], f"/{VIEW}/fit-start.svg")
        drawing = ET.fromstring(body)  # noqa: S314 - our own

        assert (status, headers["content-type"]) == (200, "image/svg+xml")
        assert "script-src" not in headers["content-security-policy"]
        assert headers["content-security-policy"].startswith("default-src 'none'; style-src")
        assert drawing.tag == "{http://www.w3.org/2000/svg}svg"
        assert len(drawing.findall("{*}circle")) == 22

    def test_what_the_drawing_shows_is_sent_in_words(self, page: tuple[Page, One]) -> None:
        """Beside the points of the plot a viewer is sent what was fitted, in words."""
        fresh, _ = page[1].known.plot((-1, 0, 0))
        (told,) = fresh["fits"]

        assert told["of"] == "start"
        assert "11 readings in " in told["levels"][0]

    @pytest.mark.parametrize("name", ["fit-discharge.svg", "fit-.svg", "fit-start.svg.svg.svg"])
    def test_there_is_no_other(self, page: tuple[Page, One], name: str) -> None:
        """A drawing that nobody made is not found."""
        assert ask(page[0], f"/{VIEW}/{name}")[0] == 404

    def test_a_start_without_figures_has_none(self, tmp_path: Path) -> None:
        """Before the figures there is nothing to show."""
        with contextlib.closing(Journal(tmp_path)) as journal:
            journal.event(0.0, "power on", "start", "")
        runs = One(tmp_path)

        assert runs.known.plot((-1, 0, 0))[0]["fits"] == []
        assert ask(Page(runs, port=PORT, view_token=VIEW), f"/{VIEW}/fit-start.svg")[0] == 404
