"""The draft of a profile."""

from __future__ import annotations

from dataclasses import dataclass

from harness.new.nameplate import Nameplate, nameplate_text, unit_of
from harness.new.text import Line, down, header, quantity, quoted, table, tidy
from harness.profile.cautions import HAZARDOUS_V
from harness.profile.start_levels import SuggestedStart, suggest_start
from harness.quantity import format_quantity
from harness.unit.nameplate import Input, Unit

__all__ = ["ProfileAnswers", "draft_profile"]

#: Envelope over nominal current and power: what a healthy unit at full load stays below.
#: Source: common practice.
_ENVELOPE = 1.25
#: Idle power from which on a lower limit is asked for: below, reading errors cover it.
_LEAST_IDLE_W = 0.5
#: Readings below which the file says that a short is found later.
_FEW_READINGS = 3.0


@dataclass(frozen=True, kw_only=True, slots=True)
class ProfileAnswers:
    """What a profile's draft is made from.

    Attributes:
        nameplate: The unit.
        sample_s: Time between two readings of the supply.
        load: Whether there is an electronic load, for a load step; needs an output.
    """

    nameplate: Nameplate
    sample_s: float
    load: bool = False


def draft_profile(answers: ProfileAnswers) -> str:
    """Return a profile that loads and plans as it stands.

    Raises:
        pydantic.ValidationError: The answers contradict each other.
    """
    unit = unit_of(answers.nameplate)
    start = suggest_start(unit.input, sample_s=answers.sample_s)
    parts = [
        header(_top(unit)),
        f"title = {quoted(answers.nameplate.title)}\n",
        nameplate_text(answers.nameplate),
        _envelope(unit),
        _cold(),
        _start(unit, start, answers.sample_s),
        *_nominal(unit),
    ]
    if answers.load and unit.output:
        parts += _load(unit)
    if unit.input.peak_factor * unit.input.nominal_v > HAZARDOUS_V:
        parts.append(_discharge(unit))
    parts.append(header("Further kinds of step: line, load and soak. The guide has every key."))
    return "\n".join(parts)


def _top(unit: Unit) -> str:
    hazard = (
        "MAINS AND STORED CHARGE CAN KILL."
        if unit.input.kind == "ac" or unit.input.nominal_v > 60
        else "STORED CHARGE CAN BURN, and capacitors can burst."
    )
    return (
        "A first profile, drafted from a few answers. It plans and rehearses as it stands, but it "
        "does not know your unit: go through every figure, and replace those marked CHECK by your "
        "own. Quantities are text with a unit; anything behind # is only for you.\n\n"
        f"{hazard} Local codes and licensed practice come first. Read the cautions that `softwake "
        "plan` prints with this file before first power.\n\n"
        "Next: `softwake plan`, then `softwake rehearse`, both with the name of this file."
    )


def _envelope(unit: Unit) -> str:
    line = unit.input
    power_w = _ENVELOPE * line.nominal_v * line.current_a
    lines = (
        Line(
            "voltage",
            quantity(max(down(line.highest_v), line.nominal_v), "V"),
            "at most nominal plus tolerance",
        ),
        Line("current", quantity(_ENVELOPE * line.current_a, "A"), "a quarter over nominal. CHECK"),
        Line("power", quantity(power_w, "W"), "a quarter over volts times amperes. CHECK"),
    )
    return table(
        "[envelope]",
        lines,
        "The hard bounds: no command and no reading may leave them. One reading outside cuts "
        "power. As tight as a healthy unit at full load allows.",
    )


def _cold() -> str:
    """Return cold checks, there to be uncommented: they stop a run to ask."""
    seen = (
        Line("name", '"no damage to be seen"'),
        Line("measure", '"operator.yes_no"'),
        Line("ask", '"Board, holders and parts: no crack, no soot, no bulge?"'),
    )
    input_ohm = (
        Line("name", '"input resistance"'),
        Line("measure", '"meter.resistance"'),
        Line("across", '"input"', "the leads are moved with power off"),
        Line("low", '"1 kohm"', "CHECK against a good unit"),
    )
    steps = table("[[steps]]", (Line("kind", '"cold"'),))
    checks = (table("[[steps.checks]]", lines) for lines in (seen, input_ohm))
    return header(
        "Cold checks before power. The run asks and measures, and a failed one stops it. Take off "
        "the marks in front to use them."
    ) + _commented("\n".join((steps, *checks)))


def _discharge(unit: Unit) -> str:
    """Return a discharge step, there to be uncommented: where to measure is the user's to say."""
    lines: tuple[Line, ...]
    if unit.input.kind == "ac" and unit.protection_class != "III":
        lines = (
            Line("across", '"input"', "the pins of the plug"),
            Line("limit", '"plug pins"', "below 34 V within 1 s, IEC 60335-1"),
        )
    else:
        lines = (
            Line("across", '"bulk"'),
            Line("below", '"60 V"', "CHECK against your local code"),
            Line("within", '"2 s"'),
        )
    return header(
        "Power off, and stored voltage measured until it is below the limit. The meter has to "
        "stand there. OTHER PLACES MAY STILL BE CHARGED: measure before you touch."
    ) + _commented(table("[[steps]]", (Line("kind", '"discharge"'), *lines)))


