from __future__ import annotations

import json
import signal
from dataclasses import replace
from pathlib import Path

import pytest

from harness.errors import RecordError, UsageError
from harness.profile.schema import Profile
from harness.qualify.campaign import Lot, qualify_lots, qualify_profile
from harness.qualify.journal import CampaignJournal
from harness.qualify.population import Mix
from harness.qualify.unit_result import HEALTHY
from harness.qualify.worker import Job
from harness.rehearse.laws import Laws
from harness.run.operator import Interrupted, StopRequest
from tests.repeats import repeats

DC = "mount-controller-board"
#: Quick ones: each run ends within the first levels.
QUICK = ("shorted-input", "shorted-switch", "leaky-bulk-capacitor")


@pytest.fixture(scope="module")
def alone() -> str:
    """The table of a small campaign, made by one worker."""
    return qualify_profile(DC, units=12, seed=6, workers=1, faults=QUICK).csv()


class TestWorkers:
    @pytest.mark.parametrize("workers", repeats([2, 3]))
    def test_the_table_does_not_depend_on_their_number(self, alone: str, workers: int) -> None:
        """One, two or three workers give the same table, byte for byte."""
        assert qualify_profile(DC, units=12, seed=6, workers=workers, faults=QUICK).csv() == alone

    def test_another_seed_gives_another_table(self, alone: str) -> None:
        """The seed decides which units are drawn."""
        assert qualify_profile(DC, units=12, seed=7, workers=1, faults=QUICK).csv() != alone

    def test_a_longer_campaign_begins_with_the_shorter_one(self) -> None:
        """More units add rows and change none."""
        shorter = qualify_profile(DC, units=4, seed=6, workers=1, faults=QUICK)
        longer = qualify_profile(DC, units=6, seed=6, workers=1, faults=QUICK)

        assert longer.rows[:4] == shorter.rows


class TestProgress:
    def test_it_counts_from_what_is_there_to_all(self, tmp_path: Path) -> None:
        """Whoever watches is told how many units are done, of how many, from the first moment."""
        seen: list[tuple[int, int]] = []
        given = {"seed": 6, "workers": 1, "faults": QUICK, "out": tmp_path}
        qualify_profile(DC, units=12, **given, on_progress=lambda *counts: seen.append(counts))  # type: ignore[arg-type]
        qualify_profile(DC, units=14, **given, on_progress=lambda *counts: seen.append(counts))  # type: ignore[arg-type]

        assert seen == [(0, 12), (5, 12), (10, 12), (12, 12), (12, 14), (14, 14)]


