"""The rectifier's diodes half-cycle by half-cycle: their drop falls with the current they carry."""

from __future__ import annotations

import math

from harness.rehearse.circuit.network import InputNetwork

__all__ = ["Diodes"]

#: The diodes of a half-cycle are taken at this share of the current the line could drive through
#: them, as in a pulse like half a sine (common practice), in so many steps for each e times it.
_PULSE_FRAC, _STEPS_PER_E = 0.6, 8.0
#: They are taken at this share of the current their drop is stated for at least. Below, a real bulk
#: capacitor creeps up by another tenth of a volt or two, for seconds.
_LEAST_FRAC = 1.0 / 16.0


class Diodes:
    """An input network with its diodes at any current; each version is made once.

    Args:
        network: The network with the drop that is stated.
    """

    __slots__ = ("_known", "_network")

    def __init__(self, network: InputNetwork) -> None:
        self._network = network
        self._known: dict[int, InputNetwork] = {}

    def at(self, peak_v: float, bulk_v: float) -> InputNetwork:
        """Return the network for a half-cycle that begins with ``bulk_v``.

        Its current is not yet known; what the line could drive through the path into the bulk
        capacitor as it stands comes close enough, since the drop goes with the logarithm.

        Args:
            peak_v: Amplitude of the line.
            bulk_v: Bulk voltage.
        """
        net = self._network
        if net.emission_v <= 0.0 or not net.is_closed:
            return net
        path_ohm = net.line_ohm + net.series_ohm + net.esr_ohm
        current_a = _PULSE_FRAC * (peak_v - net.drop_v - bulk_v) / path_ohm
        step = round(_STEPS_PER_E * math.log(max(current_a, _LEAST_FRAC * net.drop_at_a)))
        known = self._known.get(step)
        if known is None:
            known = self._known[step] = net.about(math.exp(step / _STEPS_PER_E))
        return known
