"""What is named beside the first suspect: by sums of two units, and never as a claim."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import numpy as np
import pytest

from harness.api import rehearse_profile
from harness.qualify.unit_result import HEALTHY
from harness.record import load
from harness.suspects.answer import answered
from harness.suspects.beside import second_faults
from harness.suspects.case import Case, case_of
from harness.suspects.digest import REACHED
from harness.suspects.library import Library
from harness.suspects.measuring import Found
from harness.suspects.population import Member
from harness.suspects.ranking import Ranking, ranked
from tests.suspects.conftest import DC

PAIR = {"output-low", "leaky-bulk-capacitor"}


def _with_both(library: Library, others: list[Member]) -> Ranking:
    """Rank a run with a low output that also takes the current of a leaking capacitor.

    Of the leaking unit only what differs from healthy ones counts; neither unit is in the library.
    """
    low, leaky = (
        library.row(next(one for one in others if one.kind == kind).features)
        for kind in ("output-low", "leaky-bulk-capacitor")
    )
    both = low + np.where(np.isfinite(leaky), leaky - library.center, 0.0)
    there = np.isfinite(both)
    names = np.array(library.names)[there].tolist()
    return ranked(library, dict(zip(names, both[there].tolist(), strict=True)))


def _first(library: Library, name: str) -> Ranking:
    """Return a ranking in which a suspect stands first."""
    row = library.values[np.flatnonzero(library.suspects == name)[0]]
    ranking = ranked(library, dict(zip(library.names, row.tolist(), strict=True)))
    order = sorted(ranking.suspects, key=lambda one: one.name != name)
    return dataclasses.replace(ranking, suspects=tuple(order))


@pytest.fixture(scope="module")
def low(tmp_path_factory: pytest.TempPathFactory) -> Case:
    """A run that failed: the output is low."""
    return _case(tmp_path_factory.mktemp("low"), "output-low")


def _case(results: Path, fault: str | None) -> Case:
    result = rehearse_profile(DC, fault=fault, results=results)
    assert result.folder is not None
    return case_of(load(result.folder))


class TestSecondFaults:
    def test_what_the_first_leaves_over_points_at_the_second(
        self, library: Library, others: list[Member]
    ) -> None:
        """Of two faults whose effects add, one comes first and the other is named beside it."""
        ranking = _with_both(library, others)
        beside = second_faults(library, ranking)

        assert {ranking.suspects[0].name, beside[0].name} == PAIR
        assert len(beside) == 2

    @pytest.mark.parametrize("name", [HEALTHY, "open-fuse"])
    def test_nothing_is_named_beside_what_covers_all(self, library: Library, name: str) -> None:
        """Where nothing is wrong, or nothing behind the fault works, no reading tells of more."""
        assert second_faults(library, _first(library, name)) == ()

    def test_one_hold_tells_of_one_fault(self, library: Library) -> None:
        """A run that a short ended in its first hold points at nothing beside it."""
        short = _first(library, "shorted-input")
        reached = library.names.index(REACHED)
        assert short.row[reached] == 1.0
        further = short.row.copy()
        further[reached] = 2.0

        assert second_faults(library, short) == ()
        assert second_faults(library, dataclasses.replace(short, row=further))

    def test_where_no_other_fault_stands_out(
        self, library: Library, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Sums that all lie as far from the run as the others point at none of them."""
        monkeypatch.setattr("harness.suspects.beside._ALIKE_FRAC", 0.01)

        assert second_faults(library, _first(library, "output-low")) == ()

    def test_it_is_never_the_first_itself_nor_nothing(self, library: Library) -> None:
        """A second fault is another one, and one of the unit's."""
        names = {one.name for one in second_faults(library, _first(library, "output-low"))}

        assert not names & {HEALTHY, "output-low"}


class TestAnswer:
    def test_of_a_run_that_failed(self, low: Case, library: Library) -> None:
        """A failed run is told which second fault it points at, if there is one."""
        assert answered(low, library).beside

    def test_after_a_result_without_power(self, low: Case, library: Library) -> None:
        """What is read cold comes from both faults; what was told before no longer holds."""
        found = [Found.parse("resistance across input = 12 ohm")]

        assert answered(low, library, found).beside == ()

    def test_of_a_run_that_passed(self, tmp_path: Path, library: Library) -> None:
        """A remark names no second fault."""
        assert answered(_case(tmp_path, None), library).beside == ()
