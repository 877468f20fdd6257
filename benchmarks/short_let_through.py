"""I2t into a short at the input: the harness against nominal, on, look every 100 ms."""

from __future__ import annotations

from typing import Literal

from benchmarks.by_hand import POLL_EVERY_S, BringUp
from benchmarks.faulty_unit import BENCH, PROFILE, by_hand, by_harness, unit_a, with_defect
from benchmarks.figure import Figure, Goal, rounded

__all__ = ["short_let_through"]

_SHORT_OHM = 0.4
#: A supply in current limit reads its limit within a few per cent (common practice).
_AT_LIMIT_FRAC = 0.97


def short_let_through(limit: Literal["range", "envelope"] = "range") -> Figure:
    """Measure the script's I2t over ours.

    Args:
        limit: Current limit the script sets: the supply's range, as after ``*RST``, with the
            envelope's current as its threshold; or the envelope's current, where being at the
            limit is what it looks for.
    """
    envelope_a = PROFILE.envelope.current_a
    range_a = BENCH.supply.range.current_a
    assert range_a is not None
    limit_a = range_a if limit == "range" else envelope_a
    trip_a = min(envelope_a, _AT_LIMIT_FRAC * limit_a)
    model = with_defect(unit_a(), input_short_ohm=_SHORT_OHM)
    nominal_v = PROFILE.unit.input.nominal_v
    ours = by_harness(model)
    waits, looks = (
        by_hand(
            model,
            BringUp(
                voltage_v=nominal_v, current_limit_a=limit_a, trip_a=trip_a, first_poll_s=first_s
            ),
        )
        for first_s in (POLL_EVERY_S, 0.0)
    )
    ours_a2s, theirs_a2s = ours.let_through.i2t_a2s, waits.let_through.i2t_a2s
    at_once = looks.let_through.i2t_a2s / ours_a2s
    return Figure(
        name=f"I2t into {_SHORT_OHM:g} ohm at the input, by hand over ours, limit {limit_a:g} A",
        value=theirs_a2s / ours_a2s,
        goal=Goal(">=", 2000) if limit == "range" else None,
        told=(
            f"{rounded(ours_a2s * 1e3)} mA²s in {ours.on_s * 1e3:.0f} ms ({ours.ending}) against "
            f"{rounded(theirs_a2s * 1e3)} mA²s in {waits.on_s * 1e3:.0f} ms ({waits.ending}); "
            f"{rounded(at_once)} if the script looks at once"
        ),
        conditions=(
            f"unit A; ours: first level, limit of the start, readings each 9 ms; script: *RST, "
            f"{nominal_v:g} V, limit {limit_a:g} A, on, then every 100 ms MEAS:CURR?, off above "
            f"{trip_a:.4g} A"
        ),
    )
