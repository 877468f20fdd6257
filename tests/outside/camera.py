"""The guide-camera supply at the bench: what its meters and loads touch, and the one that is moved.

``"camera"`` of the configuration, every key may be left out::

    {"main": {"volts": 24.5}, "standby": {"ohm": 0.9},   # fields of RailParts
     "enable": "obeys",               # "always": it works without; "never": the pin leads nowhere
     "case_c": 41.0}

``"unit"`` has fields of BoostedParts. A meter stands at each of the three outputs, a load at both
rails, the auxiliary supply at the enable input. One more meter is moved by hand; the control socket
says where to: ``{"do": "probe", "at": "bulk"}``.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator
from typing import Any

from tests.outside.boosted import BoostedCircuit, BoostedParts
from tests.outside.charger import AuxInstrument
from tests.outside.circuits import AcParts
from tests.outside.instruments import (
    Instrument,
    LoadInstrument,
    MeterInstrument,
    Note,
    Probe,
)
from tests.outside.misbehaviour import Misbehaviours
from tests.outside.two_rails import TwoRails

#: What the case is warmed up to by a soak, where nothing else is said.
CASE_C = 41.0
#: Across the bulk capacitor an ohmmeter reads nothing while this is on it.
EMPTY_V = 2.0


def make_supply(config: dict[str, Any], now_s: float) -> BoostedCircuit:
    """Build the circuit of a configuration."""
    parts = BoostedParts(**config.get("unit", {}))
    return BoostedCircuit(AcParts(parts.bulk_f), parts, TwoRails(config["camera"]), now_s)


class MovedLeads:
    """The leads of the meter that a person moves; they begin in the air."""

    def __init__(self, circuit: BoostedCircuit, case_c: float) -> None:
        self.at = ""
        self._circuit = circuit
        rails = circuit.converter
        self.probe = Probe(
            volts=self._volts,
            ripple_v=lambda: rails.main.ripple_v() if self.at == "main" else 0.0,
            ohms=self._ohms,
            degrees=lambda: case_c,
        )

    def _volts(self) -> float:
        rails = self._circuit.converter
        match self.at:
            case "bulk":
                return self._circuit.bulk_v
            case "main":
                return rails.main.rail_v
            case "standby":
                return rails.standby.rail_v
            case "power_good":
                return rails.good_v
            case _:
                return 0.0

    def _ohms(self) -> float:
        parts = self._circuit.boosted
        match self.at:
            case "fuse":
                return parts.fuse_ohm
            case "limiter":
                return self._circuit.limiter_ohm
            case "input" | "input reversed":  # through the bridge, to the bulk capacitor's bleeder
                each = (parts.filter_bleed_ohm, parts.input_ohm, parts.bleed_ohm)
                return 1.0 / sum(1.0 / ohm for ohm in each)
            case "bulk" if self._circuit.bulk_v < EMPTY_V:
                return parts.bleed_ohm
            case _:
                return math.inf


def wired(
    circuit: BoostedCircuit, leads: MovedLeads, odd: Misbehaviours, note: Note, seed: int
) -> Iterator[tuple[str, Instrument]]:
    """Yield the instruments at the unit's outputs and pins, by the names their ports have."""
    rails = circuit.converter
    yield "meter", MeterInstrument(leads.probe, odd, seed + 1)
    yield (
        "meter main",
        MeterInstrument(Probe(lambda: rails.main.rail_v, rails.main.ripple_v), odd, seed + 2),
    )
    yield (
        "meter standby",
        MeterInstrument(Probe(lambda: rails.standby.rail_v, rails.standby.ripple_v), odd, seed + 3),
    )
    yield "meter power_good", MeterInstrument(Probe(lambda: rails.good_v), odd, seed + 4)
    for number, (name, rail) in enumerate({"main": rails.main, "standby": rails.standby}.items()):
        told = functools.partial(note, at=name)
        yield f"load {name}", LoadInstrument(circuit, rail, odd, told, seed + 5 + number)
    yield "aux", AuxInstrument(rails, odd, note, seed + 7)
