"""What the bits of a supply's status register mean: learnt on a resistor, at a low level.

Makers differ in them, and the manual is not always at hand. So the register is read in constant
voltage, in constant current, and after the supply's own protection has switched its output off.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import AbstractContextManager
from dataclasses import dataclass
from functools import reduce
from operator import and_, or_

from harness.bench.clock import Clock
from harness.bench.dialect import Dialect, bench_dialects
from harness.bench.finding import Finding, Mark
from harness.power.commands import Arm, Set, SetVoltageProtection, SwitchOn
from harness.power.leads import LIMIT_A, low_level_v, low_limits, require_identities
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
#: Longest wait for the level; for a limit to show; for the protection, whose trip the keeper would
#: take for an output that dropped half a second after the command.
_RISE_S, _LIMITS_S, _PROTECTS_S = 3.0, 1.0, 0.4
#: Readings of the register in each state: a bit that flickers means nothing.
_LOOKS = 3
#: Limits that are tried, round so that a coarse setting reads back as it was sent.
_TRIED_A = (0.02, 0.01, 0.005, 0.002, 0.001)


class NoResistor(Exception):
    """What is across the supply is not the resistor that was asked for."""


@dataclass(frozen=True, slots=True)
class Register:
    """Readings of the register in one state: bits set each time, and bits set at any time."""

    always: int
    ever: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Seen:
    """The register in every state that was reached.

    Attributes:
        off: With the output off.
        voltage: In constant voltage.
        current: In constant current; None where the supply could not be made to limit.
        protection: After its own protection; None where that did not switch off.
    """

    off: Register
    voltage: Register
    current: Register | None
    protection: Register | None


def resistor_ohm(file: BenchFile) -> tuple[float, float]:
    """Return the least and the largest resistance that will do."""
    level_v = low_level_v(file)
    return level_v / (_MOST_FRAC * LIMIT_A), level_v / (2 * _LEAST_FRAC * LIMIT_A)


def learn_status(
    file: BenchFile,
    clock: Clock,
    connect: AbstractContextManager[Bench],
    *,
    raise_if_requested: Callable[[], None] = lambda: None,
) -> Finding:
    """Read the register in each state; the output is off on every way out.

    Args:
        file: The bench file; a resistor is across the supply, and nothing else.
        clock: Tells when to give up waiting.
        connect: Opens the bench, its keeper included.
        raise_if_requested: Raises where somebody wants to stop; looked at between two messages.

    Raises:
        Refused: An instrument is not the right one.
        Tripped: Power was cut on the way.
        PowerOffUnconfirmed: Output off could not be confirmed: cut the mains by hand.
    """
    dialect = bench_dialects(file)["supply"]
    with connect as bench:
        require_identities(file, bench.identities())
        power = bench.power(low_limits(file), lambda *_: None, lambda _: None)
        learner = _Learner(power, clock, low_level_v(file), raise_if_requested)
        # a weight that is stated would have the keeper cut power before the register is read
        protects = "set_voltage_protection" in dialect.send and not dialect.status.protection
        try:
            seen = learner.look(protects=protects)
        except NoResistor as error:
            return Finding(
                mark=Mark.WRONG,
                check="status bits",
                text=str(error),
                remedy=f"connect a resistor of {_range(file)} across the supply, and nothing else",
            )
        finally:
            power.power_off()
    return judge_status(seen, dialect)


def _range(file: BenchFile) -> str:
    least, most = (format_quantity(ohm, "ohm", 2) for ohm in resistor_ohm(file))
    return f"{least} to {most}"


class _Learner:
    """Takes a supply through the states."""

    def __init__(
        self, power: Power, clock: Clock, level_v: float, raise_if_requested: Callable[[], None]
    ) -> None:
        self._power = power
        self._clock = clock
        self._level_v = level_v
        self._obey = raise_if_requested

    def look(self, *, protects: bool) -> Seen:
        """Go through the states, and read the register in each.

        Raises:
            NoResistor: The current is not a resistor's.
        """
        power = self._power
        self._obey()
        power.command(Arm(voltage_v=self._level_v, current_limit_a=LIMIT_A))
        off = self._register()
        power.command(SwitchOn())
        current_a = self._resistor_a()
        voltage = self._register(sampled=True)
        limited = self._limited(current_a)
        current = self._register(sampled=True) if limited else None
        power.command(Set("current_limit", LIMIT_A))
        self._until(lambda volts: volts >= _THERE_FRAC * self._level_v, _RISE_S)
        protection = self._protected() if protects else None  # the last: it may cut power
        return Seen(off=off, voltage=voltage, current=current, protection=protection)

    def _resistor_a(self) -> float:
        """Wait for the level; return what is drawn there."""
        there = self._until(lambda volts: volts >= _THERE_FRAC * self._level_v, _RISE_S)
        sample = self._power.sample()
        drawn = format_quantity(sample.current_a, "A", 2)
        read = f"{format_quantity(sample.voltage_v, 'V', 2)} and {drawn}"
        if not there or not sample.current_a <= _MOST_FRAC * LIMIT_A:
            raise NoResistor(f"it draws too much for a look at the bits: {read}")
        if not sample.current_a >= _LEAST_FRAC * LIMIT_A:
            raise NoResistor(f"it draws too little for a look at the bits: {read}")
        return sample.current_a

    def _limited(self, current_a: float) -> bool:
        """Lower the limit until the readings show that it limits."""
        for limit_a in _TRIED_A:
            if limit_a > _LIMIT_FRAC * current_a:
                continue
            self._power.command(Set("current_limit", limit_a))
            if self._until(lambda volts: volts <= _LIMITED_FRAC * self._level_v, _LIMITS_S):
                return True
        return False

    def _protected(self) -> Register | None:
        """Have its own protection switch off; None where that cannot be seen."""
        looks: list[int] = []
        try:
            self._power.command(SetVoltageProtection(self._level_v / 2))
            off = self._until(lambda volts: volts <= _GONE_FRAC * self._level_v, _PROTECTS_S)
            while off and len(looks) < _LOOKS:
                looks.append(self._status())
        except Tripped:  # it has seen that the output is off, or that the level is not taken
            pass
        return _together(looks) if looks else None

    def _register(self, *, sampled: bool = False) -> Register:
        looks = []
        for _ in range(_LOOKS):
            self._obey()
            looks.append(self._status())
            if sampled:
                self._power.sample()
        return _together(looks)

    def _status(self) -> int:
        return int(self._power.read("supply", "status")["status"])

    def _until(self, reached: Callable[[float], bool], longest_s: float) -> bool:
        """Take samples until the voltage is where it should be; False if that takes too long."""
        end_s = self._clock.now_s() + longest_s
        while True:
            self._obey()
            if reached(self._power.sample().voltage_v):
                return True
            if self._clock.now_s() >= end_s:
                return False


def _together(looks: list[int]) -> Register:
    return Register(always=reduce(and_, looks), ever=reduce(or_, looks))


def judge_status(seen: Seen, dialect: Dialect) -> Finding:
    """Say what the bits mean (pure).

    A bit means the current limit where it is set in constant current and never in constant voltage;
    it means the protection where it is set after that and in none of the other states.

    Args:
        seen: The register in every state.
        dialect: The supply's, for what it says already.
    """
    current, protection = seen.current, seen.protection
    limit = current.always & ~seen.voltage.ever if current is not None else 0
    others = seen.off.ever | seen.voltage.ever | (current.ever if current is not None else 0)
    tripped = protection.always & ~others if protection is not None else dialect.status.protection
    states = {
        "in constant voltage": seen.voltage,
        "in constant current": current,
        "after its protection": protection,
    }
    text = "the register is " + ", ".join(
        f"{bits.always} {state}" for state, bits in states.items() if bits is not None
    )
    unseen = [state for state, bits in states.items() if bits is None]
    text += f"; it was not seen {' and '.join(unseen)}" if unseen else ""
    lines = [f"protection    = {tripped}"] if tripped else []
    lines += [f"current_limit = {limit}"] if limit else []
    if not lines:
        return Finding(
            mark=Mark.NOTE,
            check="status bits",
            text=f"{text}: it does not tell",
            remedy="leave [status] out of its dialect: limiting is judged from the readings",
        )
    copy = (
        f"copy {dialect.built_in} beside the bench file, write the copy's name there as its "
        "dialect, and "
    )
    return Finding(
        mark=Mark.OK,
        check="status bits",
        text=text,
        remedy=f"{copy if dialect.built_in else ''}write in its dialect:",
        write=("[status]", *lines),
    )
