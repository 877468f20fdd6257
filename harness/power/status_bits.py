"""What the bits of a supply's status register mean: learnt on a resistor, at a low level.

Makers differ in them, and the manual is not always at hand. So the register is read in constant
voltage, in constant current, and after the supply's own protection has switched its output off.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from contextlib import AbstractContextManager
from functools import reduce
from operator import and_, or_

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.finding import Finding, Mark
from harness.power.commands import Set, SetVoltageProtection, SwitchOn
from harness.power.leads import LIMIT_A, RISE_S, LowLevel, at_low_level, low_level_v
from harness.power.port import Bench, Power
from harness.power.trip import Tripped
from harness.profile.bench_file import BenchFile
from harness.quantity import format_quantity

#: The resistor draws between these shares of the limit.
_LEAST_FRAC, _MOST_FRAC = 0.1, 0.9
#: The voltage is there, and is limited away, beyond these shares of the level.
_THERE_FRAC, _LIMITED_FRAC = 0.95, 0.8
#: Largest share of the resistor's current that a limit to be seen may be.
_LIMIT_FRAC = 0.6
#: Below this share of the level the protection has switched off; a clamp would hold half of it.
_GONE_FRAC = 0.25
#: Longest wait for a limit to show; for the protection, whose trip the keeper would take for an
#: output that dropped half a second after the command.
_LIMITS_S, _PROTECTS_S = 1.0, 0.4
#: Readings of the register in each state: a bit that flickers means nothing.
_LOOKS = 3
#: Limits that are tried, round so that a coarse setting reads back as it was sent.
_TRIED_A = (0.02, 0.01, 0.005, 0.002, 0.001)


class NoResistor(Exception):
    """What is across the supply is not the resistor that was asked for."""


#: Readings of the register by state, ``off`` and these with their words; without those not reached.
Seen = dict[str, list[int]]

_STATES = {
    "voltage": "in constant voltage",
    "current": "in constant current",
    "protection": "after its protection",
}


def resistor_ohm(file: BenchFile) -> tuple[float, float]:
    """Return the least and the largest resistance that will do."""
    level_v = low_level_v(file)
    return level_v / (_MOST_FRAC * LIMIT_A), level_v / (2 * _LEAST_FRAC * LIMIT_A)


def learn_status(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    raise_if_requested: Callable[[], None],
) -> Finding:
    """Read the register in each state, with a resistor across the supply and nothing else.

    The bench, a wish to stop, what is raised and the way out are those of :func:`check_leads`.
    """
    dialect = bench_dialects(file)["supply"]
    # a weight that is stated would have the keeper cut power before the register is read
    protects = "set_voltage_protection" in dialect.send and not dialect.status.protection
    with at_low_level(file, clock, connect, raise_if_requested) as (_, low):
        try:
            seen = _look(low, protects=protects)
        except NoResistor as error:
            least, most = (format_quantity(ohm, "ohm", 2) for ohm in resistor_ohm(file))
            remedy = f"connect a resistor of {least} to {most} across the supply, and nothing else"
            return Finding(Mark.WRONG, "status bits", str(error), remedy)
    return judge_status(seen, dialect)


def _look(low: LowLevel, *, protects: bool) -> Seen:
    """Go through the states, and read the register in each."""
    low.arm()
    seen = {"off": _register(low)}
    low.power.command(SwitchOn())
    current_a = _resistor_a(low)
    seen["voltage"] = _register(low, sampled=True)
    if _limited(low, current_a):
        seen["current"] = _register(low, sampled=True)
    low.power.command(Set("current_limit", LIMIT_A))
    low.until(lambda volts: volts >= _THERE_FRAC * low.level_v, RISE_S)
    looks = _protected(low) if protects else []  # the last: it may cut power
    return {**seen, "protection": looks} if looks else seen


def _resistor_a(low: LowLevel) -> float:
    """Wait for the level; return what is drawn there."""
    there = low.until(lambda volts: volts >= _THERE_FRAC * low.level_v, RISE_S)
    sample = low.power.sample()
    much = ""
    if not there or not sample.current_a <= _MOST_FRAC * LIMIT_A:
        much = "much"
    elif not sample.current_a >= _LEAST_FRAC * LIMIT_A:
        much = "little"
    if much:
        read = (
            f"{format_quantity(sample.voltage_v, 'V', 2)} and "
            f"{format_quantity(sample.current_a, 'A', 2)}"
        )
        raise NoResistor(f"it draws too {much} for a look at the bits: {read}")
    return sample.current_a


def _limited(low: LowLevel, current_a: float) -> bool:
    """Lower the limit until the readings show that it limits."""
    for limit_a in _TRIED_A:
        if limit_a <= _LIMIT_FRAC * current_a:
            low.power.command(Set("current_limit", limit_a))
            if low.until(lambda volts: volts <= _LIMITED_FRAC * low.level_v, _LIMITS_S):
                return True
    return False


def _protected(low: LowLevel) -> list[int]:
    """Have its own protection switch off, and read the register, as far as that can be seen."""
    looks: list[int] = []
    # a trip: the keeper has seen that the output is off, or that the level is not taken
    with contextlib.suppress(Tripped):
        low.power.command(SetVoltageProtection(low.level_v / 2))
        off = low.until(lambda volts: volts <= _GONE_FRAC * low.level_v, _PROTECTS_S)
        while off and len(looks) < _LOOKS:
            looks.append(_status(low.power))
    return looks


def _register(low: LowLevel, *, sampled: bool = False) -> list[int]:
    looks = []
    for _ in range(_LOOKS):
        low.raise_if_requested()
        looks.append(_status(low.power))
        if sampled:
            low.power.sample()
    return looks


def _status(power: Power) -> int:
    return int(power.read("supply", "status")["status"])


def judge_status(seen: Seen, dialect: Dialect) -> Finding:
    """Say what the bits mean, and what of it the supply's dialect does not say yet (pure).

    A bit means the current limit where it is set in constant current and never in constant voltage;
    it means the protection where it is set after that and in none of the other states.
    """
    always = {state: reduce(and_, looks) for state, looks in seen.items()}
    ever = {state: reduce(or_, looks) for state, looks in seen.items()}
    others = reduce(or_, (bits for state, bits in ever.items() if state != "protection"))
    limit = always["current"] & ~ever["voltage"] if "current" in seen else 0
    tripped = dialect.status.protection
    if "protection" in seen:
        tripped = always["protection"] & ~others
    text = "the register is " + ", ".join(
        f"{always[state]} {words}" for state, words in _STATES.items() if state in seen
    )
    unseen = [words for state, words in _STATES.items() if state not in seen]
    text += f"; it was not seen {' and '.join(unseen)}" if unseen else ""
    lines = [f"protection    = {tripped}"] if tripped else []
    lines += [f"current_limit = {limit}"] if limit else []
    if not lines:
        remedy = "leave [status] out of its dialect: limiting is judged from the readings"
        return Finding(Mark.NOTE, "status bits", f"{text}: it does not tell", remedy)
    remedy = "write in its dialect:"
    if dialect.built_in:
        remedy = (
            f"copy {dialect.built_in} beside the bench file, write the copy's name there as its "
            f"dialect, and {remedy}"
        )
    return Finding(Mark.OK, "status bits", text, remedy, ("[status]", *lines))
