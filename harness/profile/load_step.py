"""The step ``load``: load points at nominal voltage, set or connected by hand."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal

from pydantic import Field

from harness.files.field_types import AmpsOrZero, Flag, Hertz, Ohms, Seconds, Volts, WattsOrZero
from harness.profile.level import Level, LevelMaker, LoadMode, LoadPoint
from harness.profile.measures import Situation
from harness.profile.step import Place, WakingStep

#: Key of the load points in a file, by what the load holds constant.
POINT_KEYS: Mapping[LoadMode, str] = {
    "current": "currents",
    "resistance": "resistances",
    "power": "powers",
    "voltage": "voltages",
}
POINT_EXAMPLES: Mapping[LoadMode, str] = {
    "current": '["0 A", "1.25 A", "2.5 A"]',
    "resistance": '["20 ohm", "10 ohm"]',
    "power": '["0 W", "30 W", "60 W"]',
    "voltage": '["8 V", "14 V"]',
}


def _point_list(mode: LoadMode) -> Any:
    examples = [POINT_EXAMPLES[mode]]
    return Field(default=None, alias=POINT_KEYS[mode], min_length=1, examples=examples)


class LoadStep(WakingStep):
    """Load points at nominal voltage, in the order they are set."""

    place = Place.AT_NOMINAL
    situations = frozenset(
        {Situation.HELD, Situation.LOADED, Situation.LOAD_POINTS, Situation.WATCHED}
    )
    about = "load points at nominal voltage, each held"
    judged_by_level = True

    kind: Literal["load"]
    mode: LoadMode = "current"
    currents_a: tuple[AmpsOrZero, ...] | None = _point_list("current")
    resistances_ohm: tuple[Ohms, ...] | None = _point_list("resistance")
    powers_w: tuple[WattsOrZero, ...] | None = _point_list("power")
    voltages_v: tuple[Volts, ...] | None = _point_list("voltage")
    overload: Flag = False  # whether a point may be above the output's nominal current
    dwell_s: Seconds
    frequency_hz: Hertz | None = None

    @property
    def points(self) -> tuple[LoadPoint, ...]:
        """Its load points; none where the load is connected by hand."""
        values = {
            "current": self.currents_a,
            "resistance": self.resistances_ohm,
            "power": self.powers_w,
            "voltage": self.voltages_v,
        }[self.mode]
        return tuple(LoadPoint(self.mode, value) for value in values or ())

    def levels(self, maker: LevelMaker) -> Iterator[Level]:
        """Yield nominal voltage at each load point, or once with the load connected by hand."""
        held = (self.dwell_s, self.current_limit_a, self.frequency_hz)
        if self.load is not None:
            yield maker.held(self.load, *held, time_at_limit_s=maker.time_at_limit_s)
        at_limit_s = None if self.wake_v is None else maker.time_at_limit_s
        for point in self.points:
            yield maker.held(point.label, *held, load=point, time_at_limit_s=at_limit_s)
