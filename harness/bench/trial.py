"""Every question a run will ask, asked once with the output off: what cannot be read is told now.

A reading that cannot be parsed would cut power. So the questions are put before there is any.
"""

from __future__ import annotations

import contextlib
from collections.abc import Iterable
from typing import TYPE_CHECKING

from harness.bench.roles import Instrument
from harness.bench.scpi import MarkerAnswer
from harness.errors import (
    InstrumentError,
    LinkError,
    LinkTimeout,
    NoReading,
    Overload,
    ReportedError,
)
from harness.profile.measures import MEASURES, OPERATIONS, PEAK, SETTINGS, Situation

if TYPE_CHECKING:  # loads libraries of numbers: not into the process that guards power
    from harness.profile.plan import Plan, PlannedStep

#: Stands for a whole reading of a supply or a load, however its dialect takes it.
SAMPLE = "sample"

#: What the keeper reads back of a supply, where its dialect can set and ask it.
_SUPPLY = (
    "output_state",
    *(f"{name}_setting" for name in SETTINGS["supply"] if name != "frequency"),
)
#: The same of an auxiliary supply.
_AUX = ("output_state", *(f"{name}_setting" for name in SETTINGS["aux"]))
#: So many questions without an answer, and no more are put: each costs a time-out.
MOST_SILENCES = 3
#: What a power meter cannot tell where no power is.
_OF_POWER = frozenset({"measure_power_factor", "measure_frequency"})
#: Less than this across an ohmmeter harms none (common practice).
_NO_VOLTAGE_V = 1.0


def questions_of(plan: Plan) -> dict[str, tuple[str, ...]]:
    """Name the questions that a run of a plan asks, by role; a dialect may not have them all."""
    levels = [level for step in plan.steps for level in step.all_levels]
    frequency = ("frequency_setting",) if any(level.frequency_hz for level in levels) else ()
    asked: dict[str, tuple[str, ...]] = {
        "supply": (*_SUPPLY, *frequency, f"measure_{PEAK}", SAMPLE),
        "switch": ("contact_state",),
        "aux": (*_AUX, SAMPLE),
        "enable_switch": ("contact_state",),
        "power_meter": (SAMPLE, *dict.fromkeys(_of_reader(plan, "power_meter"))),
    }
    if plan.bench is None:
        return {}
    asked |= {key: tuple(dict.fromkeys(_of_reader(plan, key))) for key in plan.bench.all_meters}
    asked |= {key: tuple(_of_load(plan, key)) for key in plan.bench.all_loads}
    return {key: asked[key] for key in plan.bench.instruments}


def _of_load(plan: Plan, key: str) -> Iterable[str]:
    yield "input_state"
    levels = (level for step in plan.steps if step.wiring.load == key for level in step.all_levels)
    modes = dict.fromkeys(level.load.mode for level in levels if level.load is not None)
    yield from (f"{mode}_setting" for mode in modes)
    if modes:
        yield SAMPLE
    for step in plan.steps:  # what is read one by one while the input drops
        if any(Situation.DIPPED in MEASURES[check.measure].situations for check in step.checks):
            yield from _of_step(step, key)


def _of_reader(plan: Plan, key: str) -> Iterable[str]:
    """Yield what the checks of a plan ask of a meter or the power meter."""
    for step in plan.steps:
        yield from _of_step(step, key)


def _of_step(step: PlannedStep, key: str) -> Iterable[str]:
    """Yield what the checks of a step ask of an instrument."""
    for check in step.checks:
        for reading in step.made_of[check.name]:
            role, _, quantity = reading.partition(".")
            if role == key:
                yield f"measure_{quantity}"


def every_question(instrument: Instrument) -> dict[str, bool]:
    """Name what some run may ask an instrument beside states and samples, and whether each does."""
    role = instrument.role
    return {
        name: name == "current_setting" or (role == "supply" and name != "complete")
        for name in instrument.dialect.ask
        if name.endswith("_setting")
        or name == "complete"
        or (role in ("meter", "power_meter") and name.startswith("measure_"))
    }


def try_questions(instrument: Instrument, questions: Iterable[str]) -> tuple[InstrumentError, ...]:
    """Put questions to an instrument that was identified, and say what cannot be read.

    They are operations, and :data:`SAMPLE`; what its dialect does not have is left out. Its output
    or input is off.
    """
    wrong: list[InstrumentError] = []
    silences = 0
    for question in questions:
        if not _asked(instrument, question):
            continue
        try:
            _ask(instrument, question)
        except NoReading as error:
            if not _has_nothing_to_read(instrument, question, error):
                wrong.append(error)
        except LinkTimeout as error:
            wrong.append(_unanswered(instrument, question, error))
            silences += 1
            if silences == MOST_SILENCES:
                break
            try:
                instrument.reopen()  # the next question must not get the late answer
            except InstrumentError:
                break
        except InstrumentError as error:
            wrong.append(error)
            if isinstance(error, LinkError):
                break
    else:
        wrong += _reported(instrument)
    return tuple(wrong)


def _has_nothing_to_read(instrument: Instrument, question: str, error: NoReading) -> bool:
    """Whether no value is as it should be without power.

    Open leads read as overload, and where no power is there is no power factor and no frequency.
    """
    if isinstance(error, Overload):
        return instrument.role in ("meter", "power_meter")
    of_power = instrument.role == "power_meter" and question in _OF_POWER
    return of_power and isinstance(error.__cause__, MarkerAnswer)


def _reported(instrument: Instrument) -> Iterable[InstrumentError]:
    """Yield what the questions left in its error queue."""
    try:
        instrument.check_errors()
    except ReportedError as error:
        remedy = "its dialect asks what it does not know, or with a value it does not take"
        yield _with(error, f"after the questions of a run {error.what}", remedy)
    except InstrumentError as error:
        yield error


def _asked(instrument: Instrument, question: str) -> bool:
    """Whether a run asks this of it: what is not set is not read back."""
    if question == SAMPLE:
        return instrument.role in ("supply", "load", "power_meter")
    setting, sent = question.removesuffix("_setting"), instrument.dialect.send
    if not instrument.has(question) or (setting != question and f"set_{setting}" not in sent):
        return False
    if question != "measure_resistance" or not instrument.has("measure_voltage_dc"):
        return True
    # An ohmmeter may be harmed by stored charge: where its leads are across a voltage, its own step
    # asks for resistance, once they have been moved.
    with contextlib.suppress(InstrumentError):  # the question itself tells
        return abs(instrument.value("measure_voltage_dc")) <= _NO_VOLTAGE_V
    return False


def _ask(instrument: Instrument, question: str) -> None:
    if question == SAMPLE:
        power = ("power",) if instrument.role == "power_meter" else ()
        instrument.read("voltage", "current", *power)
    elif OPERATIONS[question] == "state":
        instrument.state(question)
    else:
        instrument.value(question)


def _unanswered(instrument: Instrument, question: str, error: InstrumentError) -> InstrumentError:
    """Say what a question without an answer means: most often, that it is not understood."""
    sample = instrument.dialect.sample
    if question == SAMPLE and sample is not None and error.message == sample.ask:
        remedy = "leave [sample] out of its dialect, then the questions are put one by one"
    else:
        remedy = f"its dialect asks what it does not answer: mend the message of {question}, or "
        remedy += "leave it out"
    return _with(error, error.what, remedy)


def _with(error: InstrumentError, what: str, remedy: str) -> InstrumentError:
    return type(error)(what, instrument=error.instrument, message=error.message, remedy=remedy)
