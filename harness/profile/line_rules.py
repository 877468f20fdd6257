"""What the steps owe the unit's input: which line they go by, its corners, its frequencies."""

from __future__ import annotations

import math
from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.profile.check_rules import ROUNDING, StepPart
from harness.profile.measures import Situation
from harness.profile.schema import Envelope
from harness.profile.step import Place
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, Input, Unit


def line_rules(
    steps: list[StepPart], unit: Unit, envelope: Envelope | None
) -> Iterator[ConfigError]:
    """Yield every rule that a step breaks; shares are of the nominal voltage that it goes by."""
    line = unit.input.at(unit.input.low_nominal_v)
    for part in steps:
        stated_v = part.quantity("nominal", "V")
        if stated_v is not None:
            wrong = _outside(part, stated_v, unit.input, envelope)
            if wrong is None:
                line = unit.input.at(stated_v)
            else:
                yield wrong
        if part.place is Place.START:
            yield from _slow_rules(part, line)
        yield from _frequency_rules(part, unit)
        if envelope is not None and part.offers(Situation.CORNERS):
            yield from _corner_rules(part, line, envelope)


def _outside(
    part: StepPart, stated_v: float, whole: Input, envelope: Envelope | None
) -> ConfigError | None:
    """Return what is wrong with the one of a nominal range that a step states."""
    if not whole.low_nominal_v * (1 - ROUNDING) <= stated_v <= whole.nominal_v * (1 + ROUNDING):
        problem = f"{_volts(stated_v)} is outside the nameplate's {whole.nominal}"
        return part.wrong("nominal", problem, f'"{_volts(whole.low_nominal_v)}"')
    if envelope is not None and stated_v > envelope.voltage_v * (1 + ROUNDING):
        problem = f"{_volts(stated_v)} is outside the envelope's {_volts(envelope.voltage_v)}"
        return part.wrong("nominal", problem)
    return None


def _slow_rules(part: StepPart, line: Input) -> Iterator[ConfigError]:
    """Slow levels weigh the capacitor of a unit that does not work yet."""
    slow_a, limit_a = (part.quantity(key, "A") for key in ("slow_limit", "current_limit"))
    if slow_a is None:
        return
    if limit_a is not None and slow_a > limit_a * (1 + ROUNDING):
        yield part.wrong(
            "slow_limit", f"{_amps(slow_a)} is above the current_limit of {_amps(limit_a)}"
        )
    levels = part.quantities("levels", "%")
    lowest_v = line.nominal_v * levels[0] if levels else 0.0
    if lowest_v >= line.start_threshold_v:
        yield part.wrong(
            "slow_limit",
            f"the lowest level is {_volts(lowest_v)}, not below the unit's start_threshold of "
            f"{_volts(line.start_threshold_v)}: a unit that works takes more",
        )


def _corner_rules(part: StepPart, line: Input, envelope: Envelope) -> Iterator[ConfigError]:
    """Every corner of the line stays inside the envelope, and the unit works at it."""
    for path, share in part.each("voltages", "%"):
        voltage_v = share * line.nominal_v
        corner = f"{format_quantity(share, '%')} is {_volts(voltage_v)}"
        if voltage_v > envelope.voltage_v * (1 + ROUNDING):
            yield ConfigError(
                path, f"{corner}, outside the envelope's {_volts(envelope.voltage_v)}"
            )
        elif voltage_v < line.start_threshold_v:
            threshold = _volts(line.start_threshold_v)
            yield ConfigError(path, f"{corner}, below the unit's start_threshold of {threshold}")


def _frequency_rules(part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    asked_hz = dict(part.each("frequencies", "Hz"))
    one_hz = part.quantity("frequency", "Hz")
    if one_hz is not None:
        asked_hz[*part.path, "frequency"] = one_hz
    for path, frequency_hz in asked_hz.items():
        if not isinstance(unit.input, AcInput):
            yield ConfigError(path, "the unit's input is DC: there is no frequency to set")
        elif not any(math.isclose(frequency_hz, each_hz) for each_hz in unit.input.frequency_hz):
            known = [format_quantity(each_hz, "Hz") for each_hz in unit.input.frequency_hz]
            yield ConfigError(
                path,
                f"{format_quantity(frequency_hz, 'Hz')} is none of the unit's: {', '.join(known)}",
                f'"{known[0]}"',
            )


def _volts(value_v: float) -> str:
    return format_quantity(value_v, "V")


def _amps(value_a: float) -> str:
    return format_quantity(value_a, "A")
