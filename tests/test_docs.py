"""The user guide does what it says: its files load, its lines run, its tables are complete."""

from __future__ import annotations

import datetime as dt
import re
import shlex
from collections.abc import Iterable
from pathlib import Path

import pytest

import harness
from harness.bench.answer_form import AnswerForm
from harness.bench.dialect import load_dialect
from harness.bench.scpi import boolean
from harness.files.field_types import Table
from harness.profile.check import Check
from harness.profile.measures import MEASURES, OPERATIONS, REQUIRED
from harness.profile.preflight import preflight
from harness.profile.step import Rest
from harness.profile.steps import STEP_KINDS, kinds_for
from harness.quantity import format_quantity
from harness.rehearse.fault import Fault
from harness.rehearse.faults import FAULTS
from harness.rehearse.model_file import FaultTable
from harness.rehearse.part_tables import (
    BulkTable,
    ConverterTable,
    FuseTable,
    InrushLimiterTable,
    RectifierTable,
    VaristorTable,
)
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import AcInput, DcInput, FixedOutput
from tests import formulas
from tests.markdown import (
    NOT_RUN,
    dead_links,
    fenced,
    first_cells,
    mentioned_commands,
    named_files,
    parse,
    parse_as_far_as_it_goes,
    prose,
    shell_lines,
    softwake,
    whole_commands,
)

ROOT = Path(__file__).resolve().parents[1]
#: The pages of the guide, in the order they are read.
GUIDE = (
    "first-rehearsal",
    "first-real-unit",
    "files-by-hand",
    "own-instrument",
    "own-profile",
    "run",
    "reading-a-report",
    "records",
    "events",
    "python",
    "simulator",
    "safety-rules",
    "limits",
    "formulas",
)
PAGES = {name: (ROOT / "docs" / f"{name}.md").read_text(encoding="utf-8") for name in GUIDE}
FILES = {
    name: text
    for page, shown in PAGES.items()
    for name, text in named_files(page, tuple(fenced(shown))).items()
}
#: Lines that end otherwise than well, as the text beside them lets expect.
ENDS = {
    "softwake rehearse --fault shorted-varistor": 3,
    "softwake rehearse board.toml --fault no-start": 1,
    "softwake rehearse every-step.toml --fault shorted-varistor": 5,
    "softwake rehearse dome-shutter-power-unit --unit-model unit-hrw-0007.toml": 3,
}

each_page = pytest.mark.parametrize("page", GUIDE)


@pytest.fixture
def workshop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with the guide's files in it, and we are there."""
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def keys_of(*tables: type[Table]) -> set[str]:
    """Return the keys of tables as a file has them."""
    return {field.alias or name for table in tables for name, field in table.model_fields.items()}


class TestFiles:
    def test_the_guide_shows_these(self) -> None:
        """The examples: two benches, dialects, three profiles, a unit, a unit model."""
        assert set(FILES) == {
            "mount.toml",
            "board.toml",
            "bench-2.toml",
            "my-supply.toml",
            "relay-board.toml",
            "listed-power-meter.toml",
            "unit-hrw-0007.toml",
            "bench-3.toml",
            "two-channel-supply.toml",
            "word-supply.toml",
            "counting-supply.toml",
            "chosen-channel-supply.toml",
            "letter-supply.toml",
            "apply-supply.toml",
            "configured-meter.toml",
            "echoing-supply.toml",
            "register-supply.toml",
            "scanning-meter.toml",
            "channel-load.toml",
            "resistor.toml",
            "every-step.toml",
        }

    def test_nothing_speaks_against_the_resistor(self, workshop: Path) -> None:
        """The resistor's profile plans on the bench with the dialect of the reader's own."""
        bench = harness.load_bench(workshop / "bench-3.toml")
        plan = harness.plan_for(harness.load_profile(workshop / "resistor.toml"), bench)
        dialect = load_dialect("two-channel-supply.toml", workshop)

        assert preflight(plan, today=dt.date(2026, 11, 25)).reasons == ()
        assert not [note for note in plan.notes if "will not get past" in note]
        assert dialect.message("set_voltage", 24.0) == "VOLT 24.000,(@1)"

    def test_the_example_has_every_kind_of_step(self, workshop: Path) -> None:
        """The long example of a profile has each kind of step there is, but that of a charger."""
        profile = harness.load_profile(workshop / "every-step.toml")

        assert {step.kind for step in profile.steps} == set(STEP_KINDS) - {"drain"}


