"""`softwake new` asks, takes options instead, refuses nonsense, and writes what can be used."""

from __future__ import annotations

import shlex
from pathlib import Path

import pytest
from typer.testing import CliRunner, Result

from harness.api import rehearse_profile
from harness.cli.new import app
from harness.errors import UsageError
from harness.profile.drafted import drafted_figures
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


UNIVERSAL = (
    'unit --yes --serial HRW-0033 --kind ac --nominal "100 V to 240 V" --current "0.8 A" '
    '--bulk-capacitance "68 uF" --boosted-voltage "390 V" --output-voltage "12 V" '
    '--output-current "3 A" --applied-voltage "400 V" --bulk-voltage "450 V"'
)


class TestUniversalInput:
    def test_from_its_nameplate_to_a_rehearsal(self) -> None:
        """The range is typed as it is printed; a healthy unit comes through at both its ends."""
        assert new(UNIVERSAL).exit_code == 0
        assert new("profile --unit unit.toml --to range.toml --yes").exit_code == 0
        line = load_profile("range.toml").unit.input
        done = rehearse_profile(load_profile("range.toml"))
        checks = set(done.record.checks["check"])

        assert (line.low_nominal_v, line.nominal_v, line.boosted_v) == (100.0, 240.0, 390.0)
        assert (done.verdict, done.trip) == ("pass", None)
        assert {f"output voltage at {end}" for end in ("90 %, 60 Hz", "264 %, 50 Hz")} <= checks

    @pytest.mark.parametrize(
        ("option", "said"),
        [
            ('--nominal "240 V to 100 V"', "does not rise: the lower end comes first"),
            ('--nominal "0.1 V to 240 V"', "is outside 1 V to 1 kV"),
            ('--boosted-voltage "300 V"', "is outside 339.4 V to 678.8 V"),
        ],
    )
    def test_no_such_input(self, option: str, said: str) -> None:
        """The ends rise, and a boost stage is above the peak of the highest line."""
        done = new(f"{UNIVERSAL} {option}")

        assert isinstance(done.exception, UsageError)
        assert said in str(done.exception)
        assert not Path("unit.toml").exists()

    def test_asked_for(self) -> None:
        """At the terminal a range is an answer, and so is a boost stage, of an AC input alone."""
        typed = new("profile --kind ac --title Supply --no-load", "100 V to 240 V", "", "1 A")
        dc = new("profile --kind dc --title Supply --no-load", "9 V to 36 V", "", "1 A")

        assert "Boost stage" not in dc.output
        assert "or a range [120 V]: " in typed.output


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


SHIPPED = "dome-shutter-HRW-0007"


