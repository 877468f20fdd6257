"""The bench of a record as a simulated one: each instrument that was there, as exact as it was."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.profile.accuracy import Accuracy, Band
from harness.profile.bench_file import BenchFile
from harness.profile.bench_rules import ONE, SEVERAL
from harness.profile.hand_set import Given, HandSet, SeriesLamp
from harness.profile.instruments import (
    EnableSwitch,
    Instrument,
    LoadInstrument,
    Meter,
    PowerMeter,
    Switch,
)
from harness.profile.schema import Profile
from harness.rehearse.bench_of_rails import bench_that_fits

#: What may stand on a bench that the shipped simulated one lacks, and what it is there.
_FURTHER: Mapping[str, tuple[type[Instrument], Mapping[str, str]]] = {
    "meter": (Meter, {"dialect": "scpi-meter"}),
    "load": (LoadInstrument, {"dialect": "scpi-load"}),
    "power_meter": (PowerMeter, {"dialect": "scpi-power-meter", "averaging_window": "50 ms"}),
    "switch": (Switch, {"dialect": "scpi-switch"}),
    "enable_switch": (EnableSwitch, {"dialect": "scpi-switch"}),
}
#: Where they are: behind those that the simulated bench has at most.
_ADDRESS, _FIRST_PORT = "TCPIP0::127.0.0.1::{}::SOCKET", 5061
#: What of them is as the record says, where it says anything.
_KEPT = ("at", "wired_for", "lead_resistance_ohm", "averaging_window_s")


def bench_like(told: Mapping[str, Any], profile: Profile) -> BenchFile:
    """Return a simulated bench with the instruments of a record.

    Args:
        told: The bench as ``run.json`` has it; empty: the shipped one that fits the profile.
        profile: Whose steps use it.
    """
    shipped = bench_that_fits(profile)
    instruments = dict(_instruments(told))
    by_hand = _by_hand(told)
    if by_hand is None and "supply" not in instruments:
        return shipped
    known = shipped.instruments
    bench = shipped.only(*(key for key in known if key in instruments))
    update: dict[str, Any] = {} if by_hand is None else {"supply": by_hand}
    several: dict[str, dict[str, Instrument]] = {tables: {} for tables in SEVERAL}
    for number, (key, table) in enumerate(instruments.items()):
        role, _, name = key.partition(" ")
        own = known.get(key) or _further(role, table, _ADDRESS.format(_FIRST_PORT + number))
        if own is None:
            continue
        accuracy = {name: _accuracy(one) for name, one in table.get("accuracy", {}).items()}
        own = own.model_copy(update={"accuracy": accuracy})
        if name:
            several[f"{role}s"][name] = own
        else:
            update[role] = own
    return bench.model_copy(update={**update, **several})


def _instruments(told: Mapping[str, Any]) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield what a link leads to, by its key in :attr:`BenchFile.instruments`."""
    for role in ONE:
        table = told.get(role)
        if table and "resource" in table:
            yield role, table
    for tables, role in SEVERAL.items():
        for name, table in (told.get(tables) or {}).items():
            yield f"{role} {name}", table


def _further(role: str, table: Mapping[str, Any], resource: str) -> Instrument | None:
    """Return what the shipped bench lacks; None where nothing can stand for it."""
    if role not in _FURTHER:
        return None
    kind, simulated = _FURTHER[role]
    own = kind.model_validate({"resource": resource, **simulated})
    said = {key: table[key] for key in _KEPT if table.get(key) is not None}
    return own.model_copy(update={key: said[key] for key in said if key in kind.model_fields})


def _accuracy(told: Mapping[str, Any]) -> Accuracy:
    band, wider = told.get("band"), told.get("wider")
    return Accuracy(
        reading_frac=float(told["reading_frac"]),
        fixed=float(told["fixed"]),
        up_to=told.get("up_to"),
        wider=None if wider is None else _accuracy(wider),
        band=None if band is None else Band(band["low_hz"], band["high_hz"]),
    )


def _by_hand(told: Mapping[str, Any]) -> HandSet | None:
    """Return the source that a hand set; None where the program set the supply."""
    supply = told.get("supply") or {}
    if "patience_s" not in supply:
        return None
    lamp = supply["lamp"]
    return HandSet.model_construct(
        **{
            **supply,
            "range": Given.model_construct(**supply["range"]),
            "lamp": None if lamp is None else SeriesLamp.model_construct(**lamp),
        }
    )
