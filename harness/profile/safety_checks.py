"""Checks that a person makes with a tester, safety tests after repair among them."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.instruments import Tester
from harness.unit.nameplate import Unit
from harness.unit.safety_tests import BOUNDS, has_protective_conductor, missing_tests, needed_tests


def safety_test_rules(path: KeyPath, check: Check, unit: Unit | None) -> Iterator[ConfigError]:
    """Hold a check that is a safety test against what such a test must be.

    It is read off a tester made for it: a bench ohmmeter has neither the 500 V DC of an insulation
    test nor the 0.2 A of one of a protective conductor.

    Source: IEC 61557-2 (insulation) and IEC 61557-4 (protective conductor), from memory.
    """
    test = check.safety_test
    if test is None:
        return
    if check.measure != "operator.value":
        yield ConfigError(
            (*path, "measure"),
            f"the {test} is read off a tester made for it (IEC 61557), not by {check.measure}",
            '"operator.value"',
        )
        return
    if check.tester is None:
        yield ConfigError(
            (*path, "tester"), "this key is missing: a safety test names its tester", '"insulation"'
        )
    if test.startswith("protective-conductor") and unit and not has_protective_conductor(unit):
        yield ConfigError(
            (*path, "safety_test"),
            f"class {unit.protection_class} has no protective conductor: there is no {test}",
        )
    if check.limit is not None:  # the table says the rest
        return
    bound = BOUNDS[test]
    if check.value_unit is not None and check.unit != bound.unit:
        yield ConfigError((*path, "unit"), f"the {test} is in {bound.unit}", f'"{bound.unit}"')
    if getattr(check, bound.side) is None:
        yield ConfigError((*path, bound.side), f"this key is missing: it bounds the {test}")
    if check.source is None:
        yield ConfigError(
            (*path, "source"),
            "this key is missing: the limit of a safety test says where it comes from",
            '"works rule 7, 2026"',
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class SafetyTests:
    """The safety tests after repair of one plan: what a release needs, and where it is."""

    needed: tuple[str, ...]  # each in words; empty where the unit is fed with extra-low voltage
    missing: tuple[str, ...]  # those of them that no check of the plan makes
    checks: tuple[str, ...]  # the checks that are safety tests, by name
    #: What names the record that holds the tests; empty: nothing does; None: nobody was asked, as
    #: for a rehearsal, and they count as made.
    reference: str | None

    @property
    def open_point(self) -> str:
        """Why a release lacks them, in a sentence; empty where it lacks none."""
        if not self.missing or self.reference is None or self.reference:
            return ""
        return (
            f"Safety tests after repair are missing: {', '.join(self.missing)}. Make them checks "
            "of the profile (safety_test), or name the record that holds them (--safety-record)."
        )

    @property
    def note(self) -> str:
        """What the reader of a plan must know of them beside an open point; empty where nothing."""
        if self.reference:
            return f"Safety tests after repair: the record {self.reference!r} is said to hold them."
        if self.missing and self.reference is None:
            return (
                f"Safety tests after repair are taken as made: {', '.join(self.missing)}. A real "
                "run needs them as checks (safety_test), or the record that holds them "
                "(--safety-record): else it releases nothing."
            )
        return ""


def safety_tests(unit: Unit, checks: Iterable[Check], reference: str | None) -> SafetyTests:
    """Return which safety tests a unit needs, and which of these checks make them."""
    made = [check for check in checks if check.safety_test is not None]
    tests = [check.safety_test for check in made if check.safety_test is not None]
    return SafetyTests(
        needed=tuple(" or ".join(any_of) for any_of in needed_tests(unit)),
        missing=missing_tests(unit, tests),
        checks=tuple(check.name for check in made),
        reference=reference,
    )


def tester_problems(check: Check, bench: BenchFile) -> Iterator[str]:
    """Yield why what a person reads for a check proves nothing on a bench, in a few words.

    It is asked for all the same: a bring-up is no more dangerous for it. But nothing is released on
    a figure that cannot be traced to its tester, or that nobody knows the error of.
    """
    tester = bench.testers.get(check.tester or "")
    if check.tester is not None and tester is None:
        yield f"the bench file has no tester {check.tester!r}"
    elif check.measure == "operator.value" and check.accuracy is None:
        quantity = Tester.quantity_in(check.unit)
        if tester is None or quantity not in tester.accuracy:
            yield "nobody gives the accuracy of the tester"
