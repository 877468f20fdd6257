"""What a run did not see: where it ended early, and behind what does not work."""

from __future__ import annotations

import dataclasses
from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.record import load
from harness.suspects.answer import answered
from harness.suspects.case import Case, case_of
from harness.suspects.library import Library
from harness.suspects.told import of_answer
from tests.suspects.conftest import DC

OTHERS = "other faults may be there."


def _case(results: Path, fault: str | None) -> Case:
    result = rehearse_profile(DC, fault=fault, results=results)
    assert result.folder is not None
    return case_of(load(result.folder))


@pytest.mark.parametrize(
    ("fault", "begins"),
    [
        ("shorted-input", "The run ended in step 'start': what comes after that was not seen"),
        ("open-fuse", "With such a fault nothing behind it works"),
    ],
)
def test_it_is_said_that_there_may_be_more(
    tmp_path: Path, library: Library, fault: str, begins: str
) -> None:
    """A short ends the run; a unit that takes nothing shows nothing: either hides what it may."""
    told = of_answer(answered(_case(tmp_path, fault), library))

    assert told.hidden.startswith(begins)
    assert told.hidden.endswith(OTHERS)


@pytest.mark.parametrize("fault", ["output-low", None])
def test_a_run_that_saw_all_it_can_says_nothing(
    tmp_path: Path, library: Library, fault: str | None
) -> None:
    """A unit that works was looked at up to the last step."""
    assert answered(_case(tmp_path, fault), library).hidden == ""


def test_a_run_cut_before_its_first_step(tmp_path: Path, library: Library) -> None:
    """Without a step on record it is still said."""
    case = _case(tmp_path, "shorted-input")
    events = case.record.events[lambda rows: rows["kind"] != "step"]
    early = dataclasses.replace(case, record=dataclasses.replace(case.record, events=events))

    assert answered(early, library).hidden.startswith("The run ended early: ")
