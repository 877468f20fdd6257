"""What most likely explains a run, put into words: for terminal, report and page alike."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from harness.quantity import format_quantity
from harness.record.csv_text import printable
from harness.record.explanation import (
    Expected,
    Explanation,
    MeasurementTold,
    PushTold,
    ResultTold,
    SeverityTold,
    SignTold,
    Span,
    StepTold,
    SuspectTold,
)

#: The sentence that stands under every answer.
CAUTION = "Measure, discharged and cold, before you touch: a ranking proves nothing of any part."
#: Said of a run that passed: what is told beside it decides nothing.
REMARK = "A remark: the run passed, and no verdict changes by it."
#: Suspects that are told of where there is little room.
FIRST = 3
#: A result of a measurement without power, as it is typed, by its unit; empty: a question.
EXAMPLES = {"": "yes", "ohm": "12 ohm", "F": "100 uF", "V": "200 V", "A": "1 mA"}
#: An ohmmeter that reads more shows an open circuit.
_OPEN_OHM = 50e6
#: What an instrument reads, or a start or discharge tells: ``meter.voltage_dc``, ``start.energy``.
_READ = re.compile(r"([a-z_]+(?: \w+)?)\.([a-z_]+)(.*)")
#: Of a figure that speaks for or against.
_DIGITS = 4
#: More than that a fault must have to be remarked on where the run passed.
_REMARKED_FRAC = 0.5
_SCATTER = ", scatter"
#: What is worked out of the readings of a hold, in words.
_WORKED_OUT = {
    "current, highest": "highest current",
    "power, highest": "highest power",
    "current, filled": "charge beyond the steady current",
    "power, filled": "energy beyond the steady power",
    "conductance": "current over voltage",
    "real conductance": "power over voltage squared",
}
#: Characters of a library's fingerprint that are shown.
_SHOWN = 12
#: Fewer simulated units than this for the first suspect: said to be few (assumption).
_FEW_UNITS = 8


@dataclass(frozen=True, slots=True, kw_only=True)
class Shown:
    """One suspect in words."""

    chance: str
    words: str
    degree: str  # how far it has gone; empty where it has no degrees
    look_at: str  # names of parts
    supporting: tuple[str, ...]
    against: tuple[str, ...]
    shown_by: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Next:
    """What to measure next, and what it would read."""

    name: str
    how: str
    expected: tuple[str, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Explained:
    """An explanation in words; every text prints."""

    headline: str
    remark: str  # empty, unless the run passed
    differs: tuple[str, ...]
    suspects: tuple[Shown, ...]
    beside: str  # which second fault the readings point at, if there is one
    found: tuple[str, ...]  # what was measured without power
    measure: Next | None
    steps: tuple[Next, ...]  # under power, where nothing speaks against it
    no_steps: str
    prove: str  # how the first suspect is proved where no measurement is worth more
    pushes: tuple[str, ...]
    unseen: tuple[str, ...]
    hidden: str  # what was not seen of this unit: there may be other faults
    library: str
    caution: str


def explained(told: Explanation) -> Explained:
    """Put an explanation into words."""
    first = told.suspects[0] if told.suspects else None
    return Explained(
        headline=printable(told.headline),
        remark=REMARK if told.passed else "",
        differs=tuple(printable(_figure(one)) for one in told.differs),
        suspects=tuple(map(_shown, told.suspects)),
        beside=_beside(told),
        found=tuple(map(_result, told.found)),
        measure=_next(told.measure[0]) if told.measure else None,
        steps=tuple(map(_next, told.steps)),
        no_steps=printable(told.no_steps),
        prove=_prove(first) if first and not told.measure else "",
        pushes=tuple(_push(one) for one in told.pushes if one.by),
        unseen=tuple(map(printable, told.unseen)) if told.nothing_wrong else (),
        hidden=printable(told.hidden),
        library=library_words(told),
        caution=CAUTION,
    )


def library_words(told: Explanation) -> str:
    """Say which simulated units an answer rests on."""
    library = told.library
    each = f"{told.units_each}"
    if library.most_each > told.units_each:
        each = f"{each} to {library.most_each}"
    stand = told.suspects[0].units if told.suspects else 0
    first = f", {stand} of them for the first suspect" if stand else ""
    few = " So few tell little: its probabilities are low." if 0 < stand < _FEW_UNITS else ""
    return printable(
        f"From {library.units} simulated units, {each} of each kind{first}, of this profile on "
        f"such a bench; library {library.sha256[:_SHOWN]}, version {library.version}.{few}"
    )


def worth_telling(told: Explanation) -> bool:
    """Whether an explanation says anything; of a run that passed only what is not usual.

    A fault that is no likelier than not is no remark there: another design of the same unit, such
    as a diode with less drop, reads so far off as well.
    """
    if not told.passed or told.unlike or any(one.by for one in told.pushes):
        return True
    likely = bool(told.suspects) and told.suspects[0].probability > _REMARKED_FRAC
    return likely and not told.nothing_wrong


def percent(probability: float) -> str:
    """Return a probability as it is shown: never none, never all."""
    whole = round(100 * probability)
    if whole < 1:
        return "below 1 %"
    return "above 99 %" if whole > 99 else f"{whole} %"


def short_lines(told: Explanation) -> list[str]:
    """Return what stands below the first suspects: what may be beside, what to measure next."""
    shown = explained(told)
    lines = [line for line in (shown.beside, shown.hidden) if line]
    if shown.measure is not None:
        lines.append(f"measure next, discharged and cold: {shown.measure.name}")
    elif shown.prove:
        lines.append(shown.prove)
    return lines


def _beside(told: Explanation) -> str:
    if not told.beside:
        return ""
    words = "; or ".join(one.words for one in told.beside)
    return printable(f"If there is a second fault beside the first: most likely {words}.")


def _shown(told: SuspectTold) -> Shown:
    where = " (at the bench)" if told.on_bench else ""
    return Shown(
        chance=percent(told.probability),
        words=printable(f"{told.words}{where}"),
        degree=printable("" if told.severity is None else _degree(told.severity)),
        look_at=printable(", ".join(told.parts)),
        supporting=tuple(map(_sign, told.supporting)),
        against=tuple(map(_sign, told.against)),
        shown_by=_shown_by(told),
    )


def _shown_by(told: SuspectTold) -> str:
    if told.shown_cold or not told.shown_by:
        return printable(told.shown_by)
    return printable(f"{told.shown_by}; that takes power, so all that is cold comes first")


def _prove(told: SuspectTold) -> str:
    """Say how a suspect is proved: never with power before what can be measured without."""
    if not told.shown_by:
        return ""
    if told.shown_cold:
        return printable(f"prove it, discharged and cold: {told.shown_by}")
    return "nothing cold proves it: look at its parts, discharged and cold, before any power"


def _degree(told: SeverityTold) -> str:
    value, low, high = (
        format_quantity(one, told.unit, 2) for one in (told.value, told.low, told.high)
    )
    return f"{told.what}: {value} (90 % of such units: {low} to {high})"


def _sign(told: SignTold) -> str:
    """Return one figure of the run beside what other units read there."""
    parts = [f"{_figure(told.figure)} {_value(told.unit, told.value, _DIGITS)}"]
    for words, span in (("such units", told.such), ("healthy", told.healthy)):
        parts.append(f"{words}: not there" if span is None else f"{words} {_span(span, told.unit)}")
    return printable("; ".join(parts))


def _figure(name: str) -> str:
    """Return the name of a figure as people read it: ``nominal: meter voltage DC``."""
    place, colon, what = name.rpartition(": ")
    step, _, level = place.partition(", ")
    source, dot, own = what.rpartition(".")
    if own.endswith(_SCATTER):
        what = f"scatter of the {what.removesuffix(_SCATTER)}"
    elif own in _WORKED_OUT:
        what = f"{_WORKED_OUT[own]}, by the {source.replace('_', ' ')}" if dot else _WORKED_OUT[own]
    read = _READ.fullmatch(what)
    if read is not None:
        source, quantity, more = read.groups()
        between = " " if colon else ": "  # a meter's, or the step's own figure of the unit
        said = quantity.replace("_dc", " DC").replace("_ac", " AC")
        what = f"{source}{between}{said}{more}".replace("_", " ")
    return f"{step if step == level else place}{colon}{what}"


def _span(span: Span, unit: str) -> str:
    low, high = (_value(unit, one, _DIGITS) for one in (span.low, span.high))
    return low if low == high else f"{low} to {high}"


def _result(told: ResultTold) -> str:
    return printable(f"{told.name} = {_value(told.unit, told.value)}")


def _next(told: MeasurementTold) -> Next:
    told_by = f"; it is told by {_figure(told.figure)}" if isinstance(told, StepTold) else ""
    return Next(
        name=printable(told.name),
        how=printable(f"{told.how} (about {told.work_min:.0f} min){told_by}"),
        expected=tuple(_expected(told.expected, told.unit)),
    )


def _expected(expected: Sequence[Expected], unit: str) -> Iterator[str]:
    for one in expected:
        yield printable(f"{one.words}: {_reading(unit, one)}")


def _reading(unit: str, one: Expected) -> str:
    low, high = (_value(unit, each) for each in (one.low, one.high))
    if low == high:
        return low
    return f"{low} to {high}" if unit else f"{low} or {high}"


def _value(unit: str, value: float, digits: int = 2) -> str:
    if not unit:
        return "yes" if value >= 0.5 else "no"
    if unit == "ohm" and value >= _OPEN_OHM:
        return "open"
    return format_quantity(value, unit, digits)


def _push(told: PushTold) -> str:
    more = len(told.by) - FIRST
    listed = told.by if more <= 1 else (*told.by[:FIRST], f"one of {more} others")
    by = ", or ".join(listed)
    how = "not decided" if told.verdict == "undecided" else "passed narrowly"
    return printable(f"{told.check}, {how}: it would be pushed beyond its limit by {by}")
