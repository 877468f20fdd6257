"""How figures and verdicts of a record are put into words, on paper and on the screen alike."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Iterable, Mapping
from typing import Any

from harness.errors import CUT_MAINS
from harness.quantity import format_limits, format_quantity, scale_of
from harness.record.run_summary import open_words

#: The quantity of a question to the operator: 1 stands for yes, 0 for no.
YES_NO = "operator.yes_no"

#: An uncertainty below this is none that can be shown: half of the smallest prefix, pico.
_TRIFLE = 0.5e-12

#: What a record says of an output that may still be on, under ``output``.
UNCONFIRMED = "may still be on"

_JUDGED = {
    "fail": "the run was completed and at least one check failed",
    "undecided": "the run was completed, but not every check could be decided",
}
_SIMULATED = "on simulated instruments; no unit was tested"
_ENDED = {
    "tripped": "power was cut",
    "interrupted": "the run was interrupted",
    "refused": "nothing was energised",
}


def found_text(quantity: str, value: float, uncertainty: float, unit: str) -> str:
    """Show what a check found: a value with its uncertainty, or an answer."""
    if quantity != YES_NO:
        return value_text(value, uncertainty, unit)
    if math.isnan(value):
        return "no answer"
    return "yes" if value >= 0.5 else "no"


def wanted_text(quantity: str, low: float | None, high: float | None, unit: str) -> str:
    """Show what a check asks for: limits, or an answer."""
    if quantity != YES_NO:
        return format_limits(low, high, unit)
    return "no expected" if high is not None and high < 0.5 else "yes expected"


def limit_sources(run: Mapping[str, Any]) -> dict[tuple[str, str], str]:
    """Return the stated sources of the limits, by step and check."""
    listed = run.get("limit_sources")
    rows = [row for row in listed if isinstance(row, Mapping)] if isinstance(listed, list) else []
    return {
        (str(row.get("step")), str(row.get("check"))): str(row.get("source"))
        for row in rows
        if row.get("source")
    }


def source_lines(checks: Iterable[tuple[str, str]]) -> list[str]:
    """Say which limits come from where, given each check's name with its source, or none.

    The source of the most checks comes last, for all others. A check that was judged at several
    levels, by a name with each, is named once.
    """
    grouped: dict[str, dict[str, list[str]]] = {}
    for name, source in checks:
        same = grouped.setdefault(source or "not stated", {})
        same.setdefault(name.rpartition(" at ")[0] or name, []).append(name)
    *fewer, (most, _) = sorted(grouped.items(), key=lambda group: len(group[1])) or [("", {})]
    lines = [f"{_named(same)}: {source}" for source, same in fewer]
    return [*lines, f"{'all others' if lines else 'all'}: {most}"] if most else []


def _named(same: Mapping[str, list[str]]) -> str:
    return ", ".join(one if len(names) > 1 else names[0] for one, names in same.items())


def safety_text(run: Mapping[str, Any], *, short: bool = False) -> str:
    """Say where the safety tests after repair are; empty where a unit needs none, and has none.

    ``short`` is for a label.
    """
    told = run.get("safety_tests")
    told = told if isinstance(told, Mapping) else {}
    made, missing = (_listed(told.get(key)) for key in ("checks", "missing"))
    reference = told.get("reference")
    parts = []
    if made:
        parts.append("this record" if short else f"checks of this record: {made}")
    if reference and isinstance(reference, str):
        parts.append(reference if short else f"by reference, not looked at here: {reference}")
    elif missing and reference is None and run.get("rehearsal") is True:
        parts.append("taken as made" if short else f"taken as made, for a rehearsal: {missing}")
    elif missing:
        parts.append(f"MISSING: {missing}")
    return "; ".join(parts)


def _listed(names: object) -> str:
    return ", ".join(map(str, names)) if isinstance(names, list) else ""


def value_text(value: float, uncertainty: float, unit: str) -> str:
    """Show a value with its expanded uncertainty, both to two figures of the uncertainty.

    Source: JCGM 100:2008, 7.2.6 (at most two significant digits of an uncertainty).
    """
    if not math.isfinite(value):
        return "no value"
    if not (math.isfinite(uncertainty) and uncertainty >= _TRIFLE):
        return format_quantity(value, unit)
    scale, prefixed = scale_of(max(abs(value), uncertainty), unit)
    if uncertainty / scale >= 99.5:  # a prefix under which it would show more figures than two
        scale, prefixed = scale_of(1000 * uncertainty, unit)
    decimals = 1 - math.floor(math.log10(uncertainty / scale))
    decimals = min(max(decimals, 0), 9)
    figures = f"{value / scale:.{decimals}f} ± {uncertainty / scale:.{decimals}f}"
    return f"{figures} {prefixed}".rstrip()


def time_text(time_s: float) -> str:
    """Show a time since the run's start."""
    if time_s < 120:
        return f"{time_s:.3f} s"
    minutes, seconds = divmod(round(time_s, 1), 60)
    return f"{minutes:.0f} min {seconds:04.1f} s"


