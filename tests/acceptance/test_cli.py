"""The whole command, as a technician gives it: what it prints and how it ends."""

from __future__ import annotations

import re
import socket
from collections.abc import Iterator
from pathlib import Path

import pytest
import typer

from harness.cli.main import app
from harness.shipped import shipped
from tests.command import Done, called, started

#: A healthy board whose rail is judged between limits closer together than any meter can tell.
TOO_NARROW = ('low     = "4.90 V"\nhigh    = "5.10 V"', 'low = "5.010 V"\nhigh = "5.012 V"')
#: An envelope beyond the simulated supply's 10 A.
TOO_MUCH = ('current = "1.5 A"', 'current = "12 A"')


class Workshop:
    """A folder of one's own in which commands are given."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def softwake(self, *words: str) -> Done:
        """Call the command."""
        done = called(*words, cwd=self.folder)
        assert "\x1b" not in done.stdout, "colours went into a pipe"
        return done

    def started(self, *words: str, typed: str = "") -> Done:
        """Start the command in a process of its own."""
        done = started(*words, cwd=self.folder, typed=typed)
        assert "\x1b" not in done.stdout, "colours went into a pipe"
        return done

    def profile(self, name: str, old: str, new: str) -> str:
        """Write the board's profile with one change; return its name."""
        shipped_profile = shipped("profiles", "mount-controller-board")
        assert shipped_profile is not None
        text = shipped_profile.read_text(encoding="utf-8")
        assert old in text
        (self.folder / name).write_text(text.replace(old, new), encoding="utf-8")
        return name


@pytest.fixture(scope="module")
def workshop(tmp_path_factory: pytest.TempPathFactory) -> Workshop:
    return Workshop(tmp_path_factory.mktemp("workshop"))


