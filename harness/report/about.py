"""Facts of a record in words: the filters of the report's template.

The facts may come from a record that a hand has changed: whatever is of the wrong kind leaves a
gap, never an error.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Mapping
from typing import Any, NamedTuple

from markupsafe import Markup

from harness.judge.uncertainty import Uncertainty, combine
from harness.judge.verdict import probability_of_conformity
from harness.profile.measures import READINGS, TESTER_READINGS
from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.sink import CheckRow
from harness.report.instruments import instrument_rows
from harness.report.limit_gauge import draw_limit_gauge, finite_limits
from harness.report.wording import found_text, time_text, wanted_text
from harness.unit.part_ratings import shown_figure

#: How exact an instrument is: unit by quantity.
_UNITS = {
    name: unit for units in (TESTER_READINGS, *READINGS.values()) for name, unit in units.items()
}


def _text(value: object) -> str:
    return value if isinstance(value, str) else ""


def _items(value: object, kind: type) -> list[Any]:
    items = value if isinstance(value, list) else []
    return [item for item in items if item and isinstance(item, kind)]


def _pairs(value: object) -> list[tuple[str, Any]]:
    return list(value.items()) if isinstance(value, Mapping) else []


def _number(value: object) -> float:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return float(value)
    return math.nan


def _moment(value: object) -> str:
    return _text(value).replace("T", " ").replace("+00:00", "").removesuffix("Z") or "not known"


def _nameplate(unit: object) -> str:
    sides = dict(_pairs(unit))
    if not isinstance(sides.get("input"), Mapping):
        return "not given"
    named = [("in", sides["input"]), *_pairs(sides.get("output"))]
    texts = [f"{name}: {rating(side)}" for name, side in named if isinstance(side, Mapping)]
    return "; ".join([*texts, f"class {sides.get('protection_class', '-')}"])


#: Ends of a nominal voltage where it is a range; an output, or an older record, has the one alone.
_ENDS = ("low_nominal_v", "nominal_v")
#: Kinds of current, which are written large; another kind is a word.
_CURRENTS = {"ac": "AC", "dc": "DC"}


def rating(side: Mapping[str, Any]) -> str:
    """Return what the nameplate says of an input or an output, in words."""
    ends = side.get("range_v") or [side.get(end, side.get("nominal_v")) for end in _ENDS]
    ends_v = sorted({_number(end) for end in ends})
    parts = [" to ".join(format_quantity(end_v, "V") for end_v in ends_v)]
    kind = str(side.get("kind", ""))
    parts.append(_CURRENTS.get(kind, kind))
    frequencies = side.get("frequency_hz")
    if isinstance(frequencies, list | tuple) and frequencies:
        parts.append("/".join(f"{_number(each):g}" for each in frequencies) + " Hz")
    parts.append(format_quantity(_number(side.get("current_a")), "A"))
    return " ".join(parts)


def _exactness(instrument: object) -> str:
    told = dict(_pairs(instrument))
    parts = [
        f"{_plain(name)} {_accuracy(accuracy, _UNITS.get(name, '1'))}"
        for name, accuracy in _pairs(told.get("accuracy"))
        if isinstance(accuracy, Mapping)
    ]
    for name, digit in _pairs(told.get("resolution")):
        step = format_quantity(_number(digit), _UNITS.get(name, "1"))
        parts.append(f"{_plain(name)} in steps of {step}")
    leads_ohm = _number(told.get("lead_resistance_ohm"))
    if leads_ohm > 0:
        # those of a power meter, which has a range of volts, are in the feed
        which = (
            "leads to it" if "voltage_v" in dict(_pairs(told.get("range"))) else "two-wire leads"
        )
        parts.append(f"{which} up to {format_quantity(leads_ohm, 'ohm')}")
    return "; ".join(parts) or "not given"


def _plain(name: str) -> str:
    return name.replace("_dc", " DC").replace("_ac", " AC").replace("_", " ")


def _accuracy(accuracy: Mapping[str, Any], unit: str) -> str:
    share, fixed = (_number(accuracy.get(key, 0.0)) for key in ("reading_frac", "fixed"))
    terms = [format_quantity(share, "%")] if share else []
    terms += [format_quantity(fixed, unit)] if fixed or not terms else []
    text = " + ".join(terms)
    band = accuracy.get("band")
    if isinstance(band, Mapping):
        edges = [format_quantity(_number(band.get(key)), "Hz") for key in ("low_hz", "high_hz")]
        text = f"{text} ({' to '.join(edges)})"
    top, wider = _number(accuracy.get("up_to")), accuracy.get("wider")
    if not math.isnan(top):
        text = f"{text} up to {format_quantity(top, unit)}"
    return f"{text}, {_accuracy(wider, unit)}" if isinstance(wider, Mapping) else text


def _figure(value: object, unit: object) -> str:
    number = _number(value)
    return shown_figure(number, _text(unit)) if math.isfinite(number) else "-"


def _against(value: object, stress: Mapping[str, Any]) -> str:
    text = _figure(value, stress.get("unit"))
    rating = _number(stress.get("rating"))
    ratio = _number(value) / rating if rating > 0 else math.nan
    if math.isnan(ratio):
        return text
    return f"{text} ({ratio:.2g}×)" if ratio < 100 else f"{text} (over 100×)"


def _css(text: object) -> Markup:
    """Return text for a string in a style sheet, whatever is in it."""
    # Every other character by its number, which no style sheet can take for the string's end.
    told = re.sub(r"[^\w .,:/-]", lambda odd: f"\\{ord(odd[0]):x} ", printable(str(text)))
    return Markup(told)  # noqa: S704 - nothing is left in it that could end the string


def _dof(dof: float) -> str:
    if math.isinf(dof):
        return "∞"
    return "> 1000" if dof > 1000 else f"{dof:.3g}"


def _of_variance(part: float, total: float) -> str:
    if not 0 < total < math.inf:
        return "-"
    percent = 100 * part / total
    return f"{percent:.0f} %" if percent >= 0.5 else "< 0.5 %" if percent > 0 else "0"


class Conformity(NamedTuple):
    """The figures behind one verdict."""

    combined: Uncertainty
    probability: float  #: that the true value lies within the limits
    false_accept: float  #: risk of a wrong acceptance; not-a-number unless the check passed
    false_reject: float  #: risk of a wrong rejection; not-a-number unless it failed


def conformity(row: CheckRow) -> Conformity | None:
    """Work the figures out from a check and its budget.

    None where there is no budget, no limit or no finite value.

    Source: JCGM 100:2008, 5.1.2 and G.4.1; JCGM 106:2012, clause 7 and 9.3.2 (specific risks),
        clause numbers from memory.
    """
    low, high = finite_limits(row)
    if not row.budget or not math.isfinite(row.value) or (low is None and high is None):
        return None
    if low is not None and high is not None and low > high:
        return None  # no such check is judged; a damaged record can say anything
    combined = combine(row.budget)
    within = probability_of_conformity(
        row.value, low=low, high=high, standard_uncertainty=combined.standard, dof=combined.dof
    )
    return Conformity(
        combined,
        within,
        false_accept=1.0 - within if row.verdict == "pass" else math.nan,
        false_reject=within if row.verdict == "fail" else math.nan,
    )


def share_text(share: float) -> str:
    """Show a probability in per cent, never as a certainty."""
    if math.isnan(share):
        return "not known"
    if share < 1e-4:
        return "< 0.01 %"
    if share > 1 - 1e-4:
        return "> 99.99 %"
    percent = 100 * share
    return f"{percent:.2f} %" if percent < 1 or percent > 99 else f"{percent:.1f} %"


#: Filters of the report's template, by name.
FILTERS: Mapping[str, Callable[..., Any]] = {
    "against": _against,
    "conformity": conformity,
    "css": _css,
    "dof": _dof,
    "exactness": _exactness,
    "figure": _figure,
    "drawing": lambda plot: Markup(plot.svg),  # noqa: S704 - it escapes its text
    "found": found_text,
    "gauge": lambda row: Markup(draw_limit_gauge(row)),  # noqa: S704 - it escapes its text
    "hours": lambda time_s: f"{_number(time_s) / 3600:.3g} h",
    "instruments": instrument_rows,
    "moment": _moment,
    "nameplate": _nameplate,
    "of_variance": _of_variance,
    "pairs": _pairs,
    "quantity": format_quantity,
    "share": share_text,
    "spaced": lambda value: _text(value).replace("-", " "),
    "tables": lambda value: _items(value, Mapping),
    "texts": lambda value: _items(value, str),
    "time_text": lambda value: time_text(_number(value)),
    "wanted": wanted_text,
}
