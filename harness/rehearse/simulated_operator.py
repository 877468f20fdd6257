"""A person at the simulated bench."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable

from harness.profile.check import Check
from harness.profile.hand_loads import BATTERY, SMALL_SUPPLY_A, is_battery, small_supply_v
from harness.profile.level import across_bulk_ohm, resistor_ohm
from harness.profile.start_step import ASK_BULK
from harness.quantity import unit_of
from harness.rehearse.laws import Laws
from harness.rehearse.senses import answer, is_about_bulk_resistance
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.streams import stream
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

#: Time a hand takes to move leads.
_MOVING_S = 20.0
#: Time a hand takes from nothing to nominal voltage.
_FROM_ZERO_S = 10.0
#: Time a person takes to read an instrument in the hand.
_READING_S = 5.0

#: What a healthy unit shows on a tester, by the unit asked for, else zero (common practice).
_HEALTHY = {"ohm": 0.12, "A": 60e-6, "degC": 23.0, "Hz": 50.0, "s": 1.0, "1": 1.0}
#: And where the question is about insulation or isolation.
_INSULATION_OHM = 300e6
#: Error and last digit of a tester of series resistance (common practice).
_TESTER_FRAC, _TESTER_DIGIT_OHM = 0.05, 0.01


class SimulatedOperator:
    """Fulfils the engine's port for a person on a simulated bench."""

    def __init__(
        self,
        bench: SimulatedBench,
        unit: Unit,
        laws: Laws = Laws(),  # noqa: B008 - it is frozen
        checks: Iterable[Check] = (),
    ) -> None:
        """``checks`` are those it will be asked for: what no circuit has, reads as they want it."""
        self._bench = bench
        self._meanwhile: tuple[str, str | None, float] = "", None, 0.0  # asked; when it is answered
        self._readings = [check for check in checks if check.measure == "operator.value"]
        self._unit = unit
        self._laws = laws
        self._battery = bench.circuit.model.battery
        self._charged_frac = 0.0 if self._battery is None else self._battery.charged_frac

    def power_on(self, step: str) -> None:
        """See nothing: simulated power endangers nobody."""

    def power_off(self, *, confirmed: bool) -> None:  # noqa: ARG002 - the port's signature
        """Take the hand off the variable transformer."""
        if self._bench.hand is not None:
            self._bench.hand.let_go()

    def set_feed(self, text: str, *, lamp: bool) -> bool:  # noqa: ARG002 - the port's signature
        """Turn to zero; put the lamp into series, or bridge it."""
        self._bench.clock.sleep_s(_MOVING_S)
        assert self._bench.hand is not None
        self._bench.hand.to_zero(lamp=lamp)
        return True

    def turn(self, voltage_v: float, text: str) -> None:  # noqa: ARG002 - the port's signature
        """Begin to turn."""
        assert self._bench.hand is not None
        slowly = self._unit.input.nominal_v / _FROM_ZERO_S
        self._bench.hand.turn_to(voltage_v, most_v_per_s=slowly)

    def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Move the meter's leads."""
        self._bench.clock.sleep_s(_MOVING_S)
        self._bench.meter_at = where
        return True

    def place_load(self, load: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Connect a resistor, across the bulk capacitor or the output.

        Any other load is taken as one that draws the nominal current.
        """
        self._bench.clock.sleep_s(_MOVING_S)
        across_ohm = across_bulk_ohm(load)
        if across_ohm is not None or not load:
            self._bench.circuit.connect_across_bulk(across_ohm or math.inf)
        output = next(iter(self._unit.output.values()), None)
        if across_ohm is not None or output is None:
            return True
        if isinstance(output, ChargerOutput):
            self._hang_at_charger(load)
            return True
        ohm = resistor_ohm(load) or output.nominal_v / output.current_a if load else math.inf
        self._bench.circuit.connect_resistor(ohm)
        return True

    def _hang_at_charger(self, load: str) -> None:
        """Connect the battery of this bench, a small supply, or (empty) take off what is there.

        The battery keeps its charge from one step to the next.
        """
        circuit = self._bench.circuit
        circuit.connect_small_supply(small_supply_v(load) or 0.0, SMALL_SUPPLY_A)
        self._charged_frac = circuit.connect_battery(
            self._battery if is_battery(load) else None, self._charged_frac
        )

    def pull_enable(self, text: str, *, pulled: bool) -> bool:  # noqa: ARG002 - the port's signature
        """Pull the enable input, or let go of it."""
        self._bench.clock.sleep_s(_MOVING_S)
        self._bench.pin.by_hand(pulled=pulled)
        return True

    def move_load(self, output: str, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Connect the electronic load to another output."""
        self._bench.clock.sleep_s(_MOVING_S)
        self._bench.load_at = output
        return True

    def turn_leads(self, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Change over the supply's leads."""
        self._bench.clock.sleep_s(_MOVING_S)
        circuit = self._bench.circuit
        circuit.turn_leads(backwards=not circuit.backwards)
        return True

    def ask_value(self, prompt: str, unit: str) -> tuple[float | None, str]:
        """Read a tester."""
        if ASK_BULK in prompt:
            return round(self._bench.bulk_voltage_v(), 1), "simulated"
        if unit == "V" and self._battery is not None and BATTERY in prompt:
            return round(self._battery.emf_v(self._charged_frac), 2), "simulated"
        if unit == "ohm" and re.search("insulation|isolation", prompt, re.IGNORECASE):
            return _INSULATION_OHM, "simulated"
        if unit == "ohm" and is_about_bulk_resistance(prompt):
            return self._bulk_resistance_ohm(prompt), "simulated"
        asked = (check for check in self._readings if prompt.startswith(check.ask or check.name))
        return self._read_off(next(asked, None), unit), "simulated"

    def _read_off(self, check: Check | None, unit: str) -> float:
        """Read what a tester shows of the unit.

        Of the bulk capacitor it shows what the circuit has; of a part that the circuit has not,
        what a sound one gives.
        """
        si = unit_of(unit) or unit
        usual = _HEALTHY.get(si, 0.0)
        if check is None:
            return usual
        low = -math.inf if check.low is None else check.low
        high = math.inf if check.high is None else check.high
        bulk = self._bench.circuit.model.bulk
        if si == "F" and low <= bulk.nominal_capacitance_f <= high:
            return bulk.capacitance_f
        if low <= usual <= high:
            return usual
        if math.isinf(high):
            return 2.0 * low if low > 0.0 else low + 1.0
        return 0.5 * high if math.isinf(low) else 0.5 * (low + high)

    def ask_meanwhile(self, prompt: str, unit: str | None) -> None:
        """Begin to read an instrument, or to look, with power on."""
        self._meanwhile = prompt, unit, self._bench.clock.now_s() + _READING_S

    def answer(self) -> tuple[float | bool | None, str] | None:
        """Answer once that was done."""
        prompt, unit, at_s = self._meanwhile
        if self._bench.clock.now_s() < at_s:
            return None
        return self.ask_yes_no(prompt) if unit is None else self.ask_value(prompt, unit)

    def asked_enough(self) -> None:
        """Be done with it."""

    def _bulk_resistance_ohm(self, prompt: str) -> float:
        """Read a tester in circuit, with its error by chance and its last digit."""
        rng = stream(self._bench.seed, "tester", prompt)
        true_ohm = self._bench.circuit.model.bulk.series_resistance_ohm
        gain = 1.0 + rng.uniform(-_TESTER_FRAC, _TESTER_FRAC)
        return round(true_ohm * gain / _TESTER_DIGIT_OHM) * _TESTER_DIGIT_OHM

    def ask_yes_no(self, prompt: str) -> tuple[bool | None, str]:
        """Look and feel; which of it is overlooked, the seed decides."""
        rng = stream(self._bench.seed, "operator", prompt)
        return answer(self._bench.circuit.model, prompt, self._laws, rng)

    def confirm(self, text: str) -> bool:  # noqa: ARG002 - the port's signature
        """Agree."""
        return True
