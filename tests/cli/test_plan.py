from __future__ import annotations

import io
import re
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from harness.cli.main import app
from harness.errors import FileError, Refused
from harness.shipped import shipped
from tests.units import SHUTTER

ROOT = Path(__file__).resolve().parents[2]
WIDTH = 80

#: Unit B with a load of a long name, in a step and with checks of long names.
LONG_NAMES = f"""{SHUTTER}
[[steps]]
kind          = "start"
levels        = ["11.25 %", "100 %"]
current_limit = "512.5 mA"
dwell         = "125 min"
[[steps]]
kind          = "load"
title         = "two hours with the heater of the dome's lower shutter"
load          = "lamp 24 V 21 W, from the store, shelf 2, with its lead"
current_limit = "1.412 A"
dwell         = "125 min"
[[steps.checks]]
name    = "efficiency at the load of the dome's lower shutter"
measure = "supply.power"
low     = "60.125 W"
high    = "72.125 W"
rule    = "simple"
"""


@pytest.fixture
def narrow(monkeypatch: pytest.MonkeyPatch) -> None:
    """Make the terminal eighty columns wide."""
    monkeypatch.setenv("COLUMNS", str(WIDTH))


def printed(*arguments: str) -> str:
    """Return what the command prints."""
    result = CliRunner().invoke(app, ["plan", *arguments], catch_exceptions=False)
    assert result.exit_code == 0, result.output
    return result.output


@pytest.mark.usefixtures("narrow")
class TestStartFigures:
    """What a plan says of the figures of a start is what the page of the guide shows."""

    def blocks(self) -> list[str]:
        """The pasted outputs of the page."""
        page = (ROOT / "docs" / "start-figures.md").read_text(encoding="utf-8")
        return re.findall(r"```text\n(.*?)```", page, re.DOTALL)

    def test_what_will_be_known_well_enough(self) -> None:
        """A shipped full release on the simulated bench knows its capacitor to some per cent."""
        printed_plan = printed("mount-controller-full-release", "--bench", "bench-simulated-dc")

        assert self.blocks()[0] in printed_plan

    def test_what_would_make_it_good_enough(self, tmp_path: Path) -> None:
        """Without its slow limit, at 700 mA and a reading each millisecond, one is proposed."""
        profiles = ROOT / "profiles"
        text = (profiles / "mount-controller-full-release.toml").read_text(encoding="utf-8")
        text = re.sub(r"(?m)^slow_limit .*$", "", text)
        profile, bench = tmp_path / "quick.toml", tmp_path / "bench.toml"
        profile.write_text(
            text.replace('current_limit = "300 mA"', 'current_limit = "700 mA"', 1), "utf-8"
        )
        shipped_bench = (profiles / "bench-simulated-dc.toml").read_text(encoding="utf-8")
        bench.write_text(
            shipped_bench.replace("[supply]", '[supply]\nreading_time = "1 ms"', 1), "utf-8"
        )

        assert self.blocks()[1] in printed(str(profile), "--bench", str(bench))

    def judged(self, folder: Path, profile: str, *checks: tuple[str, str, str]) -> str:
        """Write a shipped profile whose start has more checks: name, measure and limit."""
        text = (ROOT / "profiles" / f"{profile}.toml").read_text(encoding="utf-8")
        added = "".join(
            f'[[steps.checks]]\nname = "{name}"\nmeasure = "start.{measure}"\nhigh = "{high}"\n\n'
            for name, measure, high in checks
        )
        start = text.index("[[steps]]", text.index('"start"'))
        path = folder / "judged.toml"
        path.write_text(text[:start] + added + text[start:], encoding="utf-8")
        return str(path)

    def test_what_a_whole_start_tells(self, tmp_path: Path) -> None:
        """Energy and peak, on a source whose dialect asks for the highest current it holds."""
        bench = (ROOT / "profiles" / "bench-simulated-ac.toml").read_text(encoding="utf-8")
        bench = bench.replace("scpi-ac-source", "scpi-ac-source-peak", 1)
        accuracy = '[supply.accuracy]\ncurrent_peak = "1 % + 50 mA"\n'
        (tmp_path / "bench.toml").write_text(bench.replace("[supply.accuracy]", accuracy), "utf-8")
        profile = self.judged(
            tmp_path,
            "dome-shutter-power-unit",
            ("energy of the start", "energy", "20 J"),
            ("switch-on current", "switch_on_current", "5 A"),
        )

        assert self.blocks()[2] in printed(profile, "--bench", str(tmp_path / "bench.toml"))

    def test_what_would_tell_a_series_resistance(self, tmp_path: Path) -> None:
        """Too slow a bench is told how fast it would have to read, and of the tester."""
        check = ("series resistance", "series_resistance", "2 ohm")
        profile = self.judged(tmp_path, "mount-controller-full-release", check)

        assert self.blocks()[3] in printed(profile, "--bench", "bench-simulated-dc")


