"""Why the study counts a fault as not seen beside another one."""

from __future__ import annotations

import math

import pytest

from harness.suspects.digest import TRIP
from harness.suspects.library import Library
from harness.suspects.population import Member
from tests.suspects.study_pairs import Sight, sight

CUT = f"{TRIP}charge_budget"


def _unit(library: Library, **spreads: float) -> Member:
    """Return a run as healthy units read, but for its first figures, so many spreads off."""
    features = dict(zip(library.names, library.center.tolist(), strict=True))
    features.pop(CUT, None)
    for name, off in zip(("first", "second"), library.names, strict=False):
        features[off] += spreads.get(name, 0.0) * library.spread[library.names.index(off)]
    if "cut" in spreads:
        features[CUT] = 1.0
    return Member(kind="", severity=math.nan, passed=False, features=features, cold={})


@pytest.mark.parametrize(
    ("both", "other", "alone", "expected"),
    [
        ({"first": 5.0, "second": 5.0}, {"second": 5.0}, {"first": 5.0}, Sight.SEEN),
        ({"second": 5.0}, {"second": 5.0}, {"first": 5.0}, Sight.COVERED),
        ({"second": 5.0, "cut": 1.0}, {"second": 5.0, "cut": 1.0}, {"first": 5.0}, Sight.ENDED),
        ({"first": 1.0, "second": 5.0}, {"second": 5.0}, {"first": 1.0}, Sight.MILD),
        ({"second": 5.0, "cut": 1.0}, {"second": 5.0}, {"first": 1.0}, Sight.SEEN),
    ],
    ids=["seen", "covered", "ended", "mild", "it cut the power"],
)
def test_a_fault_is_seen_if_the_run_changes_with_it(
    library: Library,
    both: dict[str, float],
    other: dict[str, float],
    alone: dict[str, float],
    expected: Sight,
) -> None:
    """Five spreads of healthy units are seen, one is not, a trip always is."""
    units = (_unit(library, **each) for each in (both, other, alone, {}))

    assert sight(library, *units) is expected
