from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest

from tests.command import Done

Softwake = Callable[..., Done]


class TestReport:
    def test_a_page_is_written_again(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """The report lands in a new file, with the date given; the record stays whole."""
        folder = record()
        to = tmp_path / "page.html"

        run = softwake("report", "last", "--to", str(to), "--next-due", "2027-11-25")

        assert (run.returncode, run.stdout, run.stderr) == (0, f"wrote {to}\n", "")
        page = to.read_text(encoding="utf-8")
        assert "HRW-0007" in page
        assert "<b>2027-11-25</b>" in page
        assert softwake("verify", folder.name).returncode == 0

    def test_without_a_name_it_is_named_for_the_run(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """Left to itself the file is named for the run and lies in the folder at hand."""
        folder = record()

        run = softwake("report", "last", cwd=tmp_path)

        assert run.stdout == f"wrote {folder.name}.html\n"
        assert (tmp_path / f"{folder.name}.html").is_file()

    @pytest.mark.parametrize(
        ("words", "message"),
        [
            (["--to", "{}/page.docx"], "a page is written as .html or .pdf"),
            (["--pdf", "--to", "{}/page.html"], "a page is written as .html or .pdf"),
            (["--to", "{}/there.html"], "the file is there already"),
            (["--to", "{}/no/such/page.html"], "it cannot be written"),
            (["--to", "{}/x.html", "--next-due", "soon"], "'soon' is no date"),
        ],
    )
    def test_a_mistake_gets_a_message(
        self,
        softwake: Softwake,
        record: Callable[..., Path],
        tmp_path: Path,
        words: list[str],
        message: str,
    ) -> None:
        """What cannot be done is said in a sentence, and nothing is written over."""
        record()
        (tmp_path / "there.html").write_text("precious", encoding="utf-8")

        run = softwake("report", "last", *(word.format(tmp_path) for word in words))

        assert run.returncode != 0
        assert message in run.stderr
        assert "Traceback" not in run.stderr
        assert (tmp_path / "there.html").read_text(encoding="utf-8") == "precious"

    def test_without_a_browser_there_is_no_pdf(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """Where neither program is at hand, the message says so and nothing is written."""
        record()
        to = tmp_path / "page.pdf"

        run = softwake("report", "last", "--to", str(to), SOFTWAKE_BROWSER="no", PATH="")

        assert "neither Chromium nor WeasyPrint" in run.stderr
        assert not to.exists()


class TestLabel:
    def test_a_released_unit_gets_its_label(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """The label of a released run is a picture 62 mm wide."""
        record()
        to = tmp_path / "label.svg"

        run = softwake("label", "last", "--to", str(to))

        assert (run.returncode, run.stderr) == (0, "")
        assert 'width="62mm"' in to.read_text(encoding="utf-8")

    @pytest.mark.parametrize(
        ("changed", "words", "message"),
        [
            ({"verdict": "fail"}, (), "there is no label for a unit that is not released"),
            ({"outcome": "tripped"}, ("--rehearsal",), "not released (outcome tripped"),
            ({"rehearsal": True}, (), "a rehearsal releases no unit"),
        ],
    )
    def test_no_label_without_a_release(
        self,
        softwake: Softwake,
        record: Callable[..., Path],
        tmp_path: Path,
        changed: dict[str, object],
        words: tuple[str, ...],
        message: str,
    ) -> None:
        """A run that releases no unit gets no label, and says why."""
        record(**changed)
        to = tmp_path / "label.svg"

        run = softwake("label", "last", "--to", str(to), *words)

        assert run.returncode == 2
        assert message in run.stderr
        assert not to.exists()

    def test_a_rehearsal_has_a_specimen(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """Asked for by name, a rehearsal's label says REHEARSAL and not RELEASED."""
        record(rehearsal=True)
        to = tmp_path / "label.svg"

        assert softwake("label", "last", "--to", str(to), "--rehearsal").returncode == 0
        label = to.read_text(encoding="utf-8")
        assert ">REHEARSAL<" in label
        assert "RELEASED" not in label

    def test_a_changed_record_has_none(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """A record that was changed after its run gets no label."""
        with (record() / "readings.csv").open("a", encoding="utf-8") as file:
            file.write("junk\n")

        run = softwake("label", "last", "--to", str(tmp_path / "label.svg"))

        assert run.returncode != 0
        assert "the record is not whole" in run.stderr

    def test_a_renamed_record_has_none(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """A released run under another serial number gets no label, and its page releases none."""
        folder = record()
        folder.rename(folder.with_name("20261125T063119Z-HRW-0008-0001"))

        label = softwake("label", "last", "--to", str(tmp_path / "label.svg"))
        page = softwake("report", "last", "--to", str(tmp_path / "page.html"))

        assert label.returncode != 0
        assert "no label: the folder was renamed" in label.stderr
        assert page.returncode == 0
        html = (tmp_path / "page.html").read_text(encoding="utf-8")
        assert "<b>This record is not whole</b> and releases no unit" in html
        assert "the folder was renamed: it is called" in html
        assert "<b>Released</b>" not in html

    def test_another_kind_of_file_is_refused(
        self, softwake: Softwake, record: Callable[..., Path], tmp_path: Path
    ) -> None:
        """A label is SVG or PNG, and nothing else."""
        record()

        run = softwake("label", "last", "--to", str(tmp_path / "label.gif"))

        assert (run.returncode, "a label is written as .svg or .png" in run.stderr) == (2, True)
