from __future__ import annotations

import contextlib
import os
import shutil
import subprocess
import sys
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.acceptance.conftest import BOARD_PROFILE, Campaign, Ended, ServedBench

IN_CI = os.environ.get("CI", "").lower() == "true"

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="mounts a small disk of its own")

#: Longest time from the trouble to output off: a second, and until the trouble shows. A full disk
#: still takes what fits into the file's last page (4 KiB, a good second of readings); a folder that
#: is gone shows with the next fsync (200 ms).
LONGEST_S = 1.0 + 1.5


@contextlib.contextmanager
def small_disk(folder: Path, size: str) -> Iterator[Path]:
    """Mount a disk in memory; skips where nobody may, and fails in CI."""
    folder.mkdir(parents=True)
    refusal = mount("-t", "tmpfs", "-o", f"size={size},mode=0755", "softwake", str(folder))
    if refusal:
        (pytest.fail if IN_CI else pytest.skip)(f"no disk can be mounted: {refusal}")
    try:
        yield folder
    finally:
        unmount(folder)


def mount(*arguments: str) -> str:
    """Mount; return what was wrong, or nothing."""
    program = shutil.which("mount")
    if program is None:
        return "there is no program for it"
    done = subprocess.run([program, *arguments], capture_output=True, encoding="utf-8", check=False)
    return done.stderr.strip() if done.returncode else ""


def unmount(folder: Path) -> None:
    program = shutil.which("umount")
    assert program is not None
    subprocess.run([program, "--lazy", str(folder)], check=True)


def trouble_while_live(
    campaign: Campaign, bench: ServedBench, trouble: Callable[[Path], object]
) -> Ended:
    """Run and spoil the results folder while power is on; power must go off."""
    with campaign.run(bench) as running:
        assert bench.wait(on=True, longest_s=30.0), running.end().screen
        spoilt_s = campaign.now_s()
        trouble(bench.results)
        ended = running.end()

        assert not bench.on
        assert bench.off_s - spoilt_s < LONGEST_S
        return ended


def fill(results: Path) -> None:
    """Write until there is no space left."""
    with contextlib.suppress(OSError), (results / "rubbish").open("wb", buffering=0) as file:
        while True:
            file.write(b"\0" * 4096)


def read_only(results: Path) -> None:
    """Take the right to write away from everybody, from this machine's master too."""
    assert not mount("-o", "remount,ro", str(results))


class TestWhilePowerIsOn:
    def test_a_full_disk_cuts_power(self, campaign: Campaign) -> None:
        """When the disk is full, power is off, the run counts as tripped, and says why."""
        with campaign.bench() as bench, small_disk(bench.results, "256k"):
            ended = trouble_while_live(campaign, bench, fill)

        assert ended.code == 3, ended.screen
        assert "No space left" in ended.screen
        assert "Traceback" not in ended.screen
        assert ended.run.get("released") is not True

    def test_a_removed_folder_cuts_power(self, campaign: Campaign) -> None:
        """When the record is removed, power is off, the run counts as tripped, and says why."""
        with campaign.bench() as bench:
            ended = trouble_while_live(campaign, bench, shutil.rmtree)

        assert ended.code == 3, ended.screen
        assert "the folder is gone" in ended.screen
        assert "Traceback" not in ended.screen
        assert ended.record is None

    def test_a_record_that_cannot_be_completed_is_no_release(self, campaign: Campaign) -> None:
        """Where the folder turns read-only, the run cannot be completed, and does not count."""
        with campaign.bench(BOARD_PROFILE) as bench, small_disk(bench.results, "2M") as disk:
            with campaign.run(bench) as running:
                assert bench.wait(on=True, longest_s=30.0), running.end().screen
                # files that are open stay so; no new one can be made
                assert not mount("--bind", str(disk), str(disk))
                assert not mount("-o", "remount,bind,ro", str(disk))
                ended = running.end()
            unmount(disk)

        assert not bench.on
        assert ended.code == 3, ended.screen
        assert "read-only" in ended.screen
        assert "Traceback" not in ended.screen
        assert ended.run == {}


class TestBeforePower:
    def test_a_read_only_folder_is_refused(self, campaign: Campaign) -> None:
        """Where no record can be begun, nothing is energised, and the message says what to do."""
        with campaign.bench() as bench, small_disk(bench.results, "256k"):
            read_only(bench.results)
            with campaign.run(bench) as running:
                ended = running.end()

        assert ended.code in {2, 5}, ended.screen
        assert "name another folder with --results" in ended.screen
        assert "Traceback" not in ended.screen
        assert bench.switched == []

    def test_a_full_disk_is_refused(self, campaign: Campaign) -> None:
        """A disk that is full from the start keeps power off."""
        with campaign.bench() as bench, small_disk(bench.results, "16k"):
            fill(bench.results)
            with campaign.run(bench) as running:
                ended = running.end()

        assert ended.code in {2, 5}, ended.screen
        assert "No space left" in ended.screen
        assert "Traceback" not in ended.screen
        assert bench.switched == []


#: Becomes the command, on a disk that takes three seconds to sync once a file is there.
SLOW_FSYNC = """
import os, sys, time
flag, sync = sys.argv.pop(1), os.fsync
def slow(descriptor):
    if os.path.exists(flag):
        os.unlink(flag)
        time.sleep(3.0)
    sync(descriptor)
os.fsync = slow
from harness.cli.main import main
main()
"""


class TestSlowDisk:
    def test_a_slow_sync_is_the_disks(self, campaign: Campaign, tmp_path: Path) -> None:
        """A disk that takes three seconds with power on: off in time, and the disk is named."""
        flag = tmp_path / "slow"
        with campaign.bench() as bench, campaign.run(bench, SLOW_FSYNC, str(flag)) as running:
            assert bench.wait(on=True, longest_s=30.0), running.end().screen
            flag.touch()
            slow_s = campaign.now_s()
            assert bench.wait(on=False, longest_s=5.0)
            assert bench.off_s - slow_s < LONGEST_S
            ended = running.end()

        assert ended.code == 3, ended.screen
        assert ended.run["trip"] == "record_lost"
        assert "the disk took 3" in ended.run["reason"]
        assert "client_silent" not in ended.screen
        assert ended.record is not None
        assert "client_silent" not in (ended.record / "events.csv").read_text(encoding="utf-8")
