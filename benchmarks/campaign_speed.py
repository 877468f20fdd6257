"""How fast a campaign of random units is, against the time it is meant to take."""

from __future__ import annotations

from benchmarks.figure import Figure, Goal, rounded
from harness.qualify.campaign import qualify_profile
from harness.qualify.workers import usual_workers

__all__ = ["campaign_speed"]

#: 10,000 units are meant to take this long on two cores.
_MEANT_UNITS, _MEANT_S = 10_000, 120.0


def campaign_speed(profile: str, *, units: int = 1000) -> Figure:
    """Measure how many units a campaign carries through the engine in the time it is meant to take.

    Args:
        profile: Name of a shipped profile.
        units: Units of the sample; starting the workers is in its time.
    """
    campaign = qualify_profile(profile, units=units, workers=min(2, usual_workers()))
    rate = units / campaign.elapsed_s
    return Figure(
        name=f"units in {_MEANT_S:g} s over {_MEANT_UNITS}, {profile}",
        value=rate * _MEANT_S / _MEANT_UNITS,
        goal=Goal(">=", 1),
        told=f"{units} units in {rounded(campaign.elapsed_s)} s: {rounded(rate)} a second",
        conditions=(
            f"the real engine on each, on {campaign.workers}, their start in the time; half of the "
            "units healthy, half faulty"
        ),
    )