def _commented(text: str) -> str:
    """Return TOML as comments, to be uncommented."""
    return "".join(f"# {line}\n" if line else "#\n" for line in text.splitlines())


def _start(unit: Unit, start: SuggestedStart, sample_s: float) -> str:
    levels = ", ".join(quantity(level, "%") for level in start.levels_frac)
    lines = (
        Line("kind", '"start"'),
        Line("levels", f"[{levels}]", "shares of nominal"),
        Line("current_limit", quantity(start.current_limit_a, "A"), "CHECK"),
        Line("dwell", '"1 s"', "each level is held so long once it rests"),
    )
    return table(
        "[[steps]]",
        lines,
        "First power: the voltage rises level by level under a low current limit. A level has to "
        f"come to rest before the next one is set. {_why(unit, start, sample_s)}",
    )


def _why(unit: Unit, start: SuggestedStart, sample_s: float) -> str:
    """Say where levels and limit come from."""
    if start.readings is None or start.fill_s is None:
        return (
            "No bulk capacitance is known, so the limit is a share of the nominal current, and "
            "time at the limit is bounded (half a second). With the capacitance a short is found "
            "sooner."
        )
    fill, sample = format_quantity(start.fill_s, "s", 2), format_quantity(sample_s, "s", 3)
    if unit.input.kind == "ac":
        return (
            f"At the limit the bulk capacitor takes {fill} at most from level to level; a reading "
            f"takes {sample}. Where it takes far longer than one, the energy that goes in can no "
            "longer be told from a leak: then put in more levels, or a higher limit."
        )
    share = format_quantity(start.readings, "1", 2)
    said = (
        f"At the limit the bulk capacitor fills to the lowest level in {fill}: at one reading each "
        f"{sample} that is {share} readings. Five are aimed at, so that a short stands out from it."
    )
    if start.readings >= _FEW_READINGS:
        return said
    return (
        f"{said} A lower limit would not let a healthy unit start, so a short is found a little "
        "later: have the supply read faster if it can."
    )


def _nominal(unit: Unit) -> list[str]:
    parts = [
        table(
            "[[steps]]",
            (
                Line("kind", '"nominal"'),
                Line("dwell", '"5 s"', "held so long; the checks are judged on all its readings"),
            ),
            "Nominal voltage, held, with nothing on the outputs.",
        ),
        _idle_check(unit.input),
    ]
    for output in unit.output.values():
        parts += [_rail_check(output.nominal_v), _ripple_check(output.nominal_v)]
    return parts


def _check(name: str, measure: str, *limits: Line, above: tuple[str, ...] = ()) -> str:
    lines = (Line("name", quoted(name)), Line("measure", quoted(measure)), *limits)
    return table("[[steps.checks]]", lines, *above)


def _idle_check(line: Input) -> str:
    idle_w = line.idle_power_w
    limits = [Line("high", quantity(2 * idle_w, "W"), "CHECK: twice the idle power")]
    # where the idle power is only assumed, a frugal unit is none that does not run
    if idle_w >= _LEAST_IDLE_W and line.idle_power is not None:
        low = Line("low", quantity(0.3 * idle_w, "W"), "less: the converter does not run. CHECK")
        limits.insert(0, low)
    return _check("idle power", "supply.power", *limits)


def _rail_check(nominal_v: float) -> str:
    return _check(
        "output voltage",
        "meter.voltage_dc",
        Line("low", quantity(tidy(0.97 * nominal_v), "V"), "CHECK: 3 % below"),
        Line("high", quantity(tidy(1.03 * nominal_v), "V"), "CHECK: 3 % above"),
        above=(
            "The meter's leads belong on this output. Take the limits from the manual of the unit.",
        ),
    )


def _ripple_check(nominal_v: float) -> str:
    high_v = max(0.01 * nominal_v, 0.02)
    return _check(
        "output ripple",
        "meter.voltage_ac",
        Line("high", quantity(high_v, "V"), "CHECK: rms, 1 % of the output"),
    )


def _load(unit: Unit) -> list[str]:
    output = next(iter(unit.output.values()))
    full = quantity(output.current_a, "A")
    half = quantity(output.current_a / 2, "A")
    return [
        table(
            "[[steps]]",
            (
                Line("kind", '"load"'),
                Line("currents", f'["0 A", {half}, {full}]', "nothing, half and full load"),
                Line("dwell", '"1 s"'),
            ),
            "The load check. A check without `at` is judged at every load point.",
        ),
        _rail_check(output.nominal_v),
        _check("load regulation", "load_regulation", Line("high", '"3 %"', "CHECK")),
        _check(
            "efficiency at full load",
            "efficiency",
            Line("at", full, "at this load point only"),
            Line("low", '"70 %"', "CHECK"),
        ),
    ]