class TestLots:
    LOTS = (
        Lot(units=3, seed=6, faults=QUICK, mix=Mix.FAULTY),
        Lot(units=2, seed=6, mix=Mix.HEALTHY),
        Lot(units=4, seed=7, faults=QUICK),
    )

    def test_each_lot_has_the_units_of_a_campaign_of_its_own(self) -> None:
        """A lot beside others draws what it draws alone; units are numbered through."""
        campaign = qualify_lots(DC, self.LOTS, workers=1)
        faulty, healthy, both = campaign.rows_by_lot()
        alone = qualify_profile(DC, units=4, seed=7, faults=QUICK, workers=1).rows

        assert [row.index for row in campaign.rows] == list(range(9))
        assert [row.kind for row in faulty] == list(QUICK)
        assert [row.kind for row in healthy] == [HEALTHY] * 2
        assert [replace(row, index=row.index - 5) for row in both] == list(alone)

    def test_the_same_unit_is_drawn_in_any_mix(self) -> None:
        """The twentieth of a class is the same whether healthy units are drawn beside it or not."""
        every = qualify_profile(DC, units=6, seed=6, faults=QUICK, workers=1).rows
        faulty, healthy = qualify_lots(
            DC,
            (
                Lot(units=3, seed=6, faults=QUICK, mix=Mix.FAULTY),
                Lot(units=3, seed=6, mix=Mix.HEALTHY),
            ),
            workers=1,
        ).rows_by_lot()

        assert [row.seed for row in every[1::2]] == [row.seed for row in faulty]
        assert [row.seed for row in every[::2]] == [row.seed for row in healthy]

    def test_a_law_is_swept_over_the_same_units(self) -> None:
        """Under another law a lot has the same units, and what the law decides is different."""
        usual, swept = qualify_lots(
            DC,
            [
                Lot(units=1, seed=6, faults=("weak-bulk-capacitor",), mix=Mix.FAULTY, laws=laws)
                for laws in (Laws(), Laws().but("ripple_by_bulk", 0.0))
            ],
            workers=1,
        ).rows_by_lot()
        ripples = [
            next(one.value for one in row.checks if one.quantity == "meter.voltage_ac")
            for (row,) in (usual, swept)
        ]

        assert usual[0].seed == swept[0].seed
        assert ripples[1] < 0.9 * ripples[0]

    def test_an_interrupted_campaign_of_lots_goes_on(self, tmp_path: Path) -> None:
        """A line that is lost from the middle of the journal is done again, whatever its lot."""
        first = qualify_lots(DC, self.LOTS, workers=1, out=tmp_path)
        journal = tmp_path / "units.jsonl"
        lines = journal.read_bytes().splitlines(keepends=True)
        journal.write_bytes(b"".join([*lines[:4], *lines[6:]]))
        again = qualify_lots(DC, self.LOTS, workers=1, out=tmp_path)

        assert again.new == 2
        assert again.rows == first.rows


class TestResume:
    def test_an_interrupted_campaign_goes_on(self, tmp_path: Path, alone: str) -> None:
        """Stopped half-way and started again, a campaign ends with the same table."""
        stop = StopRequest()

        def stop_soon(done: int, _total: int) -> None:
            if done >= 5:
                stop.note(signal.SIGINT)

        with pytest.raises(Interrupted):
            qualify_profile(
                DC,
                units=12,
                seed=6,
                workers=1,
                faults=QUICK,
                out=tmp_path,
                on_progress=stop_soon,
                stop=stop,
            )
        kept = (tmp_path / "units.jsonl").read_text(encoding="utf-8").count("\n")
        ended = qualify_profile(DC, units=12, seed=6, workers=1, faults=QUICK, out=tmp_path)

        assert kept == 5
        assert ended.new == 7
        assert ended.csv() == alone
        assert (tmp_path / "units.csv").read_text(encoding="utf-8") == alone

    def test_a_line_that_was_cut_off_is_done_again(self, tmp_path: Path, alone: str) -> None:
        """Half a line at the end of the journal counts as not done, and is overwritten."""
        qualify_profile(DC, units=12, seed=6, workers=1, faults=QUICK, out=tmp_path)
        journal = tmp_path / "units.jsonl"
        content = journal.read_bytes()
        journal.write_bytes(content[:-100])
        ended = qualify_profile(DC, units=12, seed=6, workers=1, faults=QUICK, out=tmp_path)

        assert ended.new == 1
        assert ended.csv() == alone
        assert journal.read_bytes() == content

    def test_a_finished_campaign_has_nothing_left_to_do(self, tmp_path: Path) -> None:
        """Started once more, a finished campaign runs no unit."""
        first = qualify_profile(DC, units=4, seed=6, workers=1, faults=QUICK, out=tmp_path)
        again = qualify_profile(DC, units=4, seed=6, workers=3, faults=QUICK, out=tmp_path)

        assert (first.new, again.new) == (4, 0)
        assert again.rows == first.rows

    @pytest.mark.parametrize(
        ("change", "named"),
        [
            ({"seed": 8}, "seed"),
            ({"faults": ("no-start",)}, "faults"),
            ({"laws": Laws().but("ageing", 0.0)}, "laws"),
            ({"profile": "dome-shutter-power-unit", "faults": ("no-start",)}, "title, profile"),
        ],
    )
    def test_another_campaign_does_not_mix_with_it(
        self, tmp_path: Path, change: dict[str, object], named: str
    ) -> None:
        """A folder that holds another campaign is refused, and what differs is named."""
        given: dict[str, object] = {"profile": DC, "seed": 6, "faults": QUICK}
        qualify_profile(units=2, workers=1, out=tmp_path, **given)  # type: ignore[arg-type]

        with pytest.raises(UsageError, match=named) as caught:
            qualify_profile(units=2, workers=1, out=tmp_path, **(given | change))  # type: ignore[arg-type]
        assert "another folder with --out" in str(caught.value)

    def test_a_spoilt_head_is_another_campaign(self, tmp_path: Path) -> None:
        """A campaign.json that cannot be read is never taken for this campaign's."""
        qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path)
        (tmp_path / "campaign.json").write_text("{", encoding="utf-8")

        with pytest.raises(UsageError, match="another campaign"):
            qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path)

    def test_the_head_says_what_the_campaign_is(self, tmp_path: Path) -> None:
        """The folder names profile, seed and faults in plain JSON."""
        qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path)
        head = json.loads((tmp_path / "campaign.json").read_text(encoding="utf-8"))

        assert head["seed"] == [6]
        assert head["faults"] == [list(QUICK)]
        assert head["title"].startswith("Mount controller board")


