"""What a line below its tolerance puts on a unit: a converter takes the same power from it."""

from __future__ import annotations

from harness.unit.operating_conditions import Conditions

#: Share of its period in which a switch conducts, where no reflected voltage tells it.
#: Source: common practice.
_USUAL_ON_FRAC = 0.5


def low_line_v(conditions: Conditions) -> float | None:
    """Return the lowest line the converter worked at in the event (rms for AC).

    Below what it needs it stops, and takes nothing; a line that fails goes through that voltage.
    None where the line was no lower than in service, or it is not known to have been.
    """
    line, event = conditions.file.unit.input, conditions.event
    if event is None or event.kind != line.kind or event.wrong_way:
        return None
    if event.nominal_v >= line.lowest_v:
        return None
    stated_v = conditions.file.service.least_bulk_v
    stops_v = line.start_threshold_v
    if stated_v is not None:
        stops_v = (stated_v + conditions.drop_v) / line.peak_factor
    low_v = max(event.least_v, stops_v)
    return low_v if low_v < line.lowest_v else None


def low_line_current_a(conditions: Conditions) -> float | None:
    """Return the input current at that line (rms for AC), or None.

    Source: I = P / V, the power being the nameplate's: a converter holds its output; textbook.
    """
    low_v, line = low_line_v(conditions), conditions.file.unit.input
    return None if low_v is None else line.apparent_va / low_v


def average_current_a(conditions: Conditions, line_v: float) -> float:
    """Return the mean current from the bulk capacitor at a line, at full load.

    Source: P / V of the bulk capacitor, textbook.
    """
    line = conditions.file.unit.input
    bulk_v = max(line.stored_v(line_v) - conditions.drop_v, 0.0)
    return conditions.power_w / bulk_v if bulk_v > 0.0 else line.current_a


def switch_current_a(conditions: Conditions, reflected_v: float | None, line_v: float) -> float:
    """Return the switch's mean current while it conducts, at a line and full load.

    Source: I / D, and for a flyback converter D = Vr / (Vr + Vbulk), textbook.
    """
    line = conditions.file.unit.input
    bulk_v = max(line.stored_v(line_v) - conditions.drop_v, 0.0)
    on_frac = _USUAL_ON_FRAC if reflected_v is None else reflected_v / (reflected_v + bulk_v)
    return average_current_a(conditions, line_v) / on_frac