@pytest.mark.usefixtures("narrow")
class TestPlan:
    def test_shows_each_level_of_an_ac_unit(self) -> None:
        """Volts, mains frequency, limit, energy, slack and time of each level are in one row."""
        output = printed("dome-shutter-power-unit", "--bench", "bench-simulated-ac")
        rows = [" ".join(line.split()) for line in output.splitlines()]

        assert "1 start 10 % 12 V 60 Hz 500 mA 21.6 mJ 302 mJ 1 s" in rows
        assert "100 % 120 V 60 Hz 500 mA 945 mJ 3.09 J 1 s" in rows
        assert "2.5 A load 120 V 60 Hz 1.5 A 1 s" in rows

    def test_shows_each_level_of_a_dc_unit(self) -> None:
        """A DC unit has no mains column, and its budgets are charges."""
        output = printed("mount-controller-board")
        rows = [" ".join(line.split()) for line in output.splitlines()]

        assert "Mains" not in output
        assert "1 start 10 % 2.4 V 300 mA 1.13 mC 113 uC 1 s" in rows
        assert "2 nominal nominal 24 V 1.5 A 5 s" in rows

    def test_shows_checks_with_their_limits(self) -> None:
        """Each check is named with its step, its measure and its limits."""
        output = printed("dome-shutter-power-unit")
        rows = [" ".join(line.split()) for line in output.splitlines()]

        assert "24 V rail 4 meter.voltage_dc 23.3 V to 24.7 V" in rows
        assert "efficiency at full load 4 at 2.5 A efficiency at least 80 %" in rows
        assert "24 V ripple 4 meter.voltage_ac at most 60 mV" in rows

    def test_no_column_is_lost_to_a_long_name(self, tmp_path: Path) -> None:
        """Long names of steps, loads and checks are folded; every figure keeps its column."""
        path = tmp_path / "long.toml"
        path.write_text(LONG_NAMES, encoding="utf-8")
        output = printed(str(path))
        words = output.split()

        assert max(map(len, output.splitlines())) <= WIDTH
        assert re.search(
            r"^Step +Level +Volts +Mains +Limit +Fills +Slack +Hold$", output, re.MULTILINE
        )
        row = r"120 V +60 Hz +1\.41 A +0\.5 s +2 h 5 min$"
        assert re.search(row, output, re.MULTILINE), output
        for word in ("efficiency", "supply.power", "60.12", "72.12", "(simple", "rule)"):
            assert word in words, output
        assert re.search(r"^Check +Step +Measure +Limits$", output, re.MULTILINE)

    def test_fits_a_plain_terminal(self, shipped_profile: str) -> None:
        """The demo plans are plain ASCII in eighty columns."""
        output = printed(shipped_profile)

        assert output.isascii()
        assert max(map(len, output.splitlines())) <= WIDTH

    def test_warns_of_a_load_connected_by_hand(self) -> None:
        """The plan says when power goes off for a hand, and that what it touches may be hot."""
        output = " ".join(printed("mount-controller-full-release").split())

        assert (
            "Steps 5 (line, full load), 6 (full load): power goes off while the resistor 2.5 ohm "
            "is connected, and again after it. What it takes becomes heat: it may be too hot to "
            "touch when it is taken off."
        ) in output

    def test_carries_the_cautions(self) -> None:
        """The plan ends with the cautions for the unit (safety rule 10)."""
        output = printed("dome-shutter-power-unit")

        assert "Mains and stored charge can kill" in output
        assert "Local codes and licensed practice" in output

    def test_brackets_in_names_are_no_markup(self, tmp_path: Path) -> None:
        """What a user writes is shown as it stands."""
        path = shipped("profiles", "mount-controller-board")
        assert path is not None
        text = path.read_text(encoding="utf-8").replace('"idle current"', '"[red]idle[/]"')
        (tmp_path / "it.toml").write_text(text, encoding="utf-8")

        assert "[red]idle[/]" in printed(str(tmp_path / "it.toml"))

    def test_says_that_such_a_run_cannot_release(self, tmp_path: Path) -> None:
        """A check the bench cannot make stands under what that means, once, and why."""
        path = shipped("profiles", "bench-simulated-dc")
        assert path is not None
        text = path.read_text(encoding="utf-8")
        without = text[: text.index("[meter]")]
        (tmp_path / "bench.toml").write_text(without, encoding="utf-8")
        output = printed("mount-controller-full-release", "--bench", str(tmp_path / "bench.toml"))

        assert output.count("Check '5 V rail' of step 3 (nominal) proves nothing: this bench") == 1
        assert "\nThis run cannot release the unit\n" in output

    @pytest.mark.parametrize("profile", ["mount-controller-board", "dome-shutter-power-unit"])
    def test_says_that_a_pre_check_releases_nothing(self, profile: str) -> None:
        """The short profiles are pre-checks, and their plans say what that means."""
        output = printed(profile)

        assert "\nPurpose: a pre-check. It can pass, and releases no unit\n" in output

    def test_refuses_a_bench_that_does_not_fit(self) -> None:
        """A plan its bench cannot carry out is shown, then refused with every reason."""
        with pytest.raises(Refused) as caught:
            printed("dome-shutter-power-unit", "--bench", "bench-simulated-dc")

        assert "The unit takes AC, the supply gives DC." in caught.value.reasons

    def test_a_bad_file_is_an_error(self) -> None:
        """A profile that is none ends in its mistakes."""
        with pytest.raises(FileError, match="there is no such file"):
            printed("no-such-profile.toml")


