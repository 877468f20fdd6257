"""A probe in a long hold in which no digit moves: the setting changed a little, and changed back.

A supply that regulates well, read in coarse digits, may stand still for hours; so does one whose
readings froze, and then nothing watches the bounds any more. The difference shows when the setting
moves.
"""

from __future__ import annotations

import math

from harness.power.commands import SetVoltage
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context

__all__ = ["Stillness"]

#: Longest time in which no digit of the supply's voltage and current has moved.
_STILL_S = 60.0
#: Longest time for the readings to follow the probe, and for the voltage to come back.
_FOLLOW_S = 3.0
#: For so long the voltage must be back before its readings count again.
_BACK_S = 0.5
#: The probe as a share of the voltage, or so many of the supply's errors, whichever is more; and
#: the share of the unit's tolerance that it may take at most.
_PROBE_FRAC, _PROBE_ERRORS, _OF_TOLERANCE = 0.005, 3.0, 0.25


class Stillness:
    """Watches one hold for readings of the supply that stand still, and probes them.

    Args:
        context: The run.
        level: The level that is held.
    """

    def __init__(self, context: Context, level: Level) -> None:
        self._context = context
        self._level = level
        self._since_s = context.clock.now_s()
        self._step_v = _step_v(context, level)

    def look(self) -> float:
        """Probe where nothing has moved for too long.

        Returns:
            How long it took: none of what was read meanwhile belongs to the hold.

        Raises:
            Tripped: The readings do not follow the setting: no bound is watched.
        """
        live = self._context.live
        moved_s = [live.changed_s(f"supply.{name}") or -math.inf for name in ("voltage", "current")]
        begin_s = self._context.clock.now_s()
        if self._step_v is None or begin_s - max(*moved_s, self._since_s) < _STILL_S:
            return 0.0
        label, self._context.level_label = self._context.level_label, "probe"
        self._probe(self._step_v)
        self._context.level_label = label
        self._since_s = self._context.clock.now_s()
        return self._since_s - begin_s

    def _probe(self, step_v: float) -> None:
        context, set_v = self._context, self._level.voltage_v
        before_v = context.sample().voltage_v
        lower = format_quantity(set_v - step_v, "V")
        context.command(SetVoltage(set_v - step_v))
        end_s = context.clock.now_s() + _FOLLOW_S
        while (seen_v := context.sample().voltage_v) == before_v:
            if context.clock.now_s() > end_s:
                context.host.cut(
                    TripReason.FROZEN_READINGS,
                    f"{format_quantity(before_v, 'V')} to the last digit for {_STILL_S:g} s, and "
                    f"{_FOLLOW_S:g} s after {lower} was set",
                )
        context.command(SetVoltage(set_v))
        self._come_back(before_v, 0.5 * step_v)
        context.event(
            EventKind.PROBE,
            f"no digit had moved for {_STILL_S:g} s: at a setting of {lower} the supply read "
            f"{format_quantity(seen_v, 'V')}, so it lives",
        )

    def _come_back(self, before_v: float, within_v: float) -> None:
        """Wait until the voltage is back for good; the hold itself judges one that stays away."""
        end_s = self._context.clock.now_s() + _FOLLOW_S
        back_s: float | None = None
        while (now_s := self._context.clock.now_s()) < end_s:
            if abs(self._context.sample().voltage_v - before_v) > within_v:
                back_s = None
            elif back_s is None:
                back_s = now_s
            elif now_s - back_s >= _BACK_S:
                return


def _step_v(context: Context, level: Level) -> float | None:
    """Return how far to lower the setting; None where a level leaves no room to.

    A level that is entered on a budget is left alone: the probe's own charge would count.
    """
    unit = context.plan.profile.unit.input
    accuracy = context.bench.file.supply.accuracy.get("voltage")
    error_v = 0.0 if accuracy is None else accuracy.bound(level.voltage_v)
    step_v = max(_PROBE_FRAC * level.voltage_v, _PROBE_ERRORS * error_v)
    leaves = level.voltage_v - step_v < unit.lowest_v <= level.voltage_v
    too_much = step_v > _OF_TOLERANCE * unit.tolerance_frac * unit.nominal_v
    return None if leaves or too_much or level.budget is not None else step_v
