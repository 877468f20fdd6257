"""Rule 11 through the real command: what is refused before power, and what is never released."""

from __future__ import annotations

import json
import socket
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.acceptance.conftest import Campaign, Ended, ServedBench
from tests.command import Done, called, started
from tests.units import BOARD, BOARD_STEPS, SHUTTER_PLATE

#: A board for 58 V, and the unit file of one of its kind.
PROFILE = (
    BOARD.replace("24 V", "58 V").replace("26.4 V", "63.8 V").replace("36 W", "87 W") + BOARD_STEPS
)
UNIT = """\
title  = "Mount controller board, 58 V"
serial = "HRW-0021"

[unit]
protection_class = "III"

[unit.input]
kind      = "dc"
nominal   = "58 V"
tolerance = "10 %"
current   = "1.2 A"

[unit.output.main]
kind    = "dc"
nominal = "5 V"
current = "2 A"

[service]
prospective_current = "30 A"

[[parts]]
name           = "F1"
kind           = "fuse"
current        = "2 A"
characteristic = "T"
breaking       = "L"
voltage        = "125 V"
"""
#: A unit for 100 V AC, with the serial number of the board.
AC_INPUT = (
    'kind      = "dc"\nnominal   = "58 V"',
    'kind      = "ac"\nfrequency = ["50 Hz", "60 Hz"]\nnominal   = "100 V"',
)
#: What was fitted cannot take the unit's voltage.
WORSE = 'fitted = { current = "2 A", characteristic = "T", breaking = "L", voltage = "32 V" }'
NOT_ACCEPTABLE = ('breaking       = "L"', f'breaking = "L"\n{WORSE}')

#: What is changed in the unit file, the serial number of the command, and what is said.
REFUSED = [
    (
        AC_INPUT,
        "HRW-0021",
        ["disagree on input.kind: the profile says dc", "the profile says 58 V (board.toml:4)"],
    ),
    (("HRW", "HRW"), "HRW-0022", ["serial number 'HRW-0022', the unit file (unit.toml:2)"]),
    (
        ('current   = "1.2 A"', 'current   = "2.4 A"'),
        "HRW-0021",
        ["disagree on input.current: the profile says 1.2 A", "2.4 A (unit.toml:11)"],
    ),
    (NOT_ACCEPTABLE, "HRW-0021", ["What was fitted as F1 (unit.toml:27) is not acceptable"]),
    (
        ('breaking       = "L"', 'breaking       = "L"\nproved_by = "bridge"'),
        "HRW-0021",
        ["F1 is to be proved by check 'bridge' (unit.toml:27)"],
    ),
]


class Door:
    """A listening port in place of an instrument: it tells whether anybody has knocked."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._listening = socket.create_server(("127.0.0.1", 0))
        self._listening.settimeout(0)
        port = self._listening.getsockname()[1]
        (folder / "board.toml").write_text(PROFILE, encoding="utf-8")
        (folder / "bench.toml").write_text(
            f"""name = "Dome workshop, bench 2"
[supply]
kind = "dc"
resource = "TCPIP0::127.0.0.1::{port}::SOCKET"
dialect = "scpi-dc-supply"
range = {{ voltage = "80 V", current = "10 A" }}
accuracy = {{ voltage = "10 mV", current = "5 mA" }}
timeout = "200 ms"
""",
            encoding="utf-8",
        )

    def run(self, unit: str, serial: str, give: Callable[..., Done] = called) -> Done:
        """Have `softwake run` try a unit."""
        (self.folder / "unit.toml").write_text(unit, encoding="utf-8")
        words = ["run", "board.toml", "--bench", "bench.toml", "--unit", "unit.toml"]
        words += ["--serial", serial, "--results", "r", "--yes"]
        return give(*words, cwd=self.folder, COLUMNS="250", HOME=str(self.folder))

    @property
    def knocked(self) -> bool:
        """Whether anybody has connected."""
        try:
            self._listening.accept()[0].close()
        except BlockingIOError:
            return False
        return True

    def close(self) -> None:
        """Stop listening."""
        self._listening.close()


@pytest.fixture
def door(tmp_path: Path) -> Iterator[Door]:
    """Return a bench that only notes whether it was opened."""
    made = Door(tmp_path)
    yield made
    made.close()


class TestRefused:
    @pytest.mark.parametrize(("change", "serial", "said"), REFUSED)
    def test_another_unit_is_refused_before_any_instrument_is_opened(
        self, door: Door, change: tuple[str, str], serial: str, said: list[str]
    ) -> None:
        """Kind, serial, nameplate, a bad replacement, a proof that is none: exit 5, no link."""
        assert change[0] in UNIT
        ended = door.run(UNIT.replace(*change, 1), serial)

        assert ended.returncode == 5
        assert all(text in ended.stderr for text in said), ended.stderr
        assert "Nothing was energised." in ended.stderr
        assert not door.knocked
        assert not (door.folder / "r").exists()

    def test_the_right_unit_gets_as_far_as_the_instruments(self, door: Door) -> None:
        """With the very unit the run opens its supply, which says nothing here."""
        ended = door.run(UNIT, "HRW-0021", started)

        assert ended.returncode == 5
        assert door.knocked


#: Unit B with a varistor that 230 V drove past its rating, and that stayed in.
SUSPECT = f"""{SHUTTER_PLATE}
[event]
kind     = "ac"
voltage  = "230 V"
duration = "5 s"