class TestScreen:
    def test_a_terminal_without_unicode_gets_a_question_mark(
        self, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A character the terminal cannot show never ends the command."""
        from harness.cli.tables import console

        raw = io.BytesIO()
        monkeypatch.setattr(sys, "stdout", io.TextIOWrapper(raw, encoding="ascii"))
        console().print("470 \u00b5F")
        sys.stdout.flush()

        assert raw.getvalue().strip() == b"470 ?F"

    @pytest.mark.parametrize("folded", [True, False])
    def test_a_pipe_gets_no_blanks_at_the_end_of_a_line(
        self, monkeypatch: pytest.MonkeyPatch, *, folded: bool
    ) -> None:
        """What pads the last column of a table does not go into a pipe; the columns stay."""
        from rich.table import Table

        from harness.cli.tables import console

        monkeypatch.setattr(sys, "stdout", piped := io.StringIO())
        table = Table(box=None, pad_edge=False, padding=(0, 2, 0, 0))
        table.add_column("a")
        table.add_column("b")
        table.add_row("1", "long")
        table.add_row("22", "")
        console(folded=folded).print(table)

        assert piped.getvalue() == "a   b\n1   long\n22\n"

    @pytest.mark.parametrize(
        "words",
        [
            ("plan", "dome-shutter-power-unit", "--bench", "bench-simulated-ac"),
            ("assess", "dome-shutter-HRW-0007"),
            ("rehearse", "mount-controller-board"),
        ],
    )
    def test_no_command_leaves_blanks_at_the_end_of_a_line(
        self, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...]
    ) -> None:
        """Every command's tables go through the same console."""
        monkeypatch.chdir(tmp_path)
        output = CliRunner().invoke(app, words).output

        assert len(output.splitlines()) > 5
        assert [line for line in output.splitlines() if line != line.rstrip()] == []
