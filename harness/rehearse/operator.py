"""The person at the simulated bench: moves its leads, and answers from the unit that is on it."""

from __future__ import annotations

import math
import re
from collections.abc import Callable

from harness.profile.level import resistor_ohm
from harness.rehearse.simulated_bench import SimulatedBench
from harness.unit.nameplate import Unit

#: Time a hand takes to move leads.
_MOVING_S = 20.0

#: What a healthy unit shows on a tester, by the unit asked for (common practice).
_HEALTHY = {"ohm": 0.12, "A": 60e-6, "V": 0, "degC": 23, "W": 0, "Hz": 50, "s": 1, "1": 1}
#: And where the question is about insulation or isolation.
_INSULATION_OHM = 300e6


class SimulatedOperator:
    """Fulfils the engine's port for a person on a simulated bench."""

    def __init__(self, bench: SimulatedBench, unit: Unit, wait: Callable[[float], None]) -> None:
        self._bench = bench
        self._unit = unit
        self._wait = wait

    def power_on(self, step: str) -> None:
        """See nothing: simulated power endangers nobody."""

    def power_off(self, *, confirmed: bool) -> None:
        """See nothing."""

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Move the meter's leads."""
        self._wait(_MOVING_S)
        self._bench.meter_at = where
        return True

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Connect a resistor; any other load is taken as one that draws the nominal current."""
        self._wait(_MOVING_S)
        self._bench.circuit.connect_resistor(self._ohm(load))
        return True

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Read a tester."""
        if unit == "ohm" and re.search("insulation|isolation", prompt, re.IGNORECASE):
            return _INSULATION_OHM, "simulated"
        return _HEALTHY[unit], "simulated"

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:  # noqa: ARG002 - as above
        """Look: a varistor that failed short is charred, everything else looks well."""
        model = self._bench.circuit.model
        if model.varistor is None and math.isfinite(model.defects.input_short_ohm):
            return False, "simulated: the varistor is charred"
        return True, "simulated"

    def confirm(self, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Agree."""
        return True

    def _ohm(self, load: str) -> float:
        if not load:
            return math.inf
        output = next(iter(self._unit.output.values()))
        return resistor_ohm(load) or output.nominal_v / output.current_a