[[parts]]
name       = "VR1"
kind       = "varistor"
maximum_ac = "150 V"
energy     = "46 J"
"""


def carried_out(served: ServedBench, unit: str = "") -> Ended:
    """Carry the short profile out on a served bench, as `softwake run` does."""
    folder = served.file.parent
    words = ["run", str(served.profile), "--bench", str(served.file), "--serial", "HRW-0007"]
    words += ["--safety-record", "book of the safety tester, page 12"]  # it is a mains unit
    if unit:
        (folder / "unit.toml").write_text(unit, encoding="utf-8")
        words += ["--unit", "unit.toml"]
    words += ["--results", str(served.results), "--yes"]
    done = started(*words, cwd=folder, COLUMNS="250")
    [record] = served.results.iterdir()
    run: dict[str, Any] = json.loads((record / "run.json").read_text(encoding="utf-8"))
    return Ended(done.returncode, done.stdout + done.stderr, record, run)


class TestNotReleased:
    def test_a_part_that_was_over_stressed_and_stayed_in(self, campaign: Campaign) -> None:
        """Every check passes, and the unit is undecided: screen, record and page say why."""
        with campaign.bench() as served:
            ended = carried_out(served, SUSPECT)

        [point] = ended.run["open_points"]
        assert (ended.code, ended.run["verdict"], ended.run["released"]) == (4, "undecided", False)
        assert point.startswith("VR1 (destroyed likely) was not replaced")
        assert f"  {point}\n" in ended.screen
        assert "but one point is open" in ended.run["reason"]
        assert point in ended.run["reason"]
        assert ended.record is not None
        page = (ended.record / "report.html").read_text(encoding="utf-8")
        assert point.partition(":")[0] in page

    def test_one_that_a_check_of_the_run_proves_is_settled(self, campaign: Campaign) -> None:
        """With the check named and passed nothing is open, and the run would release."""
        with campaign.bench() as served:
            ended = carried_out(served, f'{SUSPECT}proved_by = "24 V rail"\n')

        assert (ended.code, ended.run["open_points"], ended.run["released"]) == (0, [], True)

    def test_limits_that_are_still_drafted(self, campaign: Campaign) -> None:
        """One limit with the mark of a draft keeps the unit back, and is named."""
        with campaign.bench() as served:
            text = served.profile.read_text(encoding="utf-8")
            marked = text.replace('low     = "80 %"', 'low     = "80 %"  # CHECK')
            served.profile.write_text(marked, encoding="utf-8")
            ended = carried_out(served)

        assert marked != text
        assert (ended.code, ended.run["verdict"], ended.run["released"]) == (4, "undecided", False)
        assert "check 'efficiency' of step 3 (load), line" in ended.run["open_points"][0]

    def test_a_pre_check_passes_and_releases_nothing(self, campaign: Campaign) -> None:
        """A pre-check ends in 0, with a point open; there is no label, and the record is whole."""
        with campaign.bench() as served:
            text = served.profile.read_text(encoding="utf-8")
            served.profile.write_text(f'purpose = "pre-check"\n{text}', encoding="utf-8")
            ended = carried_out(served, SUSPECT)
        told = ["--results", str(served.results)]
        folder = served.file.parent
        label = called("results", "label", "last", "--to", "a.svg", *told, cwd=folder)

        assert (ended.code, ended.run["verdict"], ended.run["released"]) == (0, "pass", False)
        assert ended.run["purpose"] == "pre-check"
        assert len(ended.run["open_points"]) == 1
        assert "and a pre-check releases none" in " ".join(ended.screen.split())
        assert (label.returncode, "a pre-check" in label.stderr) == (2, True)
        assert called("results", "verify", "last", *told, cwd=folder).returncode == 0
