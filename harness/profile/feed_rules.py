"""What a profile owes that feeds an AC unit with DC."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.profile.check_rules import ROUNDING, StepPart
from harness.profile.schema import Envelope
from harness.quantity import format_quantity
from harness.unit.nameplate import AcInput, RectifiedInput, Unit


def fed_unit(feed: object, unit: Unit | None) -> Unit | None:
    """Return the unit as what feeds it finds it; None where it is wrong itself."""
    return unit if unit is None or feed != "dc" else unit.fed_with_dc()


def feed_rules(feed: object, purpose: object, unit: Unit | None) -> Iterator[ConfigError]:
    """An AC unit is fed with DC to look at it beforehand, never to release it."""
    if feed != "dc":
        return
    if purpose != "pre-check":
        yield ConfigError(
            ("feed",),
            'feed = "dc" belongs in a pre-check: what a unit does on DC says nothing of mains; add '
            'purpose = "pre-check"',
        )
    if unit is not None and not isinstance(unit.input, AcInput):
        yield ConfigError(("feed",), "the unit's input is DC by its nameplate: leave this key out")


def level_rules(
    part: StepPart, unit: Unit | None, envelope: Envelope | None
) -> Iterator[ConfigError]:
    """Levels on DC go as far as the supply does, which the envelope says."""
    is_fed = unit is not None and isinstance(unit.input, RectifiedInput)
    if "polarity" in part.raw and unit is not None and not is_fed:
        yield part.wrong(
            "polarity", 'the leads are changed over at an AC unit with feed = "dc" alone'
        )
    if unit is None or envelope is None or not isinstance(unit.input, RectifiedInput):
        return
    for path, share in part.each("levels", "%"):
        voltage_v = share * unit.input.low_nominal_v
        if voltage_v > envelope.voltage_v * (1 + ROUNDING):
            yield ConfigError(
                path,
                f"{format_quantity(share, '%')} of the peak is {format_quantity(voltage_v, 'V', 4)}"
                f" DC, outside the envelope's {format_quantity(envelope.voltage_v, 'V')}",
            )
        elif unit.input.boosts and voltage_v >= unit.input.start_threshold_v:
            threshold = format_quantity(unit.input.start_threshold_v, "V", 4)
            yield ConfigError(
                path,
                f"{format_quantity(share, '%')} of the peak is {format_quantity(voltage_v, 'V', 4)}"
                f" DC, where the boost stage works: stay below its start_threshold, {threshold} DC",
            )
