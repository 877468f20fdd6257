"""An answer in words and as plain data, for screen and program alike."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from harness.quantity import format_quantity
from harness.suspects.answer import Answer, Told
from harness.suspects.cold import OPEN_OHM, YES, ColdMeasurement
from harness.suspects.evidence import Sign
from harness.suspects.kinds import kind_named
from harness.suspects.measuring import Proposal
from harness.suspects.ranking import Suspect


def headline(answer: Answer) -> str:
    """Return the answer in one sentence."""
    first = answer.ranking.suspects[0]
    if answer.ranking.is_unlike:
        return f"Unlike anything simulated; nearest to it: {first.words}."
    if answer.nothing_wrong:
        return "Nothing wrong is needed to explain this run."
    return f"Most likely: {first.words} ({percent(first.probability)})."


def percent(probability: float) -> str:
    """Return a probability as it is shown: never none, never all."""
    whole = round(100 * probability)
    if whole < 1:
        return "below 1 %"
    return "above 99 %" if whole > 99 else f"{whole} %"


def degree(suspect: Suspect) -> str:
    """Return how far a fault has gone, with its range; empty where it has no degrees."""
    found, severity = suspect.severity, suspect.kind.severity
    if found is None or severity is None:
        return ""
    value, low, high = (
        format_quantity(one, severity.unit, 2) for one in (found.value, found.low, found.high)
    )
    return f"{severity.what}: {value} (90 % of such units: {low} to {high})"


def sign_text(sign: Sign) -> str:
    """Return one figure of the run beside what other units read there."""
    told = [f"{sign.figure} {format_quantity(sign.value, sign.unit)}"]
    for words, span in (("such units", sign.such), ("healthy", sign.healthy)):
        if span is None:
            told.append(f"{words}: not there")
        else:
            low, high = (format_quantity(one, sign.unit) for one in span)
            told.append(f"{words} {low} to {high}")
    return "; ".join(told)


def proposal_lines(proposal: Proposal) -> Iterator[str]:
    """Yield what to measure next, and what each of the first suspects would read."""
    one = proposal.measurement
    yield f"{one.name}: {one.how} (about {one.minutes:g} min)"
    for name, low, high in proposal.expected:
        yield f"  {kind_named(name).words}: {_reading(one, low, high)}"


def _reading(measurement: ColdMeasurement, low: float, high: float) -> str:
    if not measurement.unit:
        ends = {"yes" if one == YES else "no" for one in (low, high)}
        return " or ".join(sorted(ends))
    texts = [_ohm_or_value(measurement.unit, one) for one in (low, high)]
    return texts[0] if texts[0] == texts[1] else " to ".join(texts)


def _ohm_or_value(unit: str, value: float) -> str:
    if unit == "ohm" and value >= 0.5 * OPEN_OHM:
        return "open"
    return format_quantity(value, unit, 2)


def short_lines(answer: Answer) -> list[str]:
    """Return the first three suspects in three lines, and the next measurement."""
    lines = [
        f"{percent(one.suspect.probability):>10}  {one.suspect.words}" for one in answer.told[:3]
    ]
    if answer.ranking.is_unlike:
        lines.insert(0, headline(answer))
    if answer.measure:
        one = answer.measure[0].measurement
        lines.append(f"measure next, discharged and cold: {one.name}")
    elif shown_by := answer.told[0].suspect.kind.shown_by:
        lines.append(f"prove it, discharged and cold: {shown_by}")
    return lines


def of_answer(answer: Answer) -> Mapping[str, Any]:
    """Return an answer as plain data, as ``--json`` prints it."""
    return {
        "run_id": answer.run_id,
        "headline": headline(answer),
        "unlike": answer.ranking.is_unlike,
        "likeness": answer.ranking.likeness,
        "differs": answer.differs,
        "nothing_wrong": answer.nothing_wrong,
        "units_each": answer.each,
        "suspects": [_of_told(one) for one in answer.told],
        "measure": [
            {
                "name": one.measurement.name,
                "how": one.measurement.how,
                "unit": one.measurement.unit,
                "bits": one.bits,
                "work_min": one.measurement.minutes,
                "danger": one.measurement.danger,
                "expected": [
                    {"suspect": name, "low": low, "high": high} for name, low, high in one.expected
                ],
            }
            for one in answer.measure
        ],
        "pushes": [
            {"check": one.check, "verdict": one.verdict, "by": one.words} for one in answer.pushes
        ],
        "unseen": answer.unseen,
        "cautions": answer.cautions,
    }


def _of_told(told: Told) -> Mapping[str, Any]:
    suspect, severity = told.suspect, told.suspect.severity
    unit = suspect.kind.severity.unit if suspect.kind.severity else ""
    return {
        "name": suspect.name,
        "words": suspect.words,
        "merged": [one.name for one in suspect.merged],
        "on_bench": suspect.kind.on_bench,
        "probability": suspect.probability,
        "severity": None
        if severity is None or suspect.kind.severity is None
        else {
            "what": suspect.kind.severity.what,
            "unit": unit,
            "value": severity.value,
            "low": severity.low,
            "high": severity.high,
        },
        "parts": told.parts,
        "shown_by": suspect.kind.shown_by,
        "supporting": [_of_sign(one) for one in told.signs.supporting],
        "against": [_of_sign(one) for one in told.signs.against],
    }


def _of_sign(sign: Sign) -> Mapping[str, Any]:
    spans = {"such": sign.such, "healthy": sign.healthy}
    return {
        "figure": sign.figure,
        "unit": sign.unit,
        "value": sign.value,
        **{
            key: None if span is None else {"low": span[0], "high": span[1]}
            for key, span in spans.items()
        },
    }
