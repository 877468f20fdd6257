"""One check of a profile: what is measured, where, and what it may be."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, ValidationInfo, field_validator, model_validator
from pydantic_core import PydanticCustomError

from harness.errors import did_you_mean
from harness.files.field_types import (
    Name,
    Seconds,
    SecondsOrZero,
    Table,
    bounded,
    mistaken,
    problem_of,
    read_line,
    read_quantity,
)
from harness.profile.accuracy import Accuracy, Band
from harness.profile.measures import BANDED, MEASURES, TOLD_BY_LEVEL
from harness.quantity import QuantityError, format_quantity, parse_quantity, shown, unit_of
from harness.unit.safety_tests import SafetyTest

#: Where the meter can stand; ``input reversed`` is the input with its leads swapped.
Across = Literal["input", "input reversed", "fuse", "limiter", "bulk", "output"]

#: Time a person has for an answer while power is on: to read an instrument in the hand. Nobody is
#: at the bench after it, and nobody watches.
USUAL_ANSWER_S, MOST_ANSWER_S = 60.0, 600.0
AnswerSeconds = Annotated[
    Seconds,
    bounded("s", "in less than {} nobody reads an instrument", '"60 s"', least=5.0),
    bounded(
        "s", "power is not kept on for more than {} for an answer", '"60 s"', most=MOST_ANSWER_S
    ),
]

#: What a person is asked: a sentence or two, on one line of the file.
Question = Annotated[str, BeforeValidator(lambda text: read_line(text, most=300))]

#: Units of a load point, and of a level of a start, in the order they are tried.
_POINT_UNITS = ("A", "ohm", "W", "V", "%")


def _in_si(spelling: str | None) -> str | None:
    return None if spelling is None else unit_of(spelling)


class Check(Table):
    """A reading, or a figure computed from readings, and its limits."""

    name: Name = Field(examples=['"idle current"'])
    measure: str = Field(examples=['"supply.current"'])  # a key of MEASURES
    #: Unit of a value the operator reads off, as the instrument shows it: ``uF``, ``Mohm``.
    value_unit: str | None = Field(default=None, alias="unit", examples=['"ohm"'])
    low: float | None = None  # both limits in the check's unit
    high: float | None = None
    limit: Name | None = None  # a row of the limit table that gives them instead
    rule: Literal["guarded", "simple"] = "guarded"  # guarded: by the expanded uncertainty
    #: The one load point (in A, ohm, W or V, as its step has it) it is judged at; None: all. Of a
    #: figure that each level of a start tells, the level as a share of nominal; None: the highest.
    at: float | None = None
    across: Across = "output"
    #: Output that the meter reads at; None: the one its step loads, or the unit's first.
    output: Name | None = Field(default=None, examples=['"main"'])
    #: Output that comes up first, where the delay of another one is judged.
    after: Name | None = Field(default=None, examples=['"standby"'])
    ask: Question | None = None  # what the operator is asked
    #: When, of a step that is held; None: once power is off.
    when: Literal["power off", "power on"] | None = None
    #: Longest wait for an answer with power on; then power is cut. None: the usual.
    within_s: AnswerSeconds | None = Field(default=None, examples=['"2 min"'])
    #: Of the tester which the operator reads, where the bench file states none.
    accuracy: Accuracy | None = None
    tester: Name | None = None  # which the operator reads: one of the bench file's
    safety_test: SafetyTest | None = None  # the test after repair that it is
    source: Name | None = Field(default=None, examples=['"nameplate"'])  # of its limits
    #: Frequencies an AC voltage must take in; None: those its instrument does, whichever they are.
    bandwidth: Band | None = None
    #: What is judged of the readings of a hold: their mean, their drift from its beginning to its
    #: end, or where they end: the mean of its last twentieth. Of a window: least, mean or most.
    figure: Literal["mean", "drift", "end", "min", "max"] = "mean"
    #: Window of time that the figure is of, from when the level was set; in a start from the level
    #: on at which the unit begins to work. None: the hold.
    from_s: SecondsOrZero | None = Field(default=None, examples=['"0 s"'])
    to_s: Seconds | None = Field(default=None, examples=['"2 s"'])

    @property
    def unit(self) -> str:
        """Unit of value and limits: ``%`` for a share of one, ``1`` for a plain number."""
        return _in_si(self.value_unit) or MEASURES[self.measure].unit

    @property
    def level(self) -> str:
        """Label of the level of a start that it is judged at; empty: the highest that tells it."""
        if self.at is None or self.measure not in TOLD_BY_LEVEL:
            return ""
        return format_quantity(self.at, "%")

    @property
    def asked_unit(self) -> str:
        """Unit that an answer without one is in."""
        return self.value_unit or self.unit

    @property
    def is_windowed(self) -> bool:
        """Whether its figure is of a window of time, and of no hold."""
        return self.from_s is not None and self.to_s is not None

    @property
    def under_power(self) -> bool:
        """Whether a person is asked while power is on."""
        return self.when == "power on"

    @property
    def answer_s(self) -> float:
        """Longest wait for an answer with power on."""
        return self.within_s or USUAL_ANSWER_S

    @property
    def by_operator(self) -> bool:
        """Whether a person gives the answer."""
        return self.measure.startswith("operator.")

    @field_validator("measure", mode="before")
    @classmethod
    def _known(cls, name: object) -> object:
        if not isinstance(name, str) or name not in MEASURES:
            hint = did_you_mean(name, MEASURES)
            raise mistaken(f"there is no measure {shown(name)}{hint}", '"supply.current"')
        return name

    @field_validator("value_unit")
    @classmethod
    def _asked_for(cls, unit: str | None, info: ValidationInfo) -> str | None:
        if unit is not None and info.data.get("measure", "operator.value") != "operator.value":
            raise mistaken("only operator.value has a unit of its own: leave this key out")
        if unit is not None and _in_si(unit) is None:
            known = "V, mA, W, uF, mH, Mohm, s, Hz, degC, mm, rpm, dB or 1, a plain number"
            raise mistaken(f"{shown(unit)} is no unit that is known here: {known}", '"ohm"')
        return unit

    @field_validator("low", "high", mode="before")
    @classmethod
    def _limit(cls, limit: object, info: ValidationInfo) -> float | None:
        """Read a limit in the check's unit; without a right measure there is none to read."""
        measure = MEASURES.get(info.data.get("measure", ""))
        if measure is None or limit is None or "value_unit" not in info.data:
            return None
        unit = _in_si(info.data["value_unit"]) or measure.unit
        example = measure.limits if unit == measure.unit else ""
        if unit == "1" and isinstance(limit, str):
            raise mistaken(f"expected a plain number, got {shown(limit)}", example)
        try:
            return read_quantity(limit, unit)
        except PydanticCustomError as error:
            raise mistaken(problem_of(error), example) from None

    @field_validator("high")
    @classmethod
    def _above_low(cls, high: float | None, info: ValidationInfo) -> float | None:
        low = info.data.get("low")
        if high is not None and low is not None and low > high:
            unit = _in_si(info.data["value_unit"]) or MEASURES[info.data["measure"]].unit
            raise mistaken(
                f"the upper limit {format_quantity(high, unit)} is below the lower limit "
                f"{format_quantity(low, unit)}"
            )
        return high

    @field_validator("at", mode="before")
    @classmethod
    def _point(cls, text: object) -> float:
        """Read a load point in whatever unit it stands; the step knows which is right."""
        for unit in _POINT_UNITS:
            try:
                value = parse_quantity(text, unit)
            except QuantityError:
                continue
            if value < 0:
                raise mistaken(f"{shown(text)} is below zero", '"1.25 A"')
            return value
        return read_quantity(text, "A")

    @field_validator("accuracy", mode="before")
    @classmethod
    def _accuracy(cls, text: object, info: ValidationInfo) -> Accuracy | None:
        if info.data.get("measure", "operator.value") != "operator.value":
            raise mistaken("the bench file has the accuracy of the instruments: leave this key out")
        unit = _in_si(info.data.get("value_unit"))
        if text is None or isinstance(text, Accuracy):
            return text
        if unit is None:
            raise mistaken("an accuracy needs the unit of the value beside it", 'unit = "ohm"')
        return Accuracy.parse(text, unit)

    @field_validator("bandwidth", mode="before")
    @classmethod
    def _bandwidth(cls, text: object, info: ValidationInfo) -> Band | None:
        measure = info.data.get("measure")
        if measure is not None and measure not in BANDED:
            raise mistaken(f"{measure} has no bandwidth: leave this key out")
        return text if text is None or isinstance(text, Band) else Band.parse(text)

    @model_validator(mode="after")
    def _limited(self) -> Check:
        given = self.low is not None or self.high is not None
        if self.limit is not None and given:
            raise mistaken(
                f"check {self.name!r} has limits of its own and the limit {self.limit!r}: "
                "leave one of the two out"
            )
        if self.limit is not None and self.source is not None:
            raise mistaken(
                f"check {self.name!r} has a source beside the limit {self.limit!r}, whose table "
                "says where it comes from: leave one of the two out"
            )
        if self.limit is None and not given and self.measure != "operator.yes_no":
            example = MEASURES[self.measure].limits
            raise mistaken(f"check {self.name!r} has neither low nor high", f"high = {example}")
        return self
