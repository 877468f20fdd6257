from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.unit.assess import assess
from harness.unit.unit_file import UnitFile

UnitOf = Callable[[dict[str, Any]], UnitFile]


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"kind": "ac", "voltage": "230 V"}, ["120 V AC printed at the plug", "cut-out"]),
        ({"kind": "ac", "voltage": "60 V"}, ["120 V AC printed at the plug", "under-voltage"]),
        ({"kind": "dc", "voltage": "48 V"}, ["DC and AC never on the same kind of connector"]),
        ({"kind": "surge", "voltage": "2 kV"}, ["Surge-protective devices"]),
        (
            {"kind": "dc", "voltage": "48 V", "polarity_reversed": True},
            ["goes in one way only", "diode in series", "DC and AC never"],
        ),
        ({"kind": "ac", "voltage": "120 V"}, []),
    ],
    ids=lambda each: str(each.get("kind", "")) if isinstance(each, dict) else "",
)
def test_what_would_have_prevented_it(
    ac_unit: UnitOf, event: dict[str, Any], words: list[str]
) -> None:
    """Each kind of event has its own remedy, and one within the nameplate has none."""
    # Source: common practice.
    said = " ".join(assess(ac_unit({"event": event})).prevention)

    assert all(each in said for each in words)
    assert bool(said) == bool(words)
