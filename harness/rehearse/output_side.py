"""The outputs of a simulated unit, and what hangs on them."""

from __future__ import annotations

from collections.abc import Callable

from harness.profile.level import LoadMode
from harness.rehearse.circuit import Circuit
from harness.rehearse.circuit.converter import OutputLoad
from harness.rehearse.simulated_instruments import Live

#: What a load holds constant, and the function's name in SCPI short form.
_FUNCTIONS: dict[LoadMode, str] = {
    "current": "CURR",
    "resistance": "RES",
    "power": "POW",
    "voltage": "VOLT",
}
_MODES = {name: mode for mode, name in _FUNCTIONS.items()}
_ON_OFF = {"ON": True, "1": True, "OFF": False, "0": False}


class OutputSide:
    """Where each load and meter hangs.

    The first output is the circuit's. Any other follows it by its winding, the ratio of the nominal
    voltages, and what it is loaded with counts at the first by its power. Cross regulation is left
    out. One electronic load draws at a time.

    Source: the ideal transformer (textbook).
    """

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._drawing = ""  # output that an electronic load draws from

    def ratio(self, output: str) -> float:
        """Return the voltage of an output over that of the first; empty is the first."""
        return dict(self._circuit.model.windings).get(output, 1.0)

    def voltage_v(self, output: str) -> float:
        """Return the mean voltage of an output."""
        return self._circuit.output_voltage_v() * self.ratio(output)

    def ripple_v(self, output: str) -> float:
        """Return the rms value of its AC part."""
        return self._circuit.output_ripple_v() * self.ratio(output)

    def current_a(self, output: str) -> float:
        """Return what is drawn from an output."""
        drawn = self._circuit.converter.output_a
        if self._drawing not in ("", output) and self.ratio(self._drawing) != 1.0:
            drawn = 0.0
        return drawn / self.ratio(output)

    def load(
        self,
        at: Callable[[], str],
        *,
        most_a: float | None,
        most_w: float | None,
        most_v: float | None,
    ) -> dict[str, Live]:
        """Return what an electronic load that hangs at an output is told, by property."""
        circuit, own = self._circuit, OutputLoad()
        own.levels = dict(circuit.load.levels)

        def hang() -> None:
            """Have the circuit draw what the load draws, as seen from the first output."""
            ratio = self.ratio(at())
            seen = {
                "current": ratio,
                "resistance": 1.0 / ratio**2,
                "power": 1.0,
                "voltage": 1.0 / ratio,
            }[own.mode]
            self._drawing = at() if own.on else ""
            circuit.set_load(on=own.on, mode=own.mode, value=seen * own.levels[own.mode])

        def level(mode: LoadMode, most: float | None = None) -> Live:
            def set_level(text: str) -> None:
                own.levels[mode] = float(text)
                if mode == own.mode and (own.on or not circuit.load.on):
                    hang()

            return Live(lambda: own.levels[mode], set_level, most)

        def set_mode(text: str) -> None:
            own.mode = _MODES[text]
            if own.on or not circuit.load.on:
                hang()

        def switch(text: str) -> None:
            was, own.on = own.on, _ON_OFF[text]
            if own.on or was or not circuit.load.on:  # else another load draws
                hang()

        return {
            "function": Live(lambda: _FUNCTIONS[own.mode], set_mode),
            "current": level("current", most_a),
            "resistance": level("resistance"),
            "power": level("power", most_w),
            "voltage": level("voltage", most_v),
            "input": Live(lambda: int(own.on), switch),
        }
