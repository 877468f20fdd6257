"""A simulated source set by hand: transformers on the mains, a lamp in series, and who turns."""

from __future__ import annotations

import math
from typing import Literal, get_args

from harness.errors import UsageError, did_you_mean
from harness.profile.hand_set import HandSet, SeriesLamp
from harness.rehearse.circuit.circuit import Circuit
from harness.rehearse.circuit.source import SourceModel
from harness.rehearse.streams import stream

#: How a simulated hand turns.
Hand = Literal["steady", "too far", "too fast", "asleep", "not at zero"]
HANDS: dict[str, str] = {
    "steady": "turns to the level and stops there",
    "too far": "does not stop at the level",
    "too fast": "jerks",
    "asleep": "does not turn at all",
    "not at zero": "leaves the variable transformer half up before power",
}

#: Isolating and variable transformer in a row: 5 % down at so much current, and their stray
#: inductance; the figures are common practice.
_REGULATION_FRAC, _RATED_A, _STRAY_H = 0.05, 5.0, 0.5e-3
#: Nothing limits its current but what is in series.
_NO_LIMIT_A = 1e3
#: Temperatures of a filament, cold and at its printed voltage, in K (textbook), and the time in
#: which its printed power would bring it there (common practice: a tenth of a second or two).
_COLD_K, _HOT_K, _WARMING_S = 300.0, 2800.0, 0.15
#: Change of the lamp's resistance, as a share, that is worth telling the circuit.
_NEWS_FRAC = 0.01
#: Steps in which hand and filament move.
_STEP_S = 0.02
#: A hand begins to turn so late, and slows down as it comes near: volts a second for each volt that
#: is missing. It stops within this share of the level.
_REACTION_S, _NEARING_PER_S, _CLOSE_FRAC = 0.5, 2.0, 0.004
#: A hand that jerks, and what a hand that does not stop goes on with.
_JERK_V_PER_S = 400.0
#: The mains moves by so much, as a share, about so often (common practice).
_MAINS_FRAC, _MAINS_EVERY_S = 0.001, 0.7


class Filament:
    """The lamp's filament: current warms it, its light cools it.

    Source: C dT/dt = I^2 R - P T^4 / Th^4 about room temperature (Stefan-Boltzmann), resistance
        by a power of the temperature; textbook.
    """

    def __init__(self, lamp: SeriesLamp) -> None:
        self._lamp = lamp
        self._power = math.log(lamp.cold_ohm / lamp.hot_ohm) / math.log(_COLD_K / _HOT_K)
        self._kelvin = _COLD_K

    @property
    def ohm(self) -> float:
        """Its resistance now."""
        ohm: float = self._lamp.hot_ohm * (self._kelvin / _HOT_K) ** self._power
        return ohm

    def pass_current(self, current_a: float, duration_s: float) -> None:
        """Carry a current (rms) for a time."""
        steps = math.ceil(duration_s / (0.1 * _WARMING_S))
        for _ in range(steps):
            light = (self._kelvin**4 - _COLD_K**4) / (_HOT_K**4 - _COLD_K**4)
            gain_w = current_a**2 * self.ohm - self._lamp.power_w * light
            rise_k = gain_w / self._lamp.power_w * (_HOT_K - _COLD_K) / _WARMING_S
            self._kelvin = max(_COLD_K, self._kelvin + rise_k * duration_s / steps)


def transformers() -> SourceModel:
    """Return an isolating and a variable transformer on short leads."""
    return SourceModel(
        kind="ac",
        resistance_ohm=_REGULATION_FRAC * 120.0 / _RATED_A,
        wiring_ohm=0.1,
        inductance_h=_STRAY_H,
        highest_current_a=_NO_LIMIT_A,
        crest_factor=10.0,
    )


