"""Who, what, when, and with which instruments: the facts at the head of a report, in words.

The facts may come from a record that a hand has changed: whatever is of the wrong kind leaves a
gap, never an error.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from harness.quantity import format_quantity
from harness.report.wording import time_text

__all__ = ["about", "instruments", "subtable"]

#: How exact an instrument is: unit by quantity.
_UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "frequency": "Hz",
    "resistance": "ohm",
    "temperature": "degC",
}


def about(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what stands at the head: who, what, when, by which method."""
    profile, bench = subtable(facts, "profile"), subtable(facts, "bench")
    rows = [
        ("Unit", facts["title"] or "not given"),
        ("Serial number", facts["serial"] or "not given"),
        ("Nameplate", _nameplate(subtable(facts, "unit"))),
        ("Maker", subtable(facts, "unit_file").get("maker")),
        ("Workshop, bench", bench.get("name") or "not given"),
        ("Operator", facts["operator"] or "not given"),
        ("Started (UTC)", _moment(facts["started_utc"])),
        ("Duration", _duration(facts)),
        ("Method", f"profile {profile.get('source') or 'not given'}"),
        ("Output at the end", facts.get("output")),
        ("Off confirmed (UTC)", _confirmed(facts)),
        ("Run", facts["run_id"]),
    ]
    if facts["rehearsal"]:
        rows.append(("Simulated unit", subtable(facts, "unit_model").get("title")))
        rows.append(("Simulated fault", facts["fault"] or "none"))
    return [(name, str(text)) for name, text in rows if text is not None]


def _moment(told: object) -> str:
    if not told:
        return "not known"
    return str(told).replace("T", " ").replace("+00:00", "").removesuffix("Z")


def _confirmed(facts: Mapping[str, Any]) -> str | None:
    stamp = facts.get("off_confirmed_utc")
    return _moment(stamp) if stamp else None


def _duration(facts: Mapping[str, Any]) -> str:
    """Say how long the run took; of one that was cut short nobody knows."""
    return time_text(_number(facts["duration_s"])) if facts["started_utc"] else "not known"


def _nameplate(unit: Mapping[str, Any]) -> str:
    source = unit.get("input")
    if not isinstance(source, Mapping):
        return "not given"
    text = f"in: {_rating(source)}"
    for name, output in subtable(unit, "output").items():
        if isinstance(output, Mapping):
            text += f"; {name}: {_rating(output)}"
    return f"{text}; class {unit.get('protection_class', '-')}"


def _rating(side: Mapping[str, Any]) -> str:
    parts = [format_quantity(_number(side.get("nominal_v")), "V")]
    parts.append(str(side.get("kind", "")).upper())
    frequencies = side.get("frequency_hz")
    if isinstance(frequencies, list | tuple) and frequencies:
        parts.append("/".join(f"{_number(each):g}" for each in frequencies) + " Hz")
    parts.append(format_quantity(_number(side.get("current_a")), "A"))
    return " ".join(parts)


def instruments(facts: Mapping[str, Any]) -> list[tuple[str, str, str, str, str]]:
    """Return role, identity, resource, accuracy and calibration of each instrument."""
    bench, identities = subtable(facts, "bench"), subtable(facts, "identities")
    calibration = subtable(facts, "calibration")
    rows = []
    for role in ("supply", "meter", "load"):
        instrument = subtable(bench, role)
        if not instrument and role not in identities:
            continue
        rows.append(
            (
                role,
                identities.get(role) or "did not say",
                str(instrument.get("resource", "")),
                _exactness(instrument),
                calibration.get(role) or "no date given",
            )
        )
    return rows


def _exactness(instrument: Mapping[str, Any]) -> str:
    """Say accuracy, resolution and leads, as the bench file has them."""
    parts = []
    for name, accuracy in subtable(instrument, "accuracy").items():
        if isinstance(accuracy, Mapping):
            parts.append(f"{_plain(name)} {_accuracy(accuracy, _unit(name))}")
    for name, digit in subtable(instrument, "resolution").items():
        parts.append(f"{_plain(name)} in steps of {format_quantity(_number(digit), _unit(name))}")
    leads_ohm = _number(instrument.get("lead_resistance_ohm"))
    if not math.isnan(leads_ohm):
        parts.append(f"two-wire leads up to {format_quantity(leads_ohm, 'ohm')}")
    return "; ".join(parts) or "not given"


def _accuracy(accuracy: Mapping[str, Any], unit: str) -> str:
    """Say one accuracy, or that of every measuring range."""
    share, fixed = (_number(accuracy.get(key, 0.0)) for key in ("reading_frac", "fixed"))
    terms = [format_quantity(share, "%")] if share else []
    terms += [format_quantity(fixed, unit)] if fixed or not terms else []
    text = " + ".join(terms)
    top, wider = _number(accuracy.get("up_to")), accuracy.get("wider")
    if not math.isnan(top):
        text = f"{text} to {format_quantity(top, unit)}"
    return f"{text}, {_accuracy(wider, unit)}" if isinstance(wider, Mapping) else text


def _plain(name: str) -> str:
    return name.replace("_dc", " DC").replace("_ac", " AC").replace("_", " ")


def _unit(name: str) -> str:
    return _UNITS.get(name.partition("_")[0], "1")


def _number(value: object) -> float:
    """Return a number; not-a-number for what is none."""
    return float(value) if isinstance(value, int | float) else math.nan


def subtable(facts: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    """Return a table within the facts; empty where there is none."""
    value = facts.get(key)
    return value if isinstance(value, Mapping) else {}