class TestCommands:
    @pytest.mark.parametrize(
        "line",
        dict.fromkeys(line for text in PAGES.values() for line in whole_commands([*fenced(text)])),
    )
    def test_each_line_is_a_whole_command(self, line: str) -> None:
        """Each line to type names a command that is there, its options, and all it needs."""
        parse(shlex.split(line)[1:])

    @pytest.mark.parametrize(
        "line", dict.fromkeys(line for text in PAGES.values() for line in mentioned_commands(text))
    )
    def test_each_command_in_a_sentence_is_there(self, line: str) -> None:
        """Each command in a sentence is there with its options, arguments or not."""
        parse_as_far_as_it_goes(line)

    @each_page
    def test_the_lines_run_in_their_order(self, workshop: Path, page: str) -> None:
        """Each line that needs no bench runs, and ends as the text beside it lets expect."""
        assert workshop.is_dir()
        lines = [line for line in shell_lines([*fenced(PAGES[page])]) if not NOT_RUN.search(line)]
        if any(line.startswith("softwake results") for line in lines):
            softwake("softwake rehearse mount-controller-board")

        for line in lines:
            printed, code = softwake(line)
            expected = {1, 3, 4} if "weak-bulk" in line else {ENDS.get(line, 0)}
            assert code in expected, f"{line}\n{printed}"


class TestTables:
    def test_every_kind_of_step_is_there(self) -> None:
        """The table of steps has each kind, with what its class says of it, and no other."""
        rows = re.findall(
            r"^\| \[`(\w+)`\]\(#\w+\) \| (.*) \|$", PAGES["own-profile"], re.MULTILINE
        )

        assert dict(rows) == {kind: step.about for kind, step in STEP_KINDS.items()}

    @pytest.mark.parametrize("kind", STEP_KINDS)
    def test_every_key_of_a_step_is_explained(self, kind: str) -> None:
        """The table of a step has each of its keys once, and no other."""
        explained = first_cells(PAGES["own-profile"], f"| key of `{kind}` |")

        assert sorted(explained) == sorted(keys_of(STEP_KINDS[kind]))

    @pytest.mark.parametrize(
        ("heading", "tables"),
        [
            ("| key of `unit.input` |", (DcInput, AcInput)),
            ("| key of `unit.output.NAME` |", (FixedOutput,)),
            ('| key of a charger, `kind = "charger"` |', (ChargerOutput,)),
            ("| key of a check |", (Check,)),
            ("| key of `rest` |", (Rest,)),
        ],
    )
    def test_every_key_of_a_table_is_explained(
        self, heading: str, tables: Iterable[type[Table]]
    ) -> None:
        """The tables of nameplate and check have each key once, and no other."""
        assert sorted(first_cells(PAGES["own-profile"], heading)) == sorted(keys_of(*tables))

    def test_every_measure_is_there_with_its_steps(self) -> None:
        """The table of measures has each measure, with the steps it can be used in."""
        rows = re.findall(
            r"^\| `([\w.]+)` \| .* \| ([\w, ]+) \|$", PAGES["own-profile"], re.MULTILINE
        )

        assert {name: set(steps.split(", ")) for name, steps in rows} == {
            name: set(kinds_for(measure)) for name, measure in MEASURES.items()
        }

    def test_what_a_role_cannot_do_without_is_there(self) -> None:
        """The table of what each role needs has each required operation, and no other."""
        rows = re.findall(
            r"^\| (supply|load|meter|power_meter|switch) \| (.*) \|$",
            PAGES["own-instrument"],
            re.MULTILINE,
        )

        assert {role: sorted(re.findall(r"`(\w+)`", needed)) for role, needed in rows} == {
            role: sorted(needed) for role, needed in REQUIRED.items()
        }

    @pytest.mark.parametrize("answer", ["1", "0", "ON", "OFF", '"ON"', "'0'"])
    def test_a_state_may_stand_in_quotes(self, answer: str) -> None:
        """An answer that is a state reads in quotes or without, as the page says."""
        assert "or a state: `0`, `1`, `ON`, `OFF`, in quotes or\nnot" in PAGES["own-instrument"]
        assert boolean(answer) is (answer.strip("\"'") in {"1", "ON"})

    def test_every_key_of_an_answer_is_explained(self) -> None:
        """The table of what takes an answer apart has each key, and no other."""
        named = re.findall(
            r"`(\w+)`",
            "".join(
                row.split("|")[1]
                for row in PAGES["own-instrument"]
                .partition("| key of an answer |")[2]
                .partition("\n\n")[0]
                .splitlines()[2:]
            ),
        )

        assert sorted(named) == sorted(keys_of(AnswerForm))

    def test_every_operation_of_a_dialect_is_there(self) -> None:
        """The table of operations has each that a dialect may define, and no other."""
        named = set(first_cells(PAGES["own-instrument"], "| operation |"))

        assert named == OPERATIONS.keys()

    @pytest.mark.parametrize(
        ("name", "fault"), [(name, fault) for name, fault in FAULTS.items() if fault.severity]
    )
    def test_severities(self, name: str, fault: Fault) -> None:
        """The page of the simulator names each fault's severities as they are."""
        severity = fault.severity
        assert severity is not None
        levels = (format_quantity(one, severity.unit) for one in severity.levels)
        cells = [f"`{name}`", severity.what, *levels]
        late = "yes" if fault.onset else "no"

        assert f"| {' | '.join([*cells, late])} |" in PAGES["simulator"]

    @pytest.mark.parametrize(
        ("heading", "table"),
        [
            ("`[fuse]`", FuseTable),
            ("`[varistor]`", VaristorTable),
            ("`[rectifier]`", RectifierTable),
            ("`[inrush_limiter]`", InrushLimiterTable),
            ("`[bulk]`", BulkTable),
            ("`[converter]`", ConverterTable),
            ("`[standby]`", ConverterTable),
            ("`[[faults]]`", FaultTable),
        ],
    )
    def test_the_keys_of_a_unit_model(self, heading: str, table: type[Table]) -> None:
        """The page of the simulator names each key of a unit model beside its table."""
        row = next(
            line for line in PAGES["simulator"].splitlines() if line.startswith(f"| {heading}")
        )

        assert all(f"`{key}`" in row for key in keys_of(table))

    def test_the_formulas_are_those_of_the_code(self) -> None:
        """The page of formulas is what the docstrings say; `python -m tests.formulas` writes it."""
        assert PAGES["formulas"] == formulas.page()

    def test_each_formula_is_one_that_the_program_uses(self) -> None:
        """No formula is listed that only a test calls: each is used somewhere in the harness."""
        used = formulas.used_names()
        names = {each.name.rpartition(".")[2] for each in formulas.formulas()}

        assert sorted(names - used - {"the whole file", "units_needed"}) == []

    def test_each_formula_says_what_it_is(self) -> None:
        """Everything with a source has words for it, and names a source."""
        unnamed = [each for each in formulas.formulas() if not each.source]

        assert unnamed == []
        assert len(formulas.formulas()) > 80