def hand_named(name: str) -> Hand:
    """Return a hand by its name.

    Raises:
        UsageError: There is none.
    """
    for hand in get_args(Hand):
        if hand == name:
            return hand  # type: ignore[no-any-return]
    raise UsageError(
        f"there is no hand {name!r}{did_you_mean(name, HANDS)}",
        where="--hand",
        remedy=f"there are {', '.join(HANDS)}",
    )


class HandSource:
    """Moves a circuit's source as a hand does that follows the screen."""

    def __init__(self, table: HandSet, circuit: Circuit, *, seed: int) -> None:
        self._table = table
        self._circuit = circuit
        self._bare_ohm = circuit.source.resistance_ohm
        self._filament = None if table.lamp is None else Filament(table.lamp)
        self._mains = stream(seed, "mains")
        self._mains_frac, self._mains_s = 1.0, 0.0
        self._target_v: float | None = None
        self._begin_s = self._most_v_per_s = 0.0
        self.hand: Hand = "steady"
        self.lamp_in = table.lamp is not None
        self.position_v = 0.0  # of the variable transformer
        circuit.set_source(frequency_hz=table.frequency_hz, current_limit_a=_NO_LIMIT_A)
        self._tell()

    def turn_to(self, voltage_v: float, *, most_v_per_s: float) -> None:
        """Begin to turn until so much is read at the unit, no faster than so."""
        self._most_v_per_s = most_v_per_s
        self._target_v, self._begin_s = voltage_v, self._circuit.time_s + _REACTION_S

    def let_go(self) -> None:
        """Stop turning."""
        self._target_v = None

    def to_zero(self, *, lamp: bool) -> None:
        """Turn to zero, with power off, and put the lamp in or bridge it."""
        self.let_go()
        if self.hand != "not at zero":
            self.position_v = 0.0
        elif not self.position_v:
            self.position_v = 0.5 * self._table.range.voltage_v
        self.lamp_in = lamp and self._filament is not None
        self._tell()

    def advance_to(self, time_s: float) -> None:
        """Take hand, mains, lamp and circuit to a time."""
        circuit = self._circuit
        while circuit.time_s < time_s:
            step_s = min(_STEP_S, time_s - circuit.time_s)
            circuit.advance_to(circuit.time_s + step_s)
            if self._filament is not None:
                current_a = circuit.source_current_a() if self.lamp_in else 0.0
                self._filament.pass_current(current_a, step_s)
            self._move_mains()
            self._turn(step_s)
            self._tell()

    def _move_mains(self) -> None:
        if self._circuit.time_s >= self._mains_s:
            self._mains_s = self._circuit.time_s + _MAINS_EVERY_S
            self._mains_frac = 1.0 + self._mains.uniform(-_MAINS_FRAC, _MAINS_FRAC)

    def _turn(self, step_s: float) -> None:
        target_v = self._target_v
        if target_v is None or self.hand == "asleep" or self._circuit.time_s < self._begin_s:
            return
        missing_v = target_v - self._circuit.source_voltage_v()
        most = self._most_v_per_s
        rate = min(max(_NEARING_PER_S * missing_v, -most), most)
        if self.hand == "too fast":
            rate = math.copysign(_JERK_V_PER_S, missing_v)
        elif self.hand == "too far":
            rate = most
        elif abs(missing_v) <= _CLOSE_FRAC * target_v:
            return
        most_v = self._table.range.voltage_v
        self.position_v = min(max(self.position_v + rate * step_s, 0.0), most_v)

    def _tell(self) -> None:
        """Let the circuit have what stands at the transformer, and what is in series."""
        self._circuit.set_source(voltage_v=self.position_v * self._mains_frac)
        lamp_ohm = self._filament.ohm if self._filament is not None and self.lamp_in else 0.0
        wanted_ohm, told_ohm = self._bare_ohm + lamp_ohm, self._circuit.source.resistance_ohm
        if abs(wanted_ohm - told_ohm) > _NEWS_FRAC * told_ohm:
            self._circuit.change_source(resistance_ohm=wanted_ohm)
