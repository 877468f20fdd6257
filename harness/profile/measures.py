"""What can be measured, by the names that checks use."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

__all__ = ["MEASURES", "Measure"]

#: Kinds of step in which the unit is energised and held.
_POWERED = frozenset({"start", "nominal", "line", "load", "soak"})

#: An instrument's operation: role and name in its dialect.
Operation = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One thing a check can ask for.

    Attributes:
        unit: Unit of its limits in a file and of its value in SI: ``%`` for a share of one that
            is written as a percentage, ``1`` for a plain number.
        description: What it is, for people.
        source: Role of the instrument that gives the reading; empty for a computed figure.
        quantity: Key of the reading's accuracy in that instrument's part of the bench file; empty
            for a computed figure.
        made_of: Readings a computed figure is worked out from.
        needs: Operations it rests on for any kind of input.
        needs_ac: Operations it rests on beside these where the input is AC.
        steps: Kinds of step it can be measured in.
        ac_only: Whether it means something for AC inputs alone.
        limits: Example of a limit, as it stands in TOML.
    """

    unit: str
    description: str
    source: str = ""
    quantity: str = ""
    made_of: tuple[str, ...] = ()
    needs: tuple[Operation, ...] = ()
    needs_ac: tuple[Operation, ...] = ()
    steps: frozenset[str] = _POWERED
    ac_only: bool = False
    limits: str = ""

    @property
    def roles(self) -> tuple[str, ...]:
        """Roles the bench must have, each once."""
        return tuple(dict.fromkeys(role for role, _ in (*self.needs, *self.needs_ac)))

    def operations(self, input_kind: str) -> tuple[Operation, ...]:
        """Return the operations it rests on for one kind of input, ``dc`` or ``ac``."""
        return (*self.needs, *self.needs_ac) if input_kind == "ac" else self.needs


_IN = (("supply", "measure_voltage"), ("supply", "measure_current"))
_OUT = (("load", "measure_voltage"), ("load", "measure_current"))
#: Volts times amperes are real power for DC alone; for AC the source itself must measure it.
_REAL_POWER = (("supply", "measure_power"),)


def _reading(
    source: str,
    quantity: str,
    unit: str,
    description: str,
    limits: str,
    *,
    steps: frozenset[str] = _POWERED,
) -> Measure:
    """Return a measure that is one instrument's own reading."""
    needs: tuple[Operation, ...] = ((source, f"measure_{quantity}"),)
    if quantity == "power":
        needs = _IN if source == "supply" else _OUT
    return Measure(
        unit=unit,
        description=description,
        source=source,
        quantity=quantity,
        needs=needs,
        needs_ac=_REAL_POWER if (source, quantity) == ("supply", "power") else (),
        steps=steps,
        limits=limits,
    )


_LOAD = frozenset({"load"})
#: Kinds of step in which an electronic load may be on.
_LOADED = frozenset({"load", "line", "soak"})
#: Voltage can be measured without power, too: it should be none.
_ANYWHERE = _POWERED | {"cold"}

#: Every measure by its name.
MEASURES: Mapping[str, Measure] = {
    "supply.voltage": _reading("supply", "voltage", "V", "input voltage (rms for AC)", '"24 V"'),
    "supply.current": _reading("supply", "current", "A", "input current (rms for AC)", '"80 mA"'),
    "supply.power": _reading("supply", "power", "W", "input power (real, for AC)", '"2 W"'),
    "meter.voltage_dc": _reading(
        "meter", "voltage_dc", "V", "DC voltage at the meter", '"5.1 V"', steps=_ANYWHERE
    ),
    "meter.voltage_ac": _reading(
        "meter", "voltage_ac", "V", "ripple at the meter, rms", '"50 mV"', steps=_ANYWHERE
    ),
    "meter.current_dc": _reading("meter", "current_dc", "A", "DC current, by meter", '"20 mA"'),
    # An ohmmeter on a live unit reads nonsense and may be damaged: cold steps alone.
    "meter.resistance": _reading(
        "meter", "resistance", "ohm", "resistance, power off", '"1 kohm"', steps=frozenset({"cold"})
    ),
    "meter.temperature": _reading("meter", "temperature", "degC", "temperature", '"60 degC"'),
    "load.voltage": _reading(
        "load", "voltage", "V", "output voltage, by load", '"24 V"', steps=_LOADED
    ),
    "load.current": _reading("load", "current", "A", "output current", '"2.5 A"', steps=_LOADED),
    "load.power": _reading("load", "power", "W", "output power", '"60 W"', steps=_LOADED),
    "efficiency": Measure(
        unit="%",
        description="output power over input power",
        made_of=("supply.power", "load.power"),
        needs=(*_IN, *_OUT),
        needs_ac=_REAL_POWER,
        steps=_LOADED,
        limits='"80 %"',
    ),
    "average_efficiency": Measure(
        unit="%",
        description="mean efficiency at 25, 50, 75 and 100 % of nominal output current",
        made_of=("supply.power", "load.power"),
        needs=(*_IN, *_OUT),
        needs_ac=_REAL_POWER,
        steps=_LOAD,
        limits='"85 %"',
    ),
    "load_regulation": Measure(
        unit="%",
        description="change of output voltage from least to most load, over its nominal",
        made_of=("load.voltage",),  # the meter's, where the bench has one
        needs=(("load", "measure_voltage"),),
        steps=_LOAD,
        limits='"1 %"',
    ),
    "line_regulation": Measure(
        unit="%",
        description="change of output voltage from low to high line, over its nominal",
        made_of=("meter.voltage_dc",),
        needs=(("meter", "measure_voltage_dc"),),
        steps=frozenset({"line"}),
        limits='"0.5 %"',
    ),
    "power_factor": Measure(
        unit="1",
        description="real power over rms voltage times rms current",
        made_of=("supply.power", "supply.voltage", "supply.current"),
        needs=_IN,
        needs_ac=_REAL_POWER,
        ac_only=True,
        limits="0.5",
    ),
    "discharge_time": Measure(
        unit="s",
        description="time until the stored charge has drained",
        made_of=("meter.voltage_dc",),
        needs=(("meter", "measure_voltage_dc"),),
        steps=frozenset({"discharge"}),
        limits='"5 s"',
    ),
    "operator.value": Measure(
        unit="1",
        description="a number the operator reads off",
        steps=frozenset({"cold"}),
        limits="10",
    ),
    "operator.yes_no": Measure(
        unit="1",
        description="the operator's answer: 1 for yes, 0 for no",
        steps=frozenset({"cold"}),
        limits="1",
    ),
}