class TestOfAUnitFile:
    def test_the_nameplate_is_typed_once(self) -> None:
        """With --unit the profile has the nameplate of the unit file, and nobody asks for it."""
        done = new(f"profile --unit {SHIPPED} --sample-time '50 ms' --no-load")
        profile, unit = load_profile("profile.toml"), load_unit(SHIPPED)

        assert done.exit_code == 0
        assert "Nominal input voltage" not in done.output
        assert profile.unit == unit.unit
        assert profile.title == unit.title

    def test_what_the_nameplate_leaves_out_is_asked(self) -> None:
        """Figures that a nameplate may lack are asked for; Enter leaves them out."""
        new("unit --to unit.toml --yes --serial HRW-0012 --idle-power '0.6 W'")
        done = new("profile --unit unit.toml", "470 uF", "", "", "")
        line = load_profile("profile.toml").unit.input

        assert "Bulk capacitance" in done.output
        assert "Power it draws" not in done.output
        assert (line.bulk_capacitance_f, line.idle_power, line.threshold) == (470e-6, 0.6, None)

    def test_what_the_file_says_is_no_option(self) -> None:
        """An option for what stands in the unit file is refused: one of them would be wrong."""
        done = new(f'profile --unit {SHIPPED} --nominal "230 V" --yes')

        assert isinstance(done.exception, UsageError)
        assert "--nominal" in str(done.exception)
        assert not Path("profile.toml").exists()

    def test_its_cold_step_makes_the_checks_of_the_assessment(self) -> None:
        """Every suspect part has its check, with place or question, and the limits of it."""
        new(f"profile --unit {SHIPPED} --yes")
        cold = load_profile("profile.toml").steps[0]
        checks = {check.name: check for check in cold.checks}
        found = assess(load_unit(SHIPPED))
        suspects = {part.name: part for part in found.parts if part.severity.suspect}

        assert suspects
        for name, part in suspects.items():
            check = checks[f"{name} is sound"]
            for ours, theirs in (
                (check.low, part.check.low),
                (check.high, part.check.high),
            ):
                assert ours == (None if theirs is None else pytest.approx(theirs, rel=1e-3))
        assert checks["F1 is sound"].across == "fuse"
        assert checks["bulk capacitor is empty"].across == "bulk"
        assert checks["input is no short"].across == "input"
        assert checks["C1 is sound"].unit == "F"

    def test_its_limits_are_marked_as_drafted(self) -> None:
        """Each limit bears the mark: nobody has held it against this unit yet."""
        new(f"profile --unit {SHIPPED} --yes")
        drafted = "; ".join(drafted_figures(load_profile("profile.toml")))

        assert all(f"check '{name} is sound'" in drafted for name in ("F1", "VR1", "C1"))

    def test_a_simulated_healthy_unit_comes_through(self) -> None:
        """A healthy unit passes what was drafted for it; a dried-out capacitor fails its check."""
        new(f"profile --unit {SHIPPED} --yes")
        healthy = rehearse_profile("profile.toml")
        worn = rehearse_profile("profile.toml", fault="weak-bulk-capacitor")

        assert healthy.verdict == "pass"
        assert worn.outcome == "refused"
        assert "C1 is sound" in worn.reason

    def test_a_board_that_works_in_phases(self) -> None:
        """Its draft has what it draws in boot and at work, and a healthy one comes through."""
        new("profile --unit rotator-controller-HRW-0041 --yes")
        profile = load_profile("profile.toml")
        checks = {check.name: check for check in profile.checks}
        healthy = rehearse_profile(profile)

        assert checks["boots: most power"].is_windowed
        assert checks["power at work"].high == 4.0
        assert (healthy.verdict, healthy.trip) == ("pass", None)


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


class TestABoardWithoutOutputs:
    """What it draws no output takes: it is asked how much that is, and how long it boots."""

    LINE = '--title Board --kind dc --nominal "12 V" --tolerance "10 %" --current "0.8 A" '

    def test_asked_for(self) -> None:
        """A board that boots is judged by what it draws, and its draft lets it boot."""
        answers = ("none", "1000 uF", "0.5 W", "4 W", "4 s", "6 V", "III", "10 ms")
        done = new(f"profile {self.LINE} --no-load", *answers)
        profile = load_profile("profile.toml")
        line = profile.unit.input

        assert done.exit_code == 0, done.output
        assert (line.busy_power_w, line.boot_time_s) == (4.0, 4.0)
        assert {"boots: most power", "power at work"} <= {check.name for check in profile.checks}
        assert rehearse_profile(profile).verdict == "pass"

    def test_from_a_unit_file(self) -> None:
        """Typed once, it stands in the unit file, and the profile is drafted from there."""
        figures = '--bulk-capacitance "1000 uF" --idle-power "0.5 W" --busy-power "4 W"'
        assert new(f"unit {self.LINE} {figures} --yes --serial HRW-0041").exit_code == 0
        assert new('profile --unit unit.toml --yes --boot-time "4 s"').exit_code == 0
        line = load_profile("profile.toml").unit.input

        assert (line.busy_power_w, line.boot_time_s) == (4.0, 4.0)

    def test_a_unit_with_an_output_is_not_asked(self) -> None:
        """Nor is one that draws evenly asked how long it boots."""
        output = '--output-voltage "5 V" --output-current "1 A"'
        with_output = new(f"profile {self.LINE} --no-load {output}", *[""] * 9)
        without = new(f"profile {self.LINE} --no-load --force", *[""] * 9)

        assert "while it boots or at work" not in with_output.output
        assert "while it boots or at work" in without.output
        assert "How long it boots" not in without.output

    def test_left_open_it_is_marked(self) -> None:
        """The draft says what comes of it: power is cut as such a board boots."""
        new(f"profile {self.LINE} --yes")

        assert "LOOK IT UP, a board that draws" in Path("profile.toml").read_text(encoding="utf-8")
