"""What a plan makes of a source that is set by hand (pure).

Such a source limits nothing, follows a hand, and stands wherever it is left. So each level says how
far and how fast it is turned, a converter is not left below its start threshold, and a lamp in
series is there until the unit draws more than it lets through.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import replace

from harness.profile.bench_file import BenchFile
from harness.profile.hand_set import HandSet, Turn
from harness.profile.level import Level, resistor_ohm
from harness.profile.plan import OpenPoint, PlannedStep
from harness.profile.step import AnyStep, HandLoadedStep
from harness.quantity import format_quantity
from harness.unit.nameplate import Input, Unit

#: How near to a level counts as there: a share of it, or so much where that is more. A variable
#: transformer gives about half a volt a degree (common practice).
_BAND_FRAC, _LEAST_BAND_V = 0.02, 1.0
#: So many bands above a level are too far.
_TOO_FAR_BANDS = 2.5
#: From nothing to nominal voltage a hand takes so long at least.
_SWEEP_S = 5.0
#: Longest hold, and longest time to get there, below the threshold: a switching converter that is
#: left there tries again and again to start, with the current of its full power (common practice).
_SHORT_S, _PATIENCE_BELOW_S = 1.0, 20.0
#: Extra-low voltage, AC. Source: IEC 61140, band I of IEC 60449: 50 V AC (from memory).
ELV_AC_V = 50.0
#: What goes in over what comes out of a loaded converter. Source: common practice.
_EFFICIENCY = 0.85


def band_v(voltage_v: float) -> float:
    """Return how far from a level the voltage counts as there, in volts rms."""
    return max(_BAND_FRAC * voltage_v, _LEAST_BAND_V)


def turned(level: Level, hand: HandSet, line: Input, envelope_v: float) -> Level:
    """Return a level with what a hand does for it; below the threshold it is a short one."""
    band, below = band_v(level.voltage_v), level.voltage_v < line.start_threshold_v
    turn = Turn(
        low_v=level.voltage_v - band,
        high_v=level.voltage_v + band,
        most_v=min(level.voltage_v + _TOO_FAR_BANDS * band, envelope_v),
        fastest_v_per_s=line.nominal_v / _SWEEP_S,
        longest_s=min(hand.patience_s, _PATIENCE_BELOW_S) if below else hand.patience_s,
    )
    dwell_s = min(level.dwell_s, _SHORT_S) if below else level.dwell_s
    return replace(level, dwell_s=dwell_s, turn=turn)


def lamp_in(step: AnyStep, line: Input, hand: HandSet | None) -> bool:
    """Whether the lamp can be in series in a step.

    It is bridged where the unit is loaded, and its nominal current through the lamp leaves too
    little voltage for it.
    """
    if hand is None or hand.lamp is None:
        return False
    loaded = any(getattr(step, name, None) for name in ("load", "current_a", "points"))
    needed_v = line.nominal_v + hand.lamp.drop_v(line.current_a)
    return not (loaded and needed_v > hand.range.voltage_v)


def hand_objections(
    steps: Iterable[PlannedStep], bench: BenchFile | None, line: Input, envelope_v: float
) -> Iterator[str]:
    """Yield why a source set by hand can carry a plan out on no account."""
    hand = None if bench is None else bench.by_hand
    if bench is None or hand is None:
        return
    levels = [level for step in steps for level in step.all_levels]
    mains = format_quantity(hand.frequency_hz, "Hz")
    wanted_hz = {level.frequency_hz for level in levels if level.frequency_hz}
    other = sorted(wanted_hz - {hand.frequency_hz})
    if other and line.kind == "ac":
        wanted = ", ".join(format_quantity(each, "Hz") for each in other)
        yield (
            f"The source set by hand has the frequency of the mains, {mains}; steps of this "
            f"profile want {wanted}."
        )
    if bench.switch is None and envelope_v > ELV_AC_V:
        yield (
            f"A source set by hand is cut by a switch, and this bench has none: nothing goes above "
            f"{format_quantity(ELV_AC_V, 'V')} AC, extra-low voltage, and the envelope is "
            f"{format_quantity(envelope_v, 'V')}. Put a relay or contactor into the feed, and "
            "[switch] into the bench file."
        )


def hand_open_points(bench: BenchFile | None) -> Iterator[OpenPoint]:
    """Yield what keeps a run on a source set by hand from releasing the unit."""
    if bench is not None and bench.by_hand is not None and bench.switch is None:
        yield OpenPoint(
            "The source is set by hand and this bench has no switch to cut it: nothing is released."
        )


def _switch_note(bench: BenchFile) -> Iterator[str]:
    if bench.switch is None:
        yield (
            "NO SWITCH CUTS THIS SOURCE: where power has to go off, the screen says to turn to "
            "zero and to pull the plug; the power meter shows that it is gone. Stay at the knob."
        )


def hand_notes(
    unit: Unit, steps: tuple[PlannedStep, ...], bench: BenchFile | None
) -> Iterator[str]:
    """Say what a person at the variable transformer must know."""
    hand = None if bench is None else bench.by_hand
    if hand is None:
        return
    line = unit.input
    fastest = format_quantity(line.nominal_v / _SWEEP_S, "V", 3)
    yield (
        "The source is set by hand: the screen says what to turn to, and the power meter shows "
        f"when it is there. Turn no faster than {fastest} in a second. Turned too far, too fast or "
        "not at all, power is cut by the switch. Keep the other hand free, and off everything."
    )
    yield (
        "Such a source limits no current: the current limit of a level is what the power meter may "
        "read before power is cut, one of its readings late. A fuse in the feed limits the rest."
    )
    levels = (level for step in steps for level in step.all_levels)
    below = [level.label for level in levels if level.voltage_v < line.start_threshold_v]
    if below:
        threshold = format_quantity(line.start_threshold_v, "V")
        yield (
            f"Below the start threshold of {threshold} nothing is held for longer than "
            f"{format_quantity(_SHORT_S, 's')} ({', '.join(dict.fromkeys(below))}): a switching "
            "converter must not be left there. Turn through the threshold without a stop."
        )
    assert bench is not None
    yield from _switch_note(bench)
    yield from _lamp_notes(line, steps, hand)
    yield from _loaded_notes(unit, steps)


def _lamp_notes(line: Input, steps: tuple[PlannedStep, ...], hand: HandSet) -> Iterator[str]:
    lamp = hand.lamp
    if lamp is None:
        yield (
            "No lamp is in series: a short at the unit's input draws whatever the fuse in the feed "
            "lets through until the switch opens."
        )
        return
    full, first = (
        format_quantity(draws(line.nominal_v), "A", 2)
        for draws in (lamp.short_a, lamp.first_short_a)
    )
    yield (
        f"The lamp in series ({format_quantity(lamp.voltage_v, 'V')}, "
        f"{format_quantity(lamp.power_w, 'W')}) is {format_quantity(lamp.cold_ohm, 'ohm', 2)} cold "
        f"and {format_quantity(lamp.hot_ohm, 'ohm', 3)} hot: at nominal voltage a short behind it "
        f"draws {first} for the first tenth of a second, then {full}. A lamp that glows says the "
        "unit takes current. It gets hot: mount it where nothing touches it."
    )
    bridged = [f"{step.number} ({step.name})" for step in steps if step.lamp is False]
    if bridged:
        drop = format_quantity(lamp.drop_v(line.current_a), "V", 3)
        yield (
            f"For step {', '.join(bridged)} the lamp is bridged, with power off: at the nominal "
            f"current of the unit it would take {drop}. From then on nothing limits a short but "
            "the fuse in the feed."
        )


def _loaded_notes(unit: Unit, steps: tuple[PlannedStep, ...]) -> Iterator[str]:
    """Say where a load that is on while the hand turns up asks for more than the limit.

    Source: P = V I times the power factor, textbook.
    """
    line = unit.input
    for step in steps:
        load = step.step.load if isinstance(step.step, HandLoadedStep) else None
        ohm = None if load is None else resistor_ohm(load)
        if ohm is None or not step.levels:
            continue
        output_w = step.step.loaded_output(unit).nominal_v ** 2 / ohm
        draws_a = output_w / _EFFICIENCY / line.start_threshold_v / line.power_factor
        limit_a = step.levels[0].current_limit_a
        if draws_a > limit_a:
            begins = format_quantity(line.start_threshold_v, "V")
            yield (
                f"Step {step.number} ({step.name}) may be cut on the way up: with {load} on, a "
                f"unit that begins to work at {begins} draws about "
                f"{format_quantity(draws_a, 'A', 2)} there, the limit is "
                f"{format_quantity(limit_a, 'A')}. Take a larger resistance."
            )
