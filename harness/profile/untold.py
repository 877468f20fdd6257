"""Figures that a start does not tell, whatever its readings are."""

from __future__ import annotations

from harness.judge.start_draw import SWITCH_ON_CURRENT
from harness.unit.nameplate import Input

_OF_AC = {
    "start.series_resistance": (
        "the inrush limiter of an AC unit stands before its capacitor, at several times the "
        "capacitor's own series resistance. A tester of series resistance tells it, in circuit and "
        "before power, as a check operator.value of a cold step"
    ),
    "start.time_constant": (
        "an AC source charges in pulses, at the peaks of its line: its readings show no exponential"
    ),
}
_NO_PEAK = (
    "the supply's dialect has no measure_current_peak: nothing on the bench holds the highest "
    "current of the start"
)


def untold(measure: str, line: Input, *, holds_peak: bool) -> str:
    """Say why no start of a unit tells a figure; empty where one can.

    ``holds_peak``: whether the supply holds the highest current since its output came on.
    """
    if measure == SWITCH_ON_CURRENT:
        return "" if holds_peak else _NO_PEAK
    return _OF_AC.get(measure, "") if line.kind == "ac" else ""
