"""What may hang at the output of a charger, and what may not hang at any other (pure)."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.profile.check_rules import HELD_KEY, ROUNDING, StepPart
from harness.profile.hand_loads import BATTERY, is_battery
from harness.profile.load_step import POINT_EXAMPLES, POINT_KEYS
from harness.profile.measures import Situation
from harness.quantity import format_quantity
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

_KEY = POINT_KEYS["voltage"]


def charger_rules(part: StepPart, name: str, output: ChargerOutput) -> Iterator[ConfigError]:
    """Yield what is wrong with what a step has hang at the output of a charger.

    It gives nothing but into a voltage: a battery, or a load that holds one, with a small supply
    that wakes it. In a dip either would feed it.
    """
    if part.offers(Situation.DIPPED):
        loads = [key for key in ("current", "load") if key in part.raw]
        yield from (part.wrong(key, f"{_into_a_voltage(name)}: no dip has one") for key in loads)
        return
    if part.by_hand is not None:
        if not is_battery(part.by_hand):
            yield part.wrong("load", f"{_into_a_voltage(name)}: connect one", f'"{BATTERY}"')
        if "wake" in part.raw:
            yield part.wrong("wake", "a battery wakes it: leave this key out")
        return
    if not part.offers(Situation.LOAD_POINTS):
        if "current" in part.raw or HELD_KEY not in part.raw:
            key = "current" if "current" in part.raw else HELD_KEY
            yield part.wrong(
                key,
                f'{_into_a_voltage(name)}: say load = "{BATTERY}", or {HELD_KEY} with wake',
                f'{HELD_KEY} = "{format_quantity(output.nominal_v, "V")}"',
            )
            return
    elif part.mode != "voltage":
        yield part.wrong(
            "mode",
            f'{_into_a_voltage(name)}: say mode = "voltage" and {_KEY} = '
            f'{POINT_EXAMPLES["voltage"]}, or load = "{BATTERY}"',
            '"voltage"',
        )
        return
    least, most = (format_quantity(each, "V") for each in output.range_v)
    for path, voltage_v in part.held_voltages():
        if not output.lowest_v * (1 - ROUNDING) <= voltage_v <= output.nominal_v * (1 + ROUNDING):
            held = format_quantity(voltage_v, "V")
            yield ConfigError(
                path, f"{held} is no battery of output {name!r}, which charges {least} to {most}"
            )
    yield from _wake_rules(part, name, output)


def _wake_rules(part: StepPart, name: str, output: ChargerOutput) -> Iterator[ConfigError]:
    wakes_at = format_quantity(output.wake_v, "V")
    if "wake" not in part.raw:
        yield part.wrong(
            "wake",
            f"this key is missing: a load has no voltage of its own, and output {name!r} waits for "
            f"{wakes_at}. A small supply of at least that wakes it",
            f'"{wakes_at}"',
        )
        return
    wake_v, points = part.quantity("wake", "V"), [held_v for _, held_v in part.held_voltages()]
    if wake_v is None:
        return
    given = format_quantity(wake_v, "V")
    if wake_v < output.wake_v * (1 - ROUNDING):
        yield part.wrong("wake", f"{given} does not wake output {name!r}: it waits for {wakes_at}")
    if points and wake_v > min(points) * (1 + ROUNDING):
        least = format_quantity(min(points), "V")
        yield part.wrong(
            "wake", f"{given} is above the load's {least}: the small supply would feed the load"
        )


def drain_rules(part: StepPart, unit: Unit) -> Iterator[ConfigError]:
    """Yield what is wrong with the battery that a charger without mains drains."""
    name = part.output or next(iter(unit.output), "")
    if name not in unit.output:
        yield part.wrong("output" if part.output else "kind", unit.no_output(name))
    elif not isinstance(unit.output[name], ChargerOutput):
        yield part.wrong("kind", f"a drain step, but output {name!r} is no charger")
    if part.by_hand is not None and not is_battery(part.by_hand):
        yield part.wrong("load", "nothing but a battery is drained", f'"{BATTERY}"')


def not_for_charging(part: StepPart, name: str) -> Iterator[ConfigError]:
    """Yield what a step has hang at an output of constant voltage that is for a charger."""
    if part.by_hand is not None and is_battery(part.by_hand):
        yield part.wrong(
            "load",
            f"output {name!r} is no charger: nothing there ends the charge of a battery. Where it "
            'is one, say so on the nameplate, kind = "charger"',
        )
    for key in {"wake", HELD_KEY} & part.raw.keys():
        yield part.wrong(key, f"output {name!r} is no charger: leave this key out")


def _into_a_voltage(name: str) -> str:
    return f"output {name!r} is a charger and gives nothing but into a battery"