class TestSafetyRules:
    def test_they_are_those_of_the_tests(self) -> None:
        """The page has each rule by number and in the words of the index of tests."""
        index = (ROOT / "tests/acceptance/test_safety_rules.py").read_text(encoding="utf-8")
        shown = re.findall(r"^## (\d+)\. (.*)$", PAGES["safety-rules"], re.MULTILINE)

        assert [(number, words.lower()) for number, words in shown] == re.findall(
            r"^(\d+) (.*)$", index.partition('RULES = """')[2].lower(), re.MULTILINE
        )

    def test_the_code_refers_to_no_other(self) -> None:
        """Each rule that the code or a test names by number is on the page."""
        known = {
            int(number)
            for number in re.findall(r"^## (\d+)\.", PAGES["safety-rules"], re.MULTILINE)
        }
        named = {
            int(number)
            for folder in ("harness", "tests")
            for path in (ROOT / folder).rglob("*.py")
            for number in re.findall(r"\bsafety rules? (\d+)", path.read_text(encoding="utf-8"))
        }

        assert named
        assert named <= known


class TestText:
    @each_page
    def test_links_lead_somewhere(self, page: str) -> None:
        """Each link goes to a file of the project or to a heading of the page."""
        assert dead_links(PAGES[page], ROOT / "docs") == []

    @each_page
    def test_the_readme_leads_here(self, page: str) -> None:
        """The README links to each page of the guide."""
        assert f"(docs/{page}.md)" in (ROOT / "README.md").read_text(encoding="utf-8")

    @pytest.mark.parametrize(
        "page",
        [
            "first-real-unit",
            "files-by-hand",
            "own-instrument",
            "own-profile",
            "run",
            "safety-rules",
        ],
    )
    def test_cautions_stand_where_work_can_hurt(self, page: str) -> None:
        """Pages that lead to a live bench say what can kill, and defer to local codes."""
        text = " ".join(PAGES[page].replace("\n> ", " ").split()).lower()

        assert "can kill" in text
        assert "local codes and licensed practice come first" in text.replace("*", "")

    def test_first_power_has_the_usual_cautions_first(self) -> None:
        """The page of the first real unit names them before the first line to type."""
        before = PAGES["first-real-unit"].partition("```")[0].replace("\n> ", " ")
        words = (
            "isolated",
            "RCD (GFCI)",
            "Eye protection",
            "hands clear",
            "Discharge",
            "never alone",
        )

        assert [word for word in words if word not in before] == []

    @each_page
    def test_it_calls_nothing_safe(self, page: str) -> None:
        """The guide keeps to what was measured, as the program does."""
        if page == "formulas":
            assert "proves nothing about a unit" in " ".join(PAGES[page].split())
        elif page == "safety-rules":
            assert len(re.findall(r"\bsafe\b", prose(PAGES[page]), re.IGNORECASE)) == 1
        else:
            assert re.findall(r"\bsafe(?:ly)?\b", prose(PAGES[page]), re.IGNORECASE) == []
