from __future__ import annotations

import os
import shutil
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.watch.tail import Tail
from harness.watch.view import view_of


@pytest.fixture
def growing(tmp_path: Path, record: Callable[..., Path]) -> tuple[Path, Path]:
    """An empty folder, and a whole record to fill it from."""
    folder = tmp_path / record().name
    folder.mkdir()
    return folder, record()


class TestTail:
    def test_whoever_comes_late_misses_nothing(self, growing: tuple[Path, Path]) -> None:
        """A journal read byte by byte while it grows, and one read at its end, are seen alike."""
        folder, whole = growing
        early = Tail(folder)
        for name in ("events.csv", "readings.csv"):
            content = (whole / name).read_bytes()
            for begin in range(0, len(content), 4801):
                with (folder / name).open("ab") as file:
                    file.write(content[begin : begin + 4801])
                early.catch_up()
        for name in ("checks.csv", "budgets.csv", "report.html", "run.json"):
            shutil.copy(whole / name, folder / name)
        early.catch_up()
        late = Tail(whole)
        late.catch_up()
        first, second = (view_of(tail.fold, 0.0) for tail in (early, late))

        assert first.ending is not None
        assert (first.checks, first.plan, first.ending, first.news) == (
            second.checks,
            second.plan,
            second.ending,
            second.news,
        )

    def test_a_run_without_a_folder_is_waited_for(self, tmp_path: Path) -> None:
        """Where nothing is there yet, nothing is seen, and nothing fails."""
        tail = Tail(tmp_path / "nowhere")

        assert not tail.poll()
        assert view_of(tail.fold, 0.0).power == "off"

    def test_half_a_line_waits_for_its_rest(self, growing: tuple[Path, Path]) -> None:
        """A line that is written half is taken when it is whole."""
        folder, _ = growing
        events = folder / "events.csv"
        events.write_text("time_s,kind,step,detail\n1.0,step,start,st", encoding="utf-8")
        tail = Tail(folder)
        tail.catch_up()
        assert tail.fold.happened == 0
        with events.open("a", encoding="utf-8") as file:
            file.write("art\n")
        tail.catch_up()
        assert tail.fold.news[-1].words == "step: start"

    @pytest.mark.parametrize(
        "line",
        ["x,step,start,start", "1.0,step", '1.0,step,"start,start', "nan,step,start,start", ""],
    )
    def test_a_line_of_somebody_else_is_passed_over(
        self, growing: tuple[Path, Path], line: str
    ) -> None:
        """A damaged line costs that line and no other."""
        folder, _ = growing
        text = f"time_s,kind,step,detail\n{line}\n2.0,trip,start,why\n"
        (folder / "events.csv").write_text(text, encoding="utf-8")
        tail = Tail(folder)
        tail.catch_up()

        assert [one.words for one in tail.fold.news] == ["trip: why"]

    def test_another_table_is_not_read(self, growing: tuple[Path, Path]) -> None:
        """A file with other columns tells nothing."""
        folder, _ = growing
        (folder / "events.csv").write_text("a,b,c,d\n1.0,trip,start,why\n", encoding="utf-8")
        tail = Tail(folder)
        tail.catch_up()

        assert tail.fold.happened == 0

    @pytest.mark.skipif(os.name == "nt", reason="links and pipes of POSIX systems")
    @pytest.mark.parametrize("kind", ["link", "pipe"])
    def test_only_regular_files_are_opened(
        self, growing: tuple[Path, Path], tmp_path: Path, kind: str
    ) -> None:
        """A link leads nowhere, and a pipe keeps nobody waiting."""
        folder, whole = growing
        if kind == "link":
            (folder / "events.csv").symlink_to(whole / "events.csv")
        else:
            os.mkfifo(folder / "events.csv")
        tail = Tail(folder)
        tail.catch_up()

        assert tail.fold.happened == 0
        assert tmp_path.is_dir()

    def test_a_record_that_was_changed_releases_nothing(self, growing: tuple[Path, Path]) -> None:
        """The end of a record whose bytes changed is not the release it says it was."""
        folder, whole = growing
        for path in whole.iterdir():
            shutil.copy(path, folder / path.name)
        with (folder / "checks.csv").open("a", encoding="utf-8") as file:
            file.write("x\n")
        tail = Tail(folder)
        tail.catch_up()
        view = view_of(tail.fold, 0.0)

        assert view.ending is not None
        assert view.ending.word == "Rehearsal not passed"
