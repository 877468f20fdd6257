"""What counts as at rest, as a profile says it."""

from __future__ import annotations

from typing import Annotated

from pydantic import AfterValidator, Field, model_validator

from harness.files.field_types import Fraction, Seconds, Table, mistaken
from harness.quantity import format_quantity

#: More than a tenth of the limit in one span is no rest: a part that gives way drifts no faster.
_WIDEST_FRAC = 0.10
#: For shorter than this a converter's slow start, and an instrument's averaging, look like rest.
_SHORTEST_SPAN_S = 0.1
_LONGEST_SPAN_S = 60.0
#: A unit that does not come to rest is under power all the while.
_LONGEST_S = 600.0
#: Spans that the longest time has at least: scatter is averaged over eight.
_SPANS = 10.0


def _narrow(tolerance_frac: float) -> float:
    if tolerance_frac > _WIDEST_FRAC:
        most = format_quantity(_WIDEST_FRAC, "%")
        raise mistaken(f"more than {most} of the limit in one span is no rest", '"2 %"')
    return tolerance_frac


def _span(span_s: float) -> float:
    if span_s < _SHORTEST_SPAN_S:
        least = format_quantity(_SHORTEST_SPAN_S, "s")
        raise mistaken(f"for less than {least} a converter's slow start looks like rest", '"0.2 s"')
    if span_s > _LONGEST_SPAN_S:
        most = format_quantity(_LONGEST_SPAN_S, "s")
        raise mistaken(f"a span of more than {most} says nothing of a hold", '"1 s"')
    return span_s


def _bounded(longest_s: float) -> float:
    if longest_s > _LONGEST_S:
        most = format_quantity(_LONGEST_S, "s")
        raise mistaken(f"a unit that has no rest after {most} has none", '"30 s"')
    return longest_s


class Rest(Table):
    """What counts as at rest, and how long it is waited for.

    Attributes:
        tolerance_frac: How far the mean current may move over one span, as a share of the current
            limit; for the voltage a fifth of it, as a share of what is set. The supply's accuracy
            where that is more.
        span_s: Time over which it may move so far: the slowest time constant that matters.
        longest_s: Longest time the readings may take to come to rest.
    """

    tolerance_frac: Annotated[Fraction, AfterValidator(_narrow)] = Field(
        default=0.005, alias="tolerance", validate_default=False, examples=['"2 %"']
    )
    span_s: Annotated[Seconds, AfterValidator(_span)] = Field(
        default=0.2, alias="span", validate_default=False, examples=['"0.2 s"']
    )
    longest_s: Annotated[Seconds, AfterValidator(_bounded)] = Field(
        default=10.0, alias="longest", validate_default=False, examples=['"30 s"']
    )

    @model_validator(mode="after")
    def _long_enough(self) -> Rest:
        if self.longest_s < _SPANS * self.span_s * (1 - 1e-9):
            least = format_quantity(_SPANS * self.span_s, "s")
            raise mistaken(
                f"longest is less than ten spans, {least}: scatter is averaged over eight"
            )
        return self
