from __future__ import annotations

from harness.report.instruments import instrument_rows

BENCH = {
    "name": "Dome workshop, bench 2",
    "supply": {"resource": "A"},
    "meter": None,
    "switch": {"resource": "B"},
    "power_meter": {"resource": "C"},
    "meters": {"standby": {"resource": "D", "at": "standby"}},
    "loads": {},
}


def test_every_instrument_of_the_bench_has_a_row() -> None:
    """Those of several by name, too, and what reads nothing is said to."""
    identities = {"supply": "PS-200", "switch": "", "power_meter": "PM-1", "meter standby": "DM-60"}
    rows = [*instrument_rows({"bench": BENCH, "identities": identities, "calibration": {}})]

    assert [(row.role, row.identity, row.reads) for row in rows] == [
        ("supply", "PS-200", True),
        ("power meter", "PM-1", True),
        ("switch", "", False),
        ("meter standby", "DM-60", True),
    ]


def test_one_that_did_not_say_what_it_is_is_named_all_the_same() -> None:
    """A run that was refused before anything answered has its bench, and no identities."""
    rows = [*instrument_rows({"bench": BENCH, "identities": None})]

    assert rows[0].identity == "did not say"


def test_of_a_record_that_was_tampered_with_nothing_is_made() -> None:
    """What is no table gives no row, and no error."""
    assert [*instrument_rows({"bench": "x", "identities": 3, "calibration": []})] == []
