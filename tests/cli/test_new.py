"""`softwake new` asks, takes options instead, refuses nonsense, and writes what can be used."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from harness.cli.new import app
from harness.errors import UsageError
from harness.profile.load import load_bench, load_profile
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit


@pytest.fixture(autouse=True)
def _in_an_empty_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)


def new(line: str, *answers: str) -> Result:
    """Run a command line, with what is typed at the terminal."""
    typed = "".join(f"{answer}\n" for answer in answers)
    return CliRunner().invoke(app, shlex.split(line), input=typed)


BOARD = (
    'profile --title "Mount controller board" --nominal "24 V" --tolerance "10 %" '
    '--current "1.2 A" --output-voltage "5 V" --output-current "2 A" '
    '--bulk-capacitance "470 uF" --idle-power "0.6 W" --start-threshold "8 V" '
    '--protection-class III --sample-time "1 ms"'
)


class TestDefaults:
    def test_a_profile(self) -> None:
        """With --yes a profile is written that loads."""
        done = new("profile --yes")

        assert done.exit_code == 0
        assert "softwake plan profile.toml" in done.output
        assert load_profile("profile.toml").unit.input.nominal_v == 24.0

    def test_a_bench(self) -> None:
        """With --yes a bench file is written that loads; its addresses lead nowhere."""
        assert new("bench --yes").exit_code == 0
        bench = load_bench("bench.toml")

        assert set(bench.instruments) == {"supply", "meter", "load"}
        assert all("::192.0.2." in each.resource for each in bench.instruments.values())
        assert bench.supply.accuracy == {}

    def test_a_unit(self) -> None:
        """With --yes a unit file is written that can be assessed; the serial number is given."""
        assert new("unit --yes --serial HRW-0012").exit_code == 0
        assert assess(load_unit("unit.toml")).acceptable


class TestOptions:
    def test_all_answers_may_come_from_the_command_line(self) -> None:
        """With every option given nothing is asked but what has none."""
        done = new(f"{BOARD} --kind dc --no-load")
        line = load_profile("profile.toml").unit.input

        assert done.exit_code == 0
        assert "[" not in done.output
        assert (line.bulk_capacitance_f, line.threshold, line.idle_power) == (470e-6, 8.0, 0.6)

    def test_a_load_gives_a_load_step(self) -> None:
        """With --load the profile has a load step to full load."""
        new(f"{BOARD} --kind dc --load")

        assert [step.kind for step in load_profile("profile.toml").steps] == [
            "start",
            "nominal",
            "load",
        ]

    @pytest.mark.parametrize(
        ("line", "said"),
        [
            ("profile --yes --nominal 24", "'24' has no unit; expected a voltage"),
            ("profile --yes --kind ca", "'ca' is none of dc, ac"),
            ('profile --yes --idle-power "900 W"', "outside 2.88 mW to 28.8 W"),
            ('profile --yes --kind ac --frequency "60 Hz 50 Hz"', "expected a frequency"),
            ("profile --yes --output-voltage 5V --output-current 50A", "outside 576 uA to 5.76 A"),
            ("bench --yes --calibration-due tomorrow", "'tomorrow' is no date"),
            ("bench --yes --voltage-accuracy 10", "for example: 0.05 % + 10 mV"),
            ("bench --yes --supply 60", "'60' is no VISA address"),
            (
                "unit --yes --serial HRW-0012 --opened relay",
                "is none of fuse, breaker, nothing, unknown",
            ),
            ('unit --yes --serial ""', "expected text, found none"),
        ],
    )
    def test_nonsense_is_refused(self, line: str, said: str) -> None:
        """An option that cannot be the answer is an error that names it, and no file is written."""
        done = new(line)

        assert isinstance(done.exception, UsageError)
        assert said in str(done.exception)
        assert str(done.exception).startswith("--")
        assert list(Path().iterdir()) == []

    def test_a_bench_without_meter_and_load(self) -> None:
        """The word none leaves an instrument out."""
        new("bench --yes --kind ac --meter none --load none")

        assert set(load_bench("bench.toml").instruments) == {"supply"}


class TestDialogue:
    def test_enter_accepts(self) -> None:
        """Enter at every question gives the same file as --yes."""
        new("profile --yes --to silent.toml")
        done = new("profile --to asked.toml", *[""] * 20)

        assert done.exit_code == 0
        assert Path("asked.toml").read_bytes() == Path("silent.toml").read_bytes()

    def test_nonsense_is_asked_again(self) -> None:
        """An answer that makes no sense brings the reason and the same question."""
        done = new("profile --title board --kind dc", "24", "24 V", *[""] * 20)

        assert done.exit_code == 0
        assert "'24' has no unit; expected a voltage" in done.output
        assert done.output.count("Nominal input voltage") == 2

    def test_an_ac_unit_is_asked_for_its_frequencies(self) -> None:
        """Line frequencies are asked for an AC input alone."""
        ac = new("profile --to ac.toml", "", "AC", *[""] * 20)
        dc = new("profile --to dc.toml", "", "dc", *[""] * 20)

        assert "Line frequencies [60 Hz, 50 Hz]" in ac.output
        assert "Line frequencies" not in dc.output

    def test_a_terminal_that_closes(self) -> None:
        """The end of the answers is an error that says which option would help."""
        done = new("profile --title board")

        assert isinstance(done.exception, UsageError)
        assert "--kind" in str(done.exception)
        assert not Path("profile.toml").exists()


class TestFile:
    def test_one_that_is_there_is_kept(self) -> None:
        """A file that is there is refused before the first question, and keeps its content."""
        Path("profile.toml").write_text("mine", encoding="utf-8")
        done = new("profile")

        assert isinstance(done.exception, UsageError)
        assert "--force" in str(done.exception)
        assert done.output == ""
        assert Path("profile.toml").read_text(encoding="utf-8") == "mine"

    def test_force_overwrites(self) -> None:
        """With --force it is written again."""
        Path("bench.toml").write_text("mine", encoding="utf-8")

        assert new("bench --yes --force").exit_code == 0
        assert load_bench("bench.toml").name == "Bench 1"

    def test_a_folder_that_is_not_there(self) -> None:
        """A place that cannot be written to is an error, no traceback."""
        done = new("profile --yes --to nowhere/profile.toml")

        assert isinstance(done.exception, UsageError)
        assert "nowhere" in str(done.exception)
