"""Checks that are safety tests, testers that a person reads, and where limits come from."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable

import pytest

from harness.errors import FileError
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.shipped import shipped_names
from tests.units import SHUTTER

SHIPPED = [
    name for name in shipped_names("profiles") if "/" not in name and not name.startswith("bench-")
]
TODAY = dt.date(2026, 11, 25)
START = """
[[steps]]
kind = "start"
levels = ["50 %", "100 %"]
current_limit = "0.5 A"
dwell = "1 s"
"""
ASKED_FOR = """\
measure = "operator.value"
ask = "Insulation resistance at 500 V DC?"
tester = "insulation"
unit = "ohm"
"""
INSULATION = f"""
[[steps]]
kind = "cold"
[[steps.checks]]
name = "insulation"
{ASKED_FOR}safety_test = "insulation resistance"
low = "2 Mohm"
source = "workshop rule 7"
"""
TESTER = """
[testers.insulation]
name = "insulation tester, 500 V"
serial = "HP-T3"
calibration_due = 2027-05-01
accuracy = { resistance = "5 % + 50 kohm" }
"""

Written = Callable[[str | bytes], str]
BenchOf = Callable[..., BenchFile]


@pytest.fixture
def mistakes(written: Written) -> Callable[..., list[str]]:
    """Return a function that loads a profile with changed lines and gives what is wrong with it."""

    def found(*changes: tuple[str, str], text: str = INSULATION) -> list[str]:
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        try:
            load_profile(written(SHUTTER + text + START))
        except FileError as error:
            return [f"{mistake.key}: {mistake.problem}" for mistake in error.mistakes]
        return []

    return found


@pytest.fixture
def bench(bench_of: BenchOf) -> Callable[..., BenchFile]:
    """Return a function that loads an AC bench with a tester, with lines of it changed."""

    def made(*changes: tuple[str, str]) -> BenchFile:
        text = TESTER
        for old, new in changes:
            assert old in text
            text = text.replace(old, new)
        return bench_of(
            ('kind = "dc" ', 'kind = "ac" '),
            ('{ voltage = "60 V", current = "10 A" }', '{ voltage = "300 V", current = "8 A" }'),
            ("\n[load]", f"{text}\n[load]"),
        )

    return made


@pytest.fixture
def profile(written: Written) -> Profile:
    return load_profile(written(SHUTTER + INSULATION + START))


class TestRules:
    def test_a_safety_test_loads(self, mistakes: Callable[..., list[str]]) -> None:
        """A check with tester, unit, limit and source is one."""
        assert mistakes() == []

    @pytest.mark.parametrize(
        ("old", "new", "problem"),
        [
            (
                ASKED_FOR,
                'measure = "meter.resistance"\n',
                (
                    "measure: the insulation resistance is read off a tester made for it "
                    "(IEC 61557), not by meter.resistance"
                ),
            ),
            (
                'tester = "insulation"\n',
                'accuracy = "5 %"\n',
                "tester: this key is missing: a safety test names its tester",
            ),
            (
                'source = "workshop rule 7"\n',
                "",
                "source: this key is missing: the limit of a safety test says where it comes from",
            ),
            ("low =", "high =", "low: this key is missing: it bounds the insulation resistance"),
            (
                'unit = "ohm"\nsafety_test = "insulation resistance"\nlow = "2 Mohm"',
                'unit = "A"\nsafety_test = "insulation resistance"\nlow = "2 A"',
                "unit: the insulation resistance is in ohm",
            ),
            (
                'safety_test = "insulation resistance"',
                'safety_test = "protective-conductor resistance"\nhigh = "3 Mohm"',
                (
                    "safety_test: class II has no protective conductor: there is no "
                    "protective-conductor resistance"
                ),
            ),
            (
                'low = "2 Mohm"\nsource = "workshop rule 7"',
                'limit = "touch current"',
                "limit: the limit 'touch current' is in A, the check in ohm",
            ),
            (
                (
                    'unit = "ohm"\nsafety_test = "insulation resistance"\n'
                    'low = "2 Mohm"\nsource = "workshop rule 7"'
                ),
                'safety_test = "insulation resistance"\nlimit = "touch current"',
                (
                    "limit: the limit 'touch current' does not bound the insulation resistance: "
                    "that takes a low in ohm"
                ),
            ),
        ],
    )
    def test_one_that_would_prove_nothing_is_told(
        self, mistakes: Callable[..., list[str]], old: str, new: str, problem: str
    ) -> None:
        """No ohmmeter, no unnamed tester, no wrong side, no limit from nowhere."""
        assert mistakes((old, new)) == [f"steps[0].checks[0].{problem}"]

    def test_only_what_a_person_reads_has_a_tester(
        self, mistakes: Callable[..., list[str]]
    ) -> None:
        """The bench file has the instruments of all other checks."""
        found = mistakes(
            (ASKED_FOR, 'measure = "meter.resistance"\ntester = "insulation"\n'),
            ('safety_test = "insulation resistance"\n', ""),
        )

        assert found == [
            "steps[0].checks[0].tester: meter.resistance asks nobody: leave this key out"
        ]


class TestTesters:
    def test_a_bench_file_has_them_by_name(self, bench: Callable[..., BenchFile]) -> None:
        """Each has what it is, its serial number, its accuracy and its date."""
        tester = bench().testers["insulation"]

        assert (tester.name, tester.serial) == ("insulation tester, 500 V", "HP-T3")
        assert tester.calibration_due == dt.date(2027, 5, 1)
        assert tester.accuracy == {"resistance": Accuracy(0.05, 50e3)}

    @pytest.mark.parametrize(
        ("old", "new", "problem"),
        [
            ('serial = "HP-T3"\n', "", "testers.insulation.serial: this key is missing"),
            ("resistance =", "ohms =", "there is no quantity 'ohms' here"),
            ("calibration_due = 2027-05-01", 'calibration_due = "soon"', "expected a date"),
        ],
    )
    def test_what_is_wrong_with_one_is_told(
        self, bench: Callable[..., BenchFile], old: str, new: str, problem: str
    ) -> None:
        """A tester without a serial number is none that a record could name."""
        with pytest.raises(FileError, match=problem):
            bench((old, new))

    def test_one_that_is_overdue_refuses_the_run(
        self, bench: Callable[..., BenchFile], profile: Profile
    ) -> None:
        """Its calibration counts as that of every instrument does (safety rule 1)."""
        overdue = bench(("2027-05-01", "2026-05-01"))

        found = preflight(make_plan(profile, overdue), today=TODAY)

        assert found.reasons == (
            (
                "Calibration of the tester 'insulation' has been overdue since 2026-05-01; have it "
                "calibrated, or say allow_overdue = true in the bench file."
            ),
        )

    def test_one_that_may_be_overdue_is_a_warning(
        self, bench: Callable[..., BenchFile], profile: Profile
    ) -> None:
        """Allowed, and said."""
        overdue = bench(("2027-05-01", "2026-05-01\nallow_overdue = true"))

        found = preflight(make_plan(profile, overdue), today=TODAY)

        assert found.reasons == ()
        assert (
            "Calibration of the tester 'insulation' has been overdue since 2026-05-01; the bench "
            "file allows it (allow_overdue)."
        ) in found.warnings

    def test_one_that_nobody_reads_refuses_nothing(
        self, bench: Callable[..., BenchFile], written: Written
    ) -> None:
        """What no check of the plan is read off may be overdue in its drawer."""
        plan = make_plan(
            load_profile(written(SHUTTER + START)), bench(("2027-05-01", "2026-05-01"))
        )

        assert preflight(plan, today=TODAY).reasons == ()


class TestSources:
    def of(self, written: Written, text: str) -> dict[str, str | None]:
        """Return the source of each check's limits."""
        plan = make_plan(load_profile(written(SHUTTER + text)))
        return {check.name: check.source for check in plan.checks}

    def test_a_check_says_where_its_limits_come_from(self, written: Written) -> None:
        """A source of its own stands."""
        assert self.of(written, INSULATION + START) == {"insulation": "workshop rule 7"}

    def test_a_table_says_it_for_its_limits(self, written: Written) -> None:
        """A limit by name has the source of its row, "from memory" included."""
        named = INSULATION.replace(
            'low = "2 Mohm"\nsource = "workshop rule 7"', 'limit = "insulation resistance"'
        )

        assert self.of(written, named + START) == {
            "insulation": "DIN VDE 0701-0702:2008, 500 V DC; that EN 50678 keeps it is from memory"
        }

    def test_the_profile_says_it_for_the_rest(self, written: Written) -> None:
        """`[limits] source` is that of every limit that says nothing else, implied ones too."""
        steps = (
            '[limits]\nsource = "nameplate"\n'
            + INSULATION
            + '[[steps.checks]]\nname = "fuse"\nmeasure = "meter.resistance"\nhigh = "2 ohm"\n'
            + '[[steps.checks]]\nname = "damage"\nmeasure = "operator.yes_no"\nask = "None?"\n'
            + START
            + '[[steps]]\nkind = "discharge"\nbelow = "5 V"\nwithin = "9 s"\n'
        )

        assert self.of(written, steps) == {
            "insulation": "workshop rule 7",
            "fuse": "nameplate",
            "damage": None,
            "output below 5 V": "nameplate",
        }

    @pytest.mark.parametrize(
        "steps",
        [
            INSULATION.replace('low = "2 Mohm"', 'limit = "insulation resistance"') + START,
            START + '[[steps]]\nkind = "discharge"\nlimit = "connector"\nsource = "x"\n',
        ],
    )
    def test_two_sources_of_one_limit_are_a_mistake(self, written: Written, steps: str) -> None:
        """Where a table gives the limit, it says where that comes from."""
        with pytest.raises(FileError, match="leave one of the two out"):
            load_profile(written(SHUTTER + steps))

    @pytest.mark.parametrize("name", SHIPPED)
    def test_every_limit_that_ships_states_its_source(self, name: str) -> None:
        """A shipped profile leaves no limit without a source."""
        checks = make_plan(load_profile(name)).checks

        assert checks
        assert [c.name for c in checks if not c.source and c.measure != "operator.yes_no"] == []
