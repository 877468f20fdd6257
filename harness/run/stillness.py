"""Readings of the supply that stand still in a hold: are they live?"""

from __future__ import annotations

from harness.power.commands import Set
from harness.power.trip import TripReason
from harness.profile.level import Level
from harness.quantity import format_quantity
from harness.record.events import EventKind
from harness.run.context import Context

#: Longest time in which no digit of the supply's voltage and current has moved.
_STILL_S = 60.0
#: Longest time for the readings to follow a probe, and for the voltage to come back.
_FOLLOW_S = 3.0
#: For so long the voltage must be back before its readings count again.
_BACK_S = 0.5
#: The probe as a share of the voltage, or so many of the supply's errors, whichever is more; and
#: the share of the unit's tolerance that it may take at most.
_PROBE_FRAC, _PROBE_ERRORS, _OF_TOLERANCE = 0.005, 3.0, 0.25


class Stillness:
    """Watches one hold for readings of the supply that stand still, and probes them.

    A supply that regulates well, read in coarse digits, may stand still for hours; so does one
    whose readings froze, and then nothing watches the bounds any more. The difference shows when
    the setting is changed a little, and changed back.
    """

    def __init__(self, context: Context, level: Level) -> None:
        self._context = context
        self._level = level
        self._since_s = context.clock.now_s()
        unit, set_v = context.plan.profile.fed.input, level.voltage_v
        error_v = context.error_of(f"{context.fed_by}.voltage", set_v)
        self._step_v = max(_PROBE_FRAC * set_v, _PROBE_ERRORS * error_v)
        leaves = set_v - self._step_v < unit.lowest_v <= set_v
        too_much = self._step_v > _OF_TOLERANCE * unit.tolerance_frac * unit.nominal_v
        # A level that is entered on a budget is left alone: the probe's own charge would count.
        self._may_probe = not leaves and not too_much and level.budget is None

    def look(self, now_s: float) -> float:
        """Probe where nothing has moved for too long; return the time it took.

        None of what was read meanwhile belongs to the hold.

        Raises:
            Tripped: The readings do not follow the setting: no bound is watched.
        """
        by_hand = self._level.turn is not None
        if not (self._may_probe or by_hand) or now_s - self._since_s < _STILL_S:
            return 0.0
        self._since_s = max(self._since_s, moved_s(self._context))
        if now_s - self._since_s < _STILL_S:
            return 0.0
        if by_hand:  # nothing can be probed, and the mains is never so still
            self._context.host.cut(
                TripReason.FROZEN_READINGS,
                f"voltage and current unchanged to the last digit for {_STILL_S:g} s",
            )
        begin_s = self._context.clock.now_s()
        self._context.level_label = "probe"
        self._probe()
        self._context.level_label = self._level.label
        self._since_s = self._context.clock.now_s()
        return self._since_s - begin_s

    def _probe(self) -> None:
        context, set_v = self._context, self._level.voltage_v
        lower_v = set_v - self._step_v
        before_v = context.sample().voltage_v
        lower = format_quantity(lower_v, "V")
        context.command(Set("voltage", lower_v))
        end_s = context.clock.now_s() + _FOLLOW_S
        while (seen_v := context.sample().voltage_v) == before_v:
            if context.clock.now_s() > end_s:
                context.host.cut(
                    TripReason.FROZEN_READINGS,
                    f"{format_quantity(before_v, 'V')}, unchanged to the last digit for "
                    f"{_STILL_S:g} s and for {_FOLLOW_S:g} s after {lower} was set",
                )
        context.command(Set("voltage", set_v))
        self._come_back(before_v)
        context.event(
            EventKind.PROBE,
            f"no digit had changed for {_STILL_S:g} s: set to {lower}, the supply read "
            f"{format_quantity(seen_v, 'V')}, so its readings are live",
        )

    def _come_back(self, before_v: float) -> None:
        """Wait until the voltage is back for good; the hold itself judges one that stays away."""
        end_s = self._context.clock.now_s() + _FOLLOW_S
        back_s: float | None = None
        while (now_s := self._context.clock.now_s()) < end_s:
            if abs(self._context.sample().voltage_v - before_v) > 0.5 * self._step_v:
                back_s = None
            elif back_s is None:
                back_s = now_s
            elif now_s - back_s >= _BACK_S:
                return


def moved_s(context: Context) -> float:
    """When a digit of the supply's voltage or current last moved."""
    sampled = (f"{context.fed_by}.{name}" for name in ("voltage", "current"))
    return max(map(context.live.changed_s, sampled))