class TestFolder:
    def test_a_spoilt_line_is_named(self, tmp_path: Path) -> None:
        """A line that cannot be read is named with its number, and nothing is lost."""
        qualify_profile(DC, units=4, seed=6, workers=1, faults=QUICK, out=tmp_path)
        journal = tmp_path / "units.jsonl"
        lines = journal.read_bytes().splitlines(keepends=True)
        journal.write_bytes(b"".join([*lines[:2], b"\xff[\n", *lines[2:]]))

        with pytest.raises(UsageError, match=r"units\.jsonl:3: a line .* cannot be read"):
            qualify_profile(DC, units=4, seed=6, workers=1, faults=QUICK, out=tmp_path)
        journal.write_bytes(b"".join(lines))
        assert qualify_profile(DC, units=4, seed=6, workers=1, faults=QUICK, out=tmp_path).new == 0

    def test_two_do_not_work_in_one_folder(self, tmp_path: Path, profile_a: Profile) -> None:
        """While a campaign is at work in a folder, another is refused."""
        journal = CampaignJournal(tmp_path, [Job(profile=profile_a, seed=6, faults=QUICK)])
        with pytest.raises(UsageError, match="at work in this folder"):
            qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path)
        journal.close()

        assert qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path).new == 2

    def test_a_folder_that_cannot_be_made_is_named(self, tmp_path: Path) -> None:
        """Where a file stands in the way the message names it."""
        (tmp_path / "out").write_text("", encoding="utf-8")

        with pytest.raises(RecordError, match="cannot be kept"):
            qualify_profile(DC, units=2, seed=6, workers=1, faults=QUICK, out=tmp_path / "out")


class TestUse:
    @pytest.mark.parametrize("wrong", [{"units": 0}, {"seed": -1}, {"workers": 0}])
    def test_a_campaign_of_nothing_is_refused(self, wrong: dict[str, int]) -> None:
        """No unit, no worker or a negative seed is an error of the call."""
        with pytest.raises(UsageError, match="a campaign needs"):
            qualify_profile(DC, **wrong)  # type: ignore[arg-type]

    def test_a_cluster_that_is_not_there_is_named(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """Without the extra, or without a scheduler, the message says which and what to do."""
        monkeypatch.setattr("harness.qualify.workers._CONNECT_S", 1.0)
        with pytest.raises(UsageError, match=r"softwake\[cluster\]|dask scheduler"):
            qualify_profile(DC, units=2, cluster="tcp://127.0.0.1:9")
