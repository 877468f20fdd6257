"""The instruments of a run, as its report names them; of records of earlier versions, too."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, NamedTuple

from harness.profile.bench_rules import ONE, SEVERAL
from harness.profile.measures import READINGS, role_of


class Row(NamedTuple):
    """One instrument."""

    role: str  # in words, with its name where there are several
    identity: object
    table: Mapping[str, Any]  # as the bench file has it
    due: object
    reads: bool  # whether its exactness and calibration matter


def instrument_rows(facts: Mapping[str, Any]) -> Iterator[Row]:
    """Yield every instrument of a bench that is named, or said what it is."""
    identities, calibration = (_table(facts.get(key)) for key in ("identities", "calibration"))
    named = dict(_named(_table(facts.get("bench"))))
    for key in dict.fromkeys((*named, *identities)):
        reads = bool(READINGS.get(role_of(key)))
        relay = role_of(key) in ("switch", "enable_switch")
        told = identities.get(key) or ("" if relay else "did not say")
        role = key.replace("_", " ")
        yield Row(role, told, named.get(key, {}), calibration.get(key), reads)


def _named(bench: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    for role in ONE:
        if _table(bench.get(role)):
            yield role, _table(bench.get(role))
    for tables, role in SEVERAL.items():
        for name, table in _table(bench.get(tables)).items():
            yield f"{role} {name}", _table(table)


def _table(value: object) -> Mapping[str, Any]:
    return value if isinstance(value, Mapping) else {}
