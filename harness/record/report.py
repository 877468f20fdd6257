"""The report of a run: one HTML page that needs nothing else, for the screen and for paper."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from functools import cache
from importlib import resources
from typing import TYPE_CHECKING, Any

from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.outline import Outline
from harness.record.plot import Panel, draw
from harness.record.sink import CheckRow
from harness.record.wording import headline, limits_text, rules_in_words, time_text, value_text

if TYPE_CHECKING:
    import jinja2

__all__ = ["report_html"]

#: Title, unit and envelope bound of each trace, by source and quantity.
_PANELS = {
    ("supply", "voltage"): ("Supply voltage", "V", "voltage_v"),
    ("supply", "current"): ("Supply current", "A", "current_a"),
    ("meter", "voltage_dc"): ("Meter, DC voltage", "V", ""),
}

#: How exact an instrument is: unit by quantity.
_UNITS = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "frequency": "Hz",
    "resistance": "ohm",
    "temperature": "degC",
}


def report_html(
    facts: Mapping[str, Any],
    checks: Iterable[CheckRow],
    outline: Outline,
    files: Mapping[str, str],
) -> bytes:
    """Return the report as UTF-8 HTML; all text from outside is escaped.

    Args:
        facts: What ``run.json`` will say.
        checks: Every judged check.
        outline: What happened, thinned.
        files: SHA-256 (hex) of the other files of the record, by name.
    """
    rows = list(checks)
    word, beneath = headline(facts)
    first, left_out, last = outline.events
    page = _template().render(
        facts=facts,
        word=word,
        beneath=beneath,
        mark=_mark(facts),
        about=_about(facts),
        checks=[(row, *_figures(row)) for row in rows],
        plot=_plot(facts, outline),
        instruments=_instruments(facts),
        events=(first, left_out, last),
        rules=rules_in_words(row.rule for row in rows),
        files=files,
        profile_sha256=_table(facts, "profile").get("sha256") or "not given",
        versions=_table(facts, "versions"),
        time_text=time_text,
    )
    return page.encode()


@cache
def _template() -> jinja2.Template:
    import jinja2
    from markupsafe import Markup

    def shown(value: object) -> object:
        """Nothing that does not print hides in the page, or turns its text around."""
        if isinstance(value, str) and not isinstance(value, Markup):
            return printable(value)
        return value

    environment = jinja2.Environment(
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        finalize=shown,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    text = resources.files(__package__).joinpath("report.html.j2").read_text(encoding="utf-8")
    return environment.from_string(text)


def _mark(facts: Mapping[str, Any]) -> str:
    """Return the style of the headline."""
    if facts["released"]:
        return "pass"
    undecided = facts["outcome"] == "completed" and facts["verdict"] == "undecided"
    return "undecided" if undecided else "fail"


def _about(facts: Mapping[str, Any]) -> list[tuple[str, str]]:
    """Return what stands at the head: who, what, when."""
    profile, bench = _table(facts, "profile"), _table(facts, "bench")
    rows = [
        ("Unit", facts["title"]),
        ("Serial number", facts["serial"]),
        ("Nameplate", _nameplate(_table(facts, "unit"))),
        ("Started (UTC)", str(facts["started_utc"]).replace("T", " ").replace("+00:00", "")),
        ("Duration", time_text(float(facts["duration_s"]))),
        ("Operator", facts["operator"] or "not given"),
        ("Bench", bench.get("name") or "not given"),
        ("Profile", profile.get("source") or "not given"),
        ("Run", facts["run_id"]),
    ]
    if facts["rehearsal"]:
        rows.append(("Simulated fault", facts["fault"] or "none"))
    return [(name, str(text).rstrip("Z")) for name, text in rows]


def _nameplate(unit: Mapping[str, Any]) -> str:
    source = unit.get("input")
    if not isinstance(source, Mapping):
        return "not given"
    text = f"in: {_rating(source)}"
    for name, output in _table(unit, "output").items():
        text += f"; {name}: {_rating(output)}"
    return f"{text}; class {unit.get('protection_class', '-')}"


def _rating(side: Mapping[str, Any]) -> str:
    parts = [format_quantity(float(side.get("nominal_v") or "nan"), "V")]
    parts.append(str(side.get("kind", "")).upper())
    if side.get("frequency_hz"):
        parts.append("/".join(f"{frequency:g}" for frequency in side["frequency_hz"]) + " Hz")
    parts.append(format_quantity(float(side.get("current_a") or "nan"), "A"))
    return " ".join(parts)


def _figures(row: CheckRow) -> tuple[str, str, str]:
    return (
        value_text(row.value, row.uncertainty, row.unit),
        limits_text(row.low, row.high, row.unit),
        format_quantity(row.margin, row.unit, 3),
    )


def _plot(facts: Mapping[str, Any], outline: Outline) -> Any:
    from markupsafe import Markup

    envelope = _table(facts, "envelope")
    panels = [
        Panel(
            title=_PANELS[key][0],
            unit=_PANELS[key][1],
            trace=trace,
            limit=envelope.get(_PANELS[key][2]),
            style=f"trace-{key[0]}-{key[1]}",
        )
        for key, trace in outline.traces.items()
    ]
    if not panels:
        return None
    trip = outline.trip
    drawing = draw(panels, outline.bands, None if trip is None else trip.time_s)
    return Markup(drawing)  # noqa: S704 - the drawing escapes its own text


def _instruments(facts: Mapping[str, Any]) -> list[tuple[str, str, str, str, str]]:
    """Return role, identity, resource, accuracy and calibration of each instrument."""
    bench, identities = _table(facts, "bench"), _table(facts, "identities")
    calibration = _table(facts, "calibration")
    rows = []
    for role in ("supply", "meter", "load"):
        table = _table(bench, role)
        if not table and role not in identities:
            continue
        rows.append(
            (
                role,
                identities.get(role) or "did not say",
                str(table.get("resource", "")),
                _accuracy(table),
                calibration.get(role) or "no date given",
            )
        )
    return rows


def _accuracy(table: Mapping[str, Any]) -> str:
    parts = []
    for name, accuracy in _table(table, "accuracy").items():
        unit = _UNITS.get(name.split("_")[0], "1")
        share = format_quantity(float(accuracy.get("reading_frac", 0)), "%")
        fixed = format_quantity(float(accuracy.get("fixed", 0)), unit)
        parts.append(f"{name.replace('_', ' ')} {share} + {fixed}")
    return "; ".join(parts) or "not given"


def _table(facts: Mapping[str, Any], key: str) -> Mapping[str, Any]:
    value = facts.get(key)
    return value if isinstance(value, Mapping) else {}