def headline(run: Mapping[str, Any], *, whole: bool = True) -> tuple[str, str]:
    """Say how a run ended: a word or two, and the reason beneath.

    A rehearsal is never called a release, whatever its figures. Where the record is not ``whole``,
    ``undecided`` stands for what it cannot prove, not for a check.
    """
    if run.get("output") == UNCONFIRMED:
        return "Power may still be on", "output off could not be confirmed"
    if run["released"]:
        beneath = "the run was completed and every check passed"
        if run["rehearsal"]:
            return "Rehearsal passed", f"{beneath}, {_SIMULATED}"
        return "Released", beneath
    pre_check = is_pre_check(run)
    if passed_pre_check(run):
        beneath = "the run was completed and every check passed"
        if run["rehearsal"]:
            return "Rehearsal passed", f"{beneath}, {_SIMULATED}, and a pre-check releases none"
        return "Pre-check passed", f"{beneath}; a pre-check releases no unit"
    word = "Pre-check not passed" if pre_check else "Not released"
    word = "Rehearsal not passed" if run["rehearsal"] else word
    if run["outcome"] != "completed":
        return word, _ENDED.get(run["outcome"], str(run["outcome"]))
    if whole and run["verdict"] == "undecided" and not pre_check and run.get("open_points"):
        return word, f"the run was completed, but {open_words(run['open_points'])}"
    unproven = "the run was completed, but its record proves no release"
    judged = whole or run["verdict"] != "undecided"
    return word, _JUDGED.get(run["verdict"], unproven) if judged else unproven


def is_pre_check(run: Mapping[str, Any]) -> bool:
    """Whether a run was a pre-check, which can pass and releases no unit."""
    return run.get("purpose") == "pre-check"


def passed_pre_check(run: Mapping[str, Any]) -> bool:
    """Whether a run was a pre-check that passed."""
    return is_pre_check(run) and (run["outcome"], run["verdict"]) == ("completed", "pass")


def release_words(run: Mapping[str, Any]) -> str:
    """Say whether a run releases the unit, as the end of a sentence."""
    if run["rehearsal"]:
        what = "the rehearsal of a pre-check" if is_pre_check(run) else "a rehearsal"
        return f"{what}: it releases no unit"
    if is_pre_check(run):
        return "a pre-check: it releases no unit"
    return "released yes" if run["released"] else "released no"


def output_text(run: Mapping[str, Any]) -> str:
    """Say what became of the supply's output; empty for a record from before that was kept.

    The time is that of this machine: it is for the person who stands beside the bench.
    """
    if run.get("output") == UNCONFIRMED:
        return CUT_MAINS
    if run.get("output") == "never on":
        return "Nothing was energised."
    try:
        moment = dt.datetime.fromisoformat(str(run.get("off_confirmed_utc"))).astimezone()
    except (ValueError, OverflowError):
        return ""
    simulated = "SIMULATED " if run["rehearsal"] else ""
    return f"{simulated}OUTPUT OFF, CONFIRMED {moment:%H:%M:%S}"


def verdict_words(run: Mapping[str, Any], *, short: bool = False) -> str:
    """Say which verdict a run came to, as people read it; ``short`` is one word, for a column.

    A run that was cut short has judged a part of its checks at most. Its record says ``undecided``,
    the word for a value too near a limit; to a reader it has no verdict on the unit as a whole,
    unless a check failed before.
    """
    verdict = str(run["verdict"])
    if run["outcome"] != "completed" and verdict != "fail":
        return "none" if short else "no verdict on the unit"
    return verdict if short else f"verdict {verdict}"


def verdict_mark(run: Mapping[str, Any]) -> str:
    """Return the verdict whose colour stands for how a run ended."""
    if run["released"]:
        return "pass"
    if passed_pre_check(run):
        return "pre-check"
    undecided = run["outcome"] == "completed" and run["verdict"] == "undecided"
    return "undecided" if undecided else "fail"
