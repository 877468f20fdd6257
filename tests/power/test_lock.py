"""One run per supply, across processes."""

from __future__ import annotations

import contextlib
import datetime as dt
import json
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from filelock import FileLock, Timeout

from harness.errors import Refused
from harness.power.lock import hold_as_keeper, hold_identity, hold_supply, lock_folder, names

RESOURCE = "TCPIP0::192.0.2.10::5025::SOCKET"
STARTED = dt.datetime(2026, 11, 25, 7, 20, 11, tzinfo=dt.UTC)

#: Holds the supply, says so, and waits until its input ends.
HOLDER = """
import datetime as dt, sys
from pathlib import Path
from harness.power import lock
lock.lock_folder = lambda: Path(sys.argv[2])
started = dt.datetime(2026, 11, 25, 8, 20, 11, tzinfo=dt.timezone(dt.timedelta(hours=1)))
with lock.hold_supply(sys.argv[1], serial="HRW-0007", started=started):
    print("held", flush=True)
    sys.stdin.read()
"""


KEEPER = """
import sys
from pathlib import Path
from harness.power import lock
lock.lock_folder = lambda: Path(sys.argv[2])
with lock.hold_as_keeper(sys.argv[1]):
    print("held", flush=True)
    sys.stdin.read()
"""


@pytest.fixture(autouse=True)
def folder(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """Keep the locks of a test in a folder of its own."""
    monkeypatch.setattr("harness.power.lock.lock_folder", lambda: tmp_path)


@pytest.fixture
def first(tmp_path: Path) -> Iterator[subprocess.Popen[str]]:
    """Another process that holds the supply."""
    with holding(HOLDER, tmp_path) as process:
        yield process


@contextlib.contextmanager
def holding(how: str, folder: Path) -> Iterator[subprocess.Popen[str]]:
    """Start another process that holds the supply: as a run, or as a run's keeper."""
    with subprocess.Popen(
        [sys.executable, "-c", how, RESOURCE, str(folder)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        encoding="utf-8",
    ) as process:
        assert process.stdout is not None
        assert process.stdout.readline() == "held\n"
        yield process
        process.kill()


def try_it(resource: str = RESOURCE) -> None:
    with hold_supply(resource, serial="HRW-0008", started=STARTED):
        pass


class TestTwoProcesses:
    def test_the_second_is_refused(self, first: subprocess.Popen[str]) -> None:
        """A second process is refused, and told the first one's number, start and unit."""
        with pytest.raises(Refused) as caught:
            try_it()

        assert str(caught.value) == (
            f"The supply ({RESOURCE}) is in use by process {first.pid}, started 2026-11-25 "
            "07:20:11 UTC, for unit HRW-0007. Wait for it to end, or stop it with Ctrl-C where it "
            "runs: it powers off on its way out."
        )
        assert caught.value.exit_code == 5

    def test_the_second_gets_it_when_the_first_is_done(self, first: subprocess.Popen[str]) -> None:
        """The supply is free once the first process has ended by itself."""
        first.communicate("")

        try_it()

    def test_a_killed_process_holds_nothing(
        self, first: subprocess.Popen[str], tmp_path: Path
    ) -> None:
        """What a killed process leaves behind is cleared by the next."""
        first.kill()
        first.wait()
        assert len(list(tmp_path.glob("*.json"))) == 1

        try_it()

        assert list(tmp_path.glob("*.json")) == []

    def test_another_supply_is_free(self, first: subprocess.Popen[str]) -> None:
        """A lock on one supply is none on another."""
        assert first.poll() is None

        try_it("TCPIP0::192.0.2.11::5025::SOCKET")


class TestKeeper:
    def test_a_run_does_not_begin_while_a_keeper_switches_off(self, tmp_path: Path) -> None:
        """While another process holds the supply as its keeper, a run is refused and told so."""
        with holding(KEEPER, tmp_path) as keeper:
            with pytest.raises(Refused) as caught:
                try_it()
            assert str(caught.value) == (
                f"The supply ({RESOURCE}) is still in the hands of an earlier run's keeper, which "
                "is switching it off. Wait for it, a minute at most; what comes of it stands on "
                "that run's screen."
            )
            assert caught.value.exit_code == 5
            with pytest.raises(Refused, match="in the hands of an earlier run's keeper"):
                try_it()  # the refusal left nothing behind
            assert list(tmp_path.glob("*.json")) == []
            keeper.kill()
            keeper.wait()

            try_it()

    def test_a_run_leaves_the_supply_to_its_own_keeper(self, tmp_path: Path) -> None:
        """The lock of a run is none on its own keeper, in a process of its own."""
        with (
            hold_supply(RESOURCE, serial="HRW-0007", started=STARTED),
            holding(KEEPER, tmp_path),
            pytest.raises(Refused, match="in use by process"),
        ):
            try_it()

    def test_there_is_one_keeper_of_a_supply(self, tmp_path: Path) -> None:
        """A keeper that comes while another still switches off is refused."""
        with (
            holding(KEEPER, tmp_path),
            pytest.raises(Refused, match="in the hands of an earlier run's keeper"),
            hold_as_keeper(RESOURCE),
        ):
            pass


class TestHolding:
    def test_the_same_process_is_refused_too(self) -> None:
        """Two runs of one process cannot share a supply either."""
        with (
            hold_supply(RESOURCE, serial="HRW-0007", started=STARTED),
            pytest.raises(Refused, match="in use by process"),
        ):
            try_it()

    def test_it_is_let_go_after_an_error(self) -> None:
        """An error in the block lets the supply go."""
        with (
            pytest.raises(ZeroDivisionError),
            hold_supply(RESOURCE, serial="HRW-0007", started=STARTED),
        ):
            raise ZeroDivisionError

        try_it()

    @pytest.mark.parametrize(
        "text",
        ["", "{", "[]", '{"process": "x"}', '{"process": 1, "started": "today", "serial": ""}'],
    )
    def test_a_damaged_file_still_refuses(self, tmp_path: Path, text: str) -> None:
        """A file that does not tell who holds the lock takes nothing from the refusal."""
        with hold_supply(RESOURCE, serial="HRW-0007", started=STARTED):
            [holder] = tmp_path.glob("*.json")
            holder.write_text(text, encoding="utf-8")

            with pytest.raises(Refused, match="another run that says no more"):
                try_it()

    def test_a_serial_number_of_control_characters_is_not_shown(self, tmp_path: Path) -> None:
        """Nothing a user typed reaches the terminal as a control sequence."""
        with hold_supply(RESOURCE, serial="\x1b[2J", started=STARTED):
            [holder] = tmp_path.glob("*.json")
            assert json.loads(holder.read_text(encoding="utf-8"))["serial"] == "\x1b[2J"

            with pytest.raises(Refused) as caught:
                try_it()

        assert "\x1b" not in str(caught.value)

    def test_no_place_for_a_lock_refuses(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Where no lock can be made the run is refused: the supply may be in use."""
        (tmp_path / "file").touch()
        monkeypatch.setattr("harness.power.lock.lock_folder", lambda: tmp_path / "file" / "locks")

        with pytest.raises(Refused, match="cannot be told"):
            try_it()

    def test_locks_are_the_users_own(self) -> None:
        """Locks are kept in a folder of the user, not in the results and not in the checkout."""
        assert lock_folder().name == "locks"
        assert Path.cwd() not in lock_folder().parents


class TestNames:
    HERE = "TCPIP0::127.0.0.1::5025::SOCKET"

    @pytest.mark.parametrize(
        ("held", "other"),
        [
            ("TCPIP0::localhost::5025::SOCKET", "TCPIP0::127.0.0.1::5025::SOCKET"),
            ("TCPIP0::127.0.0.1::5025::SOCKET", "tcpip::LOCALHOST.::05025::socket"),
            ("TCPIP0::192.0.2.10", "TCPIP1::192.0.2.10::inst0::INSTR"),
        ],
    )
    def test_another_name_of_the_supply_is_refused(
        self, tmp_path: Path, held: str, other: str
    ) -> None:
        """Whoever names the same supply otherwise comes second all the same."""
        with (
            hold_supply(held, serial="HRW-0007", started=STARTED),
            pytest.raises(Refused, match=r"in use by process .*, for unit HRW-0007"),
        ):
            try_it(other)

        try_it(other)
        assert list(tmp_path.glob("*.json")) == []

    def test_each_name_stays_locked(self, tmp_path: Path) -> None:
        """As long as a supply is held, nobody gets any of its names, and afterwards all of them."""
        with hold_supply(self.HERE, serial="HRW-0007", started=STARTED):
            paths = [path for path in tmp_path.glob("*.lock") if ".keeper" not in path.name]
            for path in paths:
                with pytest.raises(Timeout):
                    FileLock(path, timeout=0).acquire()

        assert len(paths) == len(names(self.HERE)) == 2
        for path in paths:
            with FileLock(path, timeout=0):
                pass


class TestIdentity:
    IDENTITY = "Tarnbeck,PS-200,TB0042,1.0"

    def test_another_interface_of_the_supply_is_refused(self) -> None:
        """Two runs that reach one instrument by two interfaces meet at its serial number."""
        by_socket, by_device = RESOURCE, "TCPIP0::192.0.2.10::inst0::INSTR"
        with (
            hold_supply(by_socket, serial="HRW-0007", started=STARTED),
            hold_identity(self.IDENTITY, by_socket),
            hold_supply(by_device, serial="HRW-0008", started=STARTED),
            pytest.raises(Refused) as caught,
            hold_identity(" Tarnbeck, PS-200,tb0042,1.1 ", by_device),
        ):
            pass

        assert "which says it is ' Tarnbeck, PS-200,tb0042,1.1 '" in str(caught.value)
        assert "for unit HRW-0007" in str(caught.value)

    @pytest.mark.parametrize(
        "identity",
        ["Tarnbeck,PS-200,0,1.0", "Tarnbeck,PS-200", "", "Tarnbeck,PS-200 simulated,SIM-1,1.0"],
    )
    def test_what_has_no_serial_number_locks_nobody_out(
        self, tmp_path: Path, identity: str
    ) -> None:
        """Instruments without a serial number, or simulated, are not taken for one another."""
        with (
            hold_identity(identity, RESOURCE),
            hold_identity(identity, "TCPIP0::192.0.2.11::5025::SOCKET"),
        ):
            assert list(tmp_path.iterdir()) == []
