"""The two windings of ``rails_cross.cir`` on the simulated output side."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

from harness.rehearse.circuit import Circuit
from harness.rehearse.output_side import OutputSide
from harness.rehearse.simulated_instruments import Live
from harness.rehearse.unit_parts import Rail


def two_windings(values: Mapping[str, float], feed: Circuit) -> dict[str, float]:
    """Nothing loaded, then the second output, then both; each given time to come to rest."""
    model = feed.model
    convert = replace(
        model.converter,
        output_v=values["vset"],
        output_resistance_ohm=1e-9,
        output_nominal_a=values["imain"],
        output_limit_a=2.0 * values["imain"],
        output_capacitance_f=1e-4,
    )
    aux = Rail(name="aux", ratio=values["ratio"], resistance_ohm=values["rrail"])
    unit = replace(model, converter=convert, rails=(aux,), loop_ohm=values["rloop"])
    circuit = type(feed)(unit, feed.source)
    outputs = OutputSide(circuit)
    loads = {
        name: outputs.load(
            lambda name=name: name,
            lambda _quantity, true: Live(true),
            most_a=None,
            most_w=None,
            most_v=None,
        )
        for name in ("main", "aux")
    }
    circuit.set_source(voltage_v=values.get("vsupply", 24.0), current_limit_a=10.0, on=True)
    found: dict[str, float] = {}
    steps = (("idle", "", 0.0), ("own_load", "aux", values["iaux"]))
    for told, name, current_a in (*steps, ("both_loads", "main", values["imain"])):
        if name:
            loads[name]["current"].set(str(current_a))
            loads[name]["input"].set("ON")
        circuit.advance_to(circuit.time_s + 1.0)
        found[f"terminal_{told}"] = outputs.voltage_v("aux")
    return found | {"terminal_main": outputs.voltage_v("main")}
