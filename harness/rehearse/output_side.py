"""The outputs of a simulated unit, and what hangs on them."""

from __future__ import annotations

from collections.abc import Callable

from harness.profile.level import LoadMode
from harness.rehearse.circuit import Circuit
from harness.rehearse.circuit.converter import OutputLoad
from harness.rehearse.circuit.standby import WithStandby
from harness.rehearse.simulated_instruments import Live
from harness.rehearse.unit_parts import Rail

#: What a load holds constant, and the function's name in SCPI short form.
_FUNCTIONS: dict[LoadMode, str] = {
    "current": "CURR",
    "resistance": "RES",
    "power": "POW",
    "voltage": "VOLT",
}
_MODES = {name: mode for mode, name in _FUNCTIONS.items()}
_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}
#: Share of its nominal voltage from which on an output counts as up (common practice).
_UP_FRAC = 0.9


class _Hung(OutputLoad):
    """An electronic load, and the output it hangs at."""

    def __init__(self, at: Callable[[], str]) -> None:
        super().__init__()
        self.at = at


class OutputSide:
    """Where each load and meter hangs.

    The first output is the circuit's, and the loop holds its voltage. Another one has a winding on
    the same core: it has the electromotive force of the first by the ratio of the turns, less what
    its own load drops; so it rises with the load of the first one, whose drop the loop makes up for
    (cross regulation). What it is loaded with counts at the first by its power. A standby rail is a
    converter by itself. Of several loads at once all but one hold their current.

    Source: the ideal transformer, Ohm's law and the emf V + R I behind a resistance, textbook.
    """

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._rails = {rail.name: rail for rail in circuit.model.rails}
        self._hung: list[_Hung] = []

    def voltage_v(self, output: str) -> float:
        """Return the mean voltage of an output, below zero for a negative one."""
        rail = self._rails.get(output)
        if rail is None:
            return self._circuit.output_voltage_v()
        if rail.is_logic:
            main = self._circuit.model.converter.output_v
            up = self._circuit.output_voltage_v() >= _UP_FRAC * main
            return rail.ratio * main if up else 0.0
        turns, size = (1.0 if rail.ratio > 0.0 else -1.0), abs(rail.ratio)
        emf_v = self._standby_v if rail.of_standby else self._emf_v()
        return turns * max(size * emf_v - rail.resistance_ohm * self._taken_a(output), 0.0)

    @property
    def _standby_v(self) -> float:
        converter = self._circuit.converter
        return converter.standby.output_v if isinstance(converter, WithStandby) else 0.0

    def _emf_v(self) -> float:
        """Return what the winding of the first output gives, before its own resistance."""
        volts = self._circuit.output_voltage_v()
        return volts + self._circuit.model.loop_ohm * self.current_a("") if volts > 0.0 else 0.0

    def _followed_a(self) -> float:
        """Return the current that the circuit follows; a battery's may be below zero."""
        beside_a, drawn_a = self._circuit.load.beside_a, self._circuit.converter.output_a
        return drawn_a if beside_a == 0.0 else max(drawn_a - beside_a, 0.0)

    def ripple_v(self, output: str) -> float:
        """Return the rms value of its AC part."""
        rail = self._rails.get(output)
        if rail is None:
            return self._circuit.output_ripple_v()
        converter = self._circuit.converter
        if rail.of_standby and isinstance(converter, WithStandby):
            return abs(rail.ratio) * converter.standby.ripple_v(0.0)
        return 0.0 if rail.is_logic else self._circuit.output_ripple_v() * abs(rail.ratio)

    def current_a(self, output: str) -> float:
        """Return what is drawn from an output."""
        rail = self._rails.get(output)
        if rail is not None:
            return self._taken_a(output)
        primary = self._primary()
        away = primary is not None and primary.at() in self._rails
        return 0.0 if away else self._followed_a()

    def _taken_a(self, output: str) -> float:
        """Return what the loads at a further output take."""
        return sum(self._drawn_a(one) for one in self._hung if one.at() == output)

    def _drawn_a(self, load: _Hung) -> float:
        """Return what one electronic load takes: nothing where its input is off."""
        if not load.on:
            return 0.0
        rail, circuit = self._rails.get(load.at()), self._circuit
        if rail is None:
            if load is not self._primary():
                return load.levels["current"] if circuit.converter.output_v > 0.0 else 0.0
            # beside it a resistor by hand may take its own
            by_hand_a = circuit.converter.output_v / circuit.load.hand_ohm
            return max(self._followed_a() - by_hand_a, 0.0)
        if self._base_v(rail) <= 0.0:
            return 0.0
        if not rail.of_standby and load is self._primary():
            return self._followed_a() / abs(rail.ratio)
        if rail.of_standby or circuit.converter.output_v > 0.0:
            return load.current_a(abs(rail.ratio) * self._base_v(rail))
        return 0.0

    def _base_v(self, rail: Rail) -> float:
        return self._standby_v if rail.of_standby else self._circuit.output_voltage_v()

    def _primary(self) -> _Hung | None:
        """Return the one load that the circuit follows in its own mode, if any is on.

        That is one that does not hold its current, or the one at the first output.
        """
        drawing = [one for one in self._hung if one.on and not self._at_standby(one)]
        first = [one for one in drawing if one.at() not in self._rails]
        steered = [one for one in drawing if one.mode != "current"]
        return next(iter((*steered, *first, *drawing)), None)

    def _at_standby(self, load: _Hung) -> bool:
        rail = self._rails.get(load.at())
        return rail is not None and rail.of_standby

    def load(
        self,
        at: Callable[[], str],
        reading: Callable[[str, Callable[[], float]], Live],
        *,
        most_a: float | None,
        most_w: float | None,
        most_v: float | None,
    ) -> dict[str, Live]:
        """Return what an electronic load that hangs at an output is told and asked, by property.

        ``reading`` makes a reading of a quantity of what is true.
        """
        own = _Hung(at)
        self._hung.append(own)

        def level(mode: LoadMode, most: float | None = None) -> Live:
            def set_level(text: str) -> None:
                own.levels[mode] = float(text)
                self._tell()

            return Live(lambda: own.levels[mode], set_level, most)

        def set_mode(text: str) -> None:
            own.mode = _MODES[text]
            self._tell()

        def switch(text: str) -> None:
            own.on = _ON_OFF[text]
            self._tell()

        return {
            "measured_current": reading("current", lambda: self._drawn_a(own)),
            "measured_power": reading(
                "power", lambda: abs(self.voltage_v(at())) * self._drawn_a(own)
            ),
            # at a negative output it is wired the other way round
            "measured_voltage": reading("voltage", lambda: abs(self.voltage_v(at()))),
            "function": Live(lambda: _FUNCTIONS[own.mode], set_mode),
            "current": level("current", most_a),
            "resistance": level("resistance"),
            "power": level("power", most_w),
            "voltage": level("voltage", most_v),
            "input": Live(lambda: int(own.on), switch),
        }

    def _tell(self) -> None:
        """Have the circuit draw what the loads draw, as seen from the first output."""
        circuit, primary = self._circuit, self._primary()
        beside_a = standby_a = 0.0
        for one in self._hung:
            if not one.on or one is primary:
                continue
            if self._at_standby(one):
                rail = self._rails[one.at()]
                standby_a += abs(rail.ratio) * one.current_a(abs(rail.ratio) * self._standby_v)
            else:
                beside_a += self._seen(one) * one.levels["current"]
        if isinstance(circuit.converter, WithStandby):
            circuit.set_standby_load(standby_a)
        if beside_a != circuit.load.beside_a:
            circuit.set_beside(beside_a)
        if primary is None:
            circuit.set_load(on=False)
            return
        value = self._seen(primary) * primary.levels[primary.mode]
        circuit.set_load(on=True, mode=primary.mode, value=value)

    def _seen(self, load: _Hung) -> float:
        """Return by what the level of a load is multiplied, seen from the first output."""
        rail = self._rails.get(load.at())
        ratio = 1.0 if rail is None else abs(rail.ratio)
        return {
            "current": ratio,
            "resistance": 1.0 / ratio**2,
            "power": 1.0,
            "voltage": 1.0 / ratio,
        }[load.mode]
