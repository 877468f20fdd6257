"""What ``run.json`` is made of: plain values, whatever they come as."""

from __future__ import annotations

import datetime as dt
import math
from dataclasses import dataclass
from pathlib import Path

import pytest

from harness.judge.verdict import Verdict
from harness.record.run_summary import NEEDED, plain, unfinished_facts

CET = dt.timezone(dt.timedelta(hours=1))


@dataclass(frozen=True)
class Figure:
    value_v: float
    verdict: Verdict


@pytest.mark.parametrize(
    ("value", "told"),
    [
        (None, None),
        (True, True),
        (3, 3),
        (1.5, 1.5),
        (math.nan, None),
        (math.inf, "inf"),
        (-math.inf, "-inf"),
        (Verdict.PASS, "pass"),
        (dt.datetime(2026, 11, 25, 9, 0, tzinfo=CET), "2026-11-25T08:00:00Z"),
        (dt.date(2026, 11, 25), "2026-11-25"),
        (dt.time(9, 30), "09:30:00"),
        (Path("a") / "b.toml", "a/b.toml"),
        ({1: (Verdict.FAIL, 2.0)}, {"1": ["fail", 2.0]}),
        (frozenset({4}), [4]),
        (Figure(math.nan, Verdict.UNDECIDED), {"value_v": None, "verdict": "undecided"}),
        (Figure, str(Figure)),
    ],
)
def test_each_value_has_one_form_in_json(value: object, told: object) -> None:
    """Numbers stay numbers, moments are in UTC, what JSON does not know is null or text."""
    found = plain(value)

    assert found == told
    assert type(found) is type(told)


def test_a_run_whose_end_is_not_known_is_no_pass() -> None:
    """Every key is there; outcome, verdict and release say that nothing was proved."""
    facts = unfinished_facts("run 1", "HRW-0007", "the record ends here")
    told = {
        "run_id": "run 1",
        "serial": "HRW-0007",
        "title": "",
        "duration_s": 0.0,
        "rehearsal": False,
        "purpose": "release",
        "outcome": "interrupted",
        "verdict": "undecided",
        "released": False,
        "reason": "the record ends here",
    }

    assert {key: facts[key] for key in told} == told
    assert set(facts) == set(NEEDED)
