"""A bridge that a DC supply feeds: two of its diodes, always the same, carry all current."""

from __future__ import annotations

import math
from dataclasses import replace

from harness.rehearse.circuit.network import InputNetwork

#: Least current at which the diodes are taken.
_LEAST_A = 1e-3


def bridge_on_dc(
    net: InputNetwork, limit_a: float, *, shorted_leg_ohm: float, cold_ohm: float
) -> InputNetwork:
    """Return the network of an AC unit on a DC supply whose current limit is ``limit_a``.

    The diodes are taken at that current, the most they carry, with a cold inrush limiter before
    them. ``shorted_leg_ohm`` is that of a shorted diode which the supply meets through a sound one,
    else infinite; the bulk capacitor is apart then, and the sound one counts as the resistance it
    has at the limit, where a supply before a short always is.

    Source: v = V1 + n k T / q ln(i / I1), the law of a diode; textbook.
    """
    limit_a = max(limit_a, _LEAST_A)
    net = replace(net, series_ohm=net.series_ohm + cold_ohm)
    if shorted_leg_ohm < math.inf:
        drop_v = max(net.drop_v + net.emission_v * math.log(limit_a / net.drop_at_a), 0.0)
        shorted = net.across_a_shorted_leg(shorted_leg_ohm + drop_v / limit_a)
        return replace(shorted, drop_v=math.inf)
    blocks = net.drop_v == math.inf
    return net if blocks or net.emission_v <= 0.0 else net.about(limit_a)
