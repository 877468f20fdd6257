"""Where the budgets of a plan leave a healthy unit little room: what trips there may be no fault.

What may stay unexplained at a level is a tenth of the bulk capacitor's own charge (energy), and
what one reading at the current limit carries, since a sampled integral sees no finer (safety rule
6). The charge factor, 2, allows the capacitor's charge once more. For a small unit all that is
little, and three things that are no fault of the unit can use it up. None is seen by the plan
itself; each can be held against its figures:

- *A capacitor that the nameplate does not know.* A DC supply has one across its terminals, often
  behind the shunt that measures current. It takes C V at the same voltage as the unit's, so a level
  that rises by V bears ``((factor - 1 + 0.1) Q + I t) / V`` of it, with Q the unit's charge, I the
  limit and t the time between two readings.
- *Leads.* Idle current is allowed for by idle power over the voltage read at the supply. Behind
  leads of R the unit has less, so it draws ``(P / V)^2 R / V`` more; a reading of the voltage that
  is too high hides as much again. What the current reading's own error does not cover adds up over
  the whole hold.
- *An AC source that stays in its limit.* It no longer gives a sine: its rms voltage lags behind
  what the capacitor holds, while the energy that goes in is counted at once. From a level whose
  filling takes longer than a few averaging windows, it trips.

What cannot be worked out from a plan: a converter that pulls the bulk voltage down again while it
fills its own output capacitor. How much that is, no nameplate says; a rehearsal with a unit model
shows it.

Source: Q = C V; I = P / V; t = E / (k V I), k = 0.5 for a capacitor-input rectifier; textbook. The
bounds below: common practice, and healthy units rehearsed with and without each of the three.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from harness.profile.plan import Budget, Level, PlannedStep
from harness.quantity import format_quantity

__all__ = ["tight_levels"]

#: Capacitance across a bench supply's terminals: 100 uF to 500 uF, common practice.
_SUPPLY_F = 220e-6
#: Resistance of leads and contacts, both ways. Common practice: 0.05 ohm to 0.1 ohm.
_LEADS_OHM = 0.1
#: Averaging windows at the limit that an AC source may take to fill: healthy units were seen to
#: trip from 1.7 on; start levels are worked out for one.
_MOST_WINDOWS = 1.5
#: Time between two readings of a DC supply, where no window says more: usual for a socket.
_READING_S = 10e-3
#: A level is watched so long before its hold: settling is judged over 0.2 s at least.
_SETTLING_S = 0.3
#: Power factor of a capacitor-input rectifier in a source's current limit.
_AC_POWER_FACTOR = 0.5


@dataclass(frozen=True, slots=True)
class _Tight:
    """One level with little room: the graver, the more its ``use`` is above one."""

    use: float
    text: str


def tight_levels(steps: Iterable[PlannedStep], *, bench_known: bool) -> Iterator[str]:
    """Yield, for each way a healthy unit can use a budget up, the level with the least room for it.

    Args:
        steps: The steps of a plan.
        bench_known: Whether the plan is for a bench; without one nobody knows how long an AC source
            averages its readings, and nothing is said about it.

    Returns:
        Whole sentences; none where there is room.
    """
    budgeted = [
        (f"Step {step.number} ({step.name}), {level.label}", level, level.budget)
        for step in steps
        for level in step.levels
        if level.budget is not None
    ]
    for look in (_beside, _leads, *([_long_in_limit] if bench_known else [])):
        found = [tight for entry in budgeted if (tight := look(*entry)) is not None]
        if found:
            yield max(found, key=lambda tight: tight.use).text


def _beside(where: str, level: Level, budget: Budget) -> _Tight | None:
    """A capacitor of the supply's that takes charge beside the unit's."""
    rise_v = budget.to_v - budget.from_v
    if budget.kind != "charge" or rise_v <= 0:
        return None
    spare_c = (budget.charge_factor - 1) * budget.healthy
    spare_c += budget.slack(level.current_limit_a, _READING_S)
    borne_f = spare_c / rise_v
    if borne_f >= _SUPPLY_F:
        return None
    return _Tight(
        _SUPPLY_F / borne_f,
        f"{where}: the budget bears {_show(borne_f, 'F')} beside the unit's own capacitance, at "
        f"one reading each {_show(_READING_S, 's')}. A supply often has more across its terminals, "
        "and then a healthy unit can trip on charge_budget: raise charge_factor or current_limit. "
        "A short raises no voltage; with a higher charge_factor it is found as soon as before.",
    )


def _leads(where: str, level: Level, budget: Budget) -> _Tight | None:
    """Idle current that is more than idle power over the voltage at the supply."""
    if budget.kind != "charge" or budget.to_v < budget.threshold_v:
        return None
    idle_a = budget.idle_power_w / budget.to_v
    over_frac = idle_a * _LEADS_OHM / budget.to_v + budget.voltage_error_frac
    error_a = budget.current_error_a + budget.current_error_frac * idle_a
    over_c = (idle_a * over_frac - error_a) * (level.dwell_s + _SETTLING_S)
    allowed_c = budget.slack(level.current_limit_a, _READING_S)
    if over_c <= allowed_c:
        return None
    return _Tight(
        over_c / allowed_c,
        f"{where}: behind leads of {_show(_LEADS_OHM, 'ohm')} the idle power draws so much more "
        f"current that {_show(over_c, 'C')} stay unexplained over the hold, "
        f"{_show(allowed_c, 'C')} may. A healthy unit can trip on charge_budget: use sense leads, "
        "or short thick ones; hold the level for less; or state idle_power with some room.",
    )


def _long_in_limit(where: str, level: Level, budget: Budget) -> _Tight | None:
    """An AC source that stays in its limit while the bulk capacitor fills."""
    if budget.kind != "energy":
        return None
    fill_s = budget.healthy / (_AC_POWER_FACTOR * budget.to_v * level.current_limit_a)
    windows = fill_s / budget.window_s
    if windows <= _MOST_WINDOWS:
        return None
    return _Tight(
        windows,
        f"{where}: to fill the bulk capacitor the source stays in its limit for "
        f"{_show(fill_s, 's')}, {_show(windows, '1')} times what it averages its readings over. "
        f"From {_show(_MOST_WINDOWS, '1')} times on a healthy unit can trip on energy_budget: put "
        "in more levels, or raise the limit.",
    )


def _show(value: float, unit: str) -> str:
    return format_quantity(value, unit, 2)
