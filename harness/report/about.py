"""Facts of a record in words, as the report's template shows them.

The facts may come from a record that a hand has changed: whatever is of the wrong kind leaves a
gap, never an error.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from typing import Any

from harness.profile.measures import READINGS
from harness.quantity import format_quantity
from harness.report.wording import time_text
from harness.unit.parts import shown_figure

#: How exact an instrument is: unit by quantity.
_UNITS = {name: unit for units in READINGS.values() for name, unit in units.items()}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _texts(value: object) -> list[str]:
    return [text for text in value if _text(text)] if isinstance(value, list) else []


def _tables(value: object) -> list[Mapping[str, Any]]:
    return [item for item in value if isinstance(item, Mapping)] if isinstance(value, list) else []


def _pairs(value: object) -> list[tuple[str, Any]]:
    return list(value.items()) if isinstance(value, Mapping) else []


def _number(value: object) -> float:
    """Return a number; not-a-number for what is none."""
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return math.nan


def _moment(value: object) -> str:
    return _text(value).replace("T", " ").replace("+00:00", "").removesuffix("Z") or "not known"


def _nameplate(unit: object) -> str:
    sides = dict(_pairs(unit))
    if not isinstance(sides.get("input"), Mapping):
        return "not given"
    texts = [f"in: {_rating(sides['input'])}"]
    for name, output in _pairs(sides.get("output")):
        if isinstance(output, Mapping):
            texts.append(f"{name}: {_rating(output)}")
    return "; ".join([*texts, f"class {sides.get('protection_class', '-')}"])


def _rating(side: Mapping[str, Any]) -> str:
    parts = [format_quantity(_number(side.get("nominal_v")), "V")]
    parts.append(str(side.get("kind", "")).upper())
    frequencies = side.get("frequency_hz")
    if isinstance(frequencies, list | tuple) and frequencies:
        parts.append("/".join(f"{_number(each):g}" for each in frequencies) + " Hz")
    parts.append(format_quantity(_number(side.get("current_a")), "A"))
    return " ".join(parts)


def _exactness(instrument: object) -> str:
    """Say accuracy, resolution and leads, as the bench file has them."""
    told = dict(_pairs(instrument))
    parts = [
        f"{_plain(name)} {_accuracy(accuracy, _unit(name))}"
        for name, accuracy in _pairs(told.get("accuracy"))
        if isinstance(accuracy, Mapping)
    ]
    for name, digit in _pairs(told.get("resolution")):
        parts.append(f"{_plain(name)} in steps of {format_quantity(_number(digit), _unit(name))}")
    leads_ohm = _number(told.get("lead_resistance_ohm"))
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
    return _UNITS.get(name, "1")


def _figure(value: object, unit: object) -> str:
    number = _number(value)
    return shown_figure(number, _text(unit)) if math.isfinite(number) else "-"


def _against(value: object, stress: Mapping[str, Any]) -> str:
    """Show a stress, and how many times the rating that is."""
    text = _figure(value, stress.get("unit"))
    rating, ratio = _number(stress.get("rating")), math.nan
    if rating > 0:
        ratio = _number(value) / rating
    if math.isnan(ratio):
        return text
    return f"{text} ({ratio:.2g}×)" if ratio < 100 else f"{text} (over 100×)"


#: Filters of the report's template, by name.
FILTERS: Mapping[str, Callable[..., Any]] = {
    "against": _against,
    "exactness": _exactness,
    "figure": _figure,
    "moment": _moment,
    "nameplate": _nameplate,
    "pairs": _pairs,
    "spaced": lambda value: _text(value).replace("-", " "),
    "tables": _tables,
    "texts": _texts,
    "time_text": lambda value: time_text(_number(value)),
}