@pytest.fixture
def listener() -> Iterator[socket.socket]:
    """A port of this machine on which nobody answers."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        server.setblocking(False)  # noqa: FBT003 - the socket's own interface
        yield server


class TestHelp:
    def test_it_names_every_command(self, workshop: Workshop) -> None:
        """`--help` names each command there is, and the exit codes."""
        help_ = workshop.started("--help")
        commands = typer.main.get_command(app).commands  # type: ignore[attr-defined]

        assert help_.returncode == 0
        assert {"rehearse", "run", "plan", "results"} <= set(commands)
        assert [
            name for name in commands if not re.search(rf"^\W*{name} ", help_.stdout, re.MULTILINE)
        ] == []
        assert "Exit codes" in help_.stdout

    def test_a_slip_in_a_command_is_answered_with_the_right_one(self, workshop: Workshop) -> None:
        """A command that is not there ends in 2 and the nearest one."""
        slip = workshop.started("rehears")

        assert slip.returncode == 2
        assert "'rehearse'" in slip.stderr


class TestDemo:
    def test_it_works_in_an_empty_folder_and_leaves_a_whole_record(self, tmp_path: Path) -> None:
        """`softwake rehearse` needs nothing but a folder; its record is there, and whole."""
        empty = Workshop(tmp_path)
        rehearsal = empty.started("rehearse")
        assert (rehearsal.returncode, rehearsal.stderr) == (0, "")
        [folder] = (tmp_path / "results").iterdir()
        *_, record, ending = rehearsal.stdout.splitlines()
        assert record == f"record {Path('results') / folder.name}"
        assert re.fullmatch(r"SIMULATED OUTPUT OFF, CONFIRMED \d\d:\d\d:\d\d", ending)
        assert "REHEARSAL PASSED" in rehearsal.stdout
        assert "releases no unit" in rehearsal.stdout
        assert {path.name for path in folder.iterdir()} == {
            "readings.csv",
            "events.csv",
            "checks.csv",
            "budgets.csv",
            "run.json",
            "report.html",
        }

        verified = empty.softwake("results", "verify", "last")
        assert verified.returncode == 0
        assert verified.stdout.splitlines()[-1] == f"{folder.name}: whole"

        with (folder / "readings.csv").open("a", encoding="utf-8") as readings:
            readings.write("99,start,10 %,voltage,1,V,supply\n")
        changed = empty.softwake("results", "verify", "last")
        assert changed.returncode == 1
        assert "NOT WHOLE" in changed.stdout


class TestExitCodes:
    def test_a_failed_check_is_1(self, workshop: Workshop) -> None:
        """Completed with a failed check ends in 1."""
        ended = workshop.softwake("rehearse", "mount-controller-board", "--fault", "output-low")

        assert ended.returncode == 1
        assert re.search(r"5 V rail .* fail", ended.stdout)
        assert "NOT PASSED" in ended.stdout

    def test_a_cut_is_3_and_says_why(self, workshop: Workshop) -> None:
        """Power that was cut ends in 3, with the reason and what it usually means."""
        ended = workshop.softwake("rehearse", "mount-controller-board", "--fault", "shorted-input")

        assert ended.returncode == 3
        assert re.search(r"charge_budget: .* unexplained .*look for a short", ended.stdout)
        assert "power was cut" in ended.stdout

    def test_undecided_is_4(self, workshop: Workshop) -> None:
        """Completed with a value the uncertainty cannot place ends in 4."""
        ended = workshop.softwake("rehearse", workshop.profile("narrow.toml", *TOO_NARROW))

        assert ended.returncode == 4
        assert re.search(r"5 V rail .* undecided", ended.stdout)

    def test_refused_is_5(self, workshop: Workshop) -> None:
        """An envelope beyond the instrument ends in 5, in a rehearsal as in a plan."""
        profile = workshop.profile("too-much.toml", *TOO_MUCH)
        reason = "The envelope of 12 A is beyond the supply's range of 10 A."
        rehearsal = workshop.softwake("rehearse", profile)
        plan = workshop.softwake("plan", profile, "--bench", "bench-simulated-dc")

        assert (rehearsal.returncode, plan.returncode) == (5, 5)
        assert reason in rehearsal.stdout
        assert reason in plan.stderr
        assert "nothing was energised" in rehearsal.stdout
        assert rehearsal.stdout.splitlines()[-1] == "Nothing was energised."

    def test_each_reason_has_its_line(self, workshop: Workshop) -> None:
        """A refusal with several reasons shows them one below the other."""
        profile = workshop.profile("much-too-much.toml", *TOO_MUCH)
        path = workshop.folder / profile
        text = path.read_text(encoding="utf-8").replace('power   = "36 W"', 'power   = "3600 W"')
        path.write_text(text, encoding="utf-8")
        shown = workshop.softwake("rehearse", profile).stdout

        assert len(re.findall(r"^  The envelope of ", shown, re.MULTILINE)) == 2
        assert r"\n" not in shown


class TestPlan:
    def test_it_talks_to_no_instrument(self, workshop: Workshop, listener: socket.socket) -> None:
        """`plan` shows levels, budgets and cautions for a bench, and never calls it."""
        bench = bench_at(workshop, listener)
        plan = workshop.softwake("plan", "mount-controller-board", "--bench", bench)

        assert plan.returncode == 0
        assert re.search(r"1 start +10 % +2\.4 V +300 mA", plan.stdout)
        assert "Local codes and licensed practice come first" in plan.stdout
        with pytest.raises(BlockingIOError):  # nobody knocked
            listener.accept()


class TestRun:
    def test_without_a_yes_nothing_is_called(
        self, workshop: Workshop, listener: socket.socket
    ) -> None:
        """`run` shows plan and cautions, and a no ends in 5 before any link is opened."""
        bench = bench_at(workshop, listener)
        ended = workshop.started(*run_on(bench), typed="n\n")

        assert ended.returncode == 5
        assert "can kill" in ended.stdout
        assert "did not confirm" in ended.stderr
        assert ended.stderr.splitlines()[-1] == "Nothing was energised."
        with pytest.raises(BlockingIOError):
            listener.accept()

    def test_an_instrument_that_is_not_there_is_5(self, workshop: Workshop) -> None:
        """An instrument that cannot be reached ends in 5 and in a record that says refused."""
        with socket.create_server(("127.0.0.1", 0)) as closed:
            bench = bench_at(workshop, closed)
        ended = workshop.started(*run_on(bench), "--yes")

        assert ended.returncode == 5
        assert "nothing was energised" in ended.stdout
        assert "outcome refused" in ended.stdout
        [folder] = (workshop.folder / "records").iterdir()
        assert '"outcome": "refused"' in (folder / "run.json").read_text(encoding="utf-8")


HOSTILE = {
    "bad TOML": (b'title = "x\n', "plan {}", r"softwake: {}:1: this is no valid TOML"),
    "binary": (bytes(range(256)) * 8, "rehearse {}", r"softwake: {}:1: it holds a NUL byte"),
    "empty": (
        b"",
        "rehearse {}",
        r"softwake: {}: title: this key is missing; for example: title =",
    ),
    "other code page": ("title = 'für'".encode("latin-1"), "plan {}", r"softwake: {}:1: .*UTF-8"),
    "bad bench": (
        b'name = "b"\nsuply = {}\n',
        "plan mount-controller-board --bench {}",
        r"(?m)^{}:2: suply: there is no key 'suply' here, did you mean 'supply'",
    ),
}


class TestHostileFiles:
    @pytest.mark.parametrize("kind", HOSTILE)
    def test_a_file_that_cannot_be_used_is_2(self, workshop: Workshop, kind: str) -> None:
        """A file that cannot be used ends in 2, with its name, the line, and what is wrong."""
        content, line, says = HOSTILE[kind]
        name = f"{kind.replace(' ', '-')}.toml"
        (workshop.folder / name).write_bytes(content)
        ended = workshop.softwake(*line.format(name).split())

        assert ended.returncode == 2
        assert ended.stdout == ""
        assert re.search(says.format(re.escape(name)), ended.stderr), ended.stderr

    @pytest.mark.parametrize(
        ("arguments", "says"),
        [
            (("plan", "dome-shuter-power-unit"), "did you mean 'dome-shutter-power-unit'"),
            (("plan", "nowhere/at-all.toml"), "there is no such file"),
            (("rehearse", "."), "this is a folder"),
            (("rehearse", "--fault", "shorted-varister"), "did you mean 'shorted-varistor'"),
            (("rehearse", "--results", "a-file"), "the record cannot be written"),
            (("results", "show", "last", "--results", "nowhere"), "no such results folder"),
        ],
        ids=lambda value: " ".join(value) if isinstance(value, tuple) else "",
    )
    def test_a_name_that_leads_nowhere_is_2(
        self, workshop: Workshop, arguments: tuple[str, ...], says: str
    ) -> None:
        """A profile, fault or folder that is not there ends in 2 and a line that helps."""
        (workshop.folder / "a-file").write_text("", encoding="utf-8")
        ended = workshop.softwake(*arguments)

        assert ended.returncode == 2
        assert ended.stdout == ""
        assert ended.stderr.startswith("softwake: ")
        assert says in ended.stderr


def bench_at(workshop: Workshop, server: socket.socket) -> str:
    """Write a bench file with its supply at a port, and a meter that is not there; its name."""
    text = """
        name = "Bench of the test"
        visa = "@py"
        [supply]
        kind = "dc"
        resource = "TCPIP0::127.0.0.1::{port}::SOCKET"
        dialect = "scpi-dc-supply"
        [meter]
        resource = "TCPIP0::127.0.0.1::9::SOCKET"
        dialect = "scpi-meter"
    """
    path = workshop.folder / "bench.toml"
    path.write_text(text.format(port=server.getsockname()[1]), encoding="utf-8")
    return path.name


def run_on(bench: str) -> tuple[str, ...]:
    unit = ("--serial", "HRW-0012", "--results", "records")
    return ("run", "mount-controller-board", "--bench", bench, *unit)
