"""The catalogue: what instruments are told and asked, what they read, and what checks judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Literal


class Situation(Enum):
    """What a step offers to measure in; which kinds of step offer it, their classes say."""

    COLD = "without power, before the first start"
    HELD = "held under power"
    LOADED = "held, with an electronic load that may be on"
    LOAD_POINTS = "several load points"
    CORNERS = "several line voltages"
    FALL = "after power off, while the stored charge drains"


#: An instrument's operation: role and name in its dialect.
Operation = tuple[str, str]


_HELD = frozenset({Situation.HELD})


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One thing a check can ask for: an instrument's own reading, or a figure computed from some.

    Attributes:
        unit: Unit of its limits in a file and of its value in SI: ``%`` for a share of one that
            is written as a percentage, ``1`` for a plain number.
        description: What it is, for people.
        limits: Example of a limit, as it stands in TOML.
        source: Role of the instrument that gives the reading; empty for a computed figure.
        quantity: What is read: ``measure_QUANTITY`` in the dialect, and the key of its accuracy in
            the bench file; empty for a computed figure.
        made_of: Readings a computed figure is worked out from, in the order of its formula
            (:mod:`harness.run.checks`).
        better: A reading that takes the place of ``made_of`` where the bench has its instrument.
        situations: Where it can be measured.
        ac_only: Whether it means something for AC inputs alone.
    """

    unit: str
    description: str
    limits: str
    source: str = ""
    quantity: str = ""
    made_of: tuple[str, ...] = ()
    better: str = ""
    situations: frozenset[Situation] = _HELD
    ac_only: bool = False

    @property
    def roles(self) -> tuple[str, ...]:
        """Roles the bench must have, each once."""
        return tuple(dict.fromkeys(name.partition(".")[0] for name in self.readings()))

    def readings(self, *, has_meter: bool = False) -> tuple[str, ...]:
        """Return the measure names of the readings it is made of: its own, or those of a figure."""
        if self.better and has_meter:
            return (self.better,)
        return self.made_of or ((f"{self.source}.{self.quantity}",) if self.source else ())

    def operations(self, input_kind: str, *, has_meter: bool = False) -> tuple[Operation, ...]:
        """Return the operations it rests on for one kind of input, ``dc`` or ``ac``.

        Volts times amperes are real power for DC alone; for AC the source itself must measure it.
        """
        needs: dict[Operation, None] = {}
        for reading in (*self.made_of, *self.readings(has_meter=has_meter)):
            role, _, quantity = reading.partition(".")
            if quantity == "power":
                needs |= {(role, "measure_voltage"): None, (role, "measure_current"): None}
            if quantity != "power" or (role, input_kind) == ("supply", "ac"):
                needs[role, f"measure_{quantity}"] = None
        return tuple(needs)


def _reading(
    name: str, unit: str, description: str, limits: str, *situations: Situation
) -> tuple[str, Measure]:
    source, _, quantity = name.partition(".")
    return name, Measure(
        unit=unit,
        description=description,
        limits=limits,
        source=source,
        quantity=quantity,
        situations=frozenset(situations or _HELD),
    )


_COLD = frozenset({Situation.COLD})
_LOADED = frozenset({Situation.LOADED})
#: Voltage can be measured without power, too: it should be none.
_ANYWHERE = (Situation.COLD, Situation.HELD)

#: Every measure by its name.
MEASURES: Mapping[str, Measure] = {
    **dict(
        (
            _reading("supply.voltage", "V", "input voltage (rms for AC)", '"24 V"'),
            _reading("supply.current", "A", "input current (rms for AC)", '"80 mA"'),
            _reading("supply.power", "W", "input power (real, for AC)", '"2 W"'),
            _reading("meter.voltage_dc", "V", "DC voltage at the meter", '"5.1 V"', *_ANYWHERE),
            _reading("meter.voltage_ac", "V", "ripple at the meter, rms", '"50 mV"', *_ANYWHERE),
            _reading("meter.current_dc", "A", "DC current, by meter", '"20 mA"'),
            _reading("meter.temperature", "degC", "temperature", '"60 degC"'),
            # An ohmmeter on a live unit reads nonsense and may be damaged: cold steps alone, and
            # the last a bench check would try.
            _reading("meter.resistance", "ohm", "resistance, power off", '"1 kohm"', *_COLD),
            _reading("load.voltage", "V", "output voltage, by load", '"24 V"', *_LOADED),
            _reading("load.current", "A", "output current", '"2.5 A"', *_LOADED),
            _reading("load.power", "W", "output power", '"60 W"', *_LOADED),
        )
    ),
    "efficiency": Measure(
        unit="%",
        description="output power over input power",
        limits='"80 %"',
        made_of=("supply.power", "load.power"),
        situations=_LOADED,
    ),
    "average_efficiency": Measure(
        unit="%",
        description="mean efficiency at 25, 50, 75 and 100 % of nominal output current",
        limits='"85 %"',
        made_of=("supply.power", "load.power"),
        situations=frozenset({Situation.LOAD_POINTS}),
    ),
    "load_regulation": Measure(
        unit="%",
        description="change of output voltage from least to most load, over its nominal",
        limits='"1 %"',
        made_of=("load.voltage",),
        # the better voltmeter, and it sits where the leads do not count
        better="meter.voltage_dc",
        situations=frozenset({Situation.LOAD_POINTS}),
    ),
    "line_regulation": Measure(
        unit="%",
        description="change of output voltage from low to high line, over its nominal",
        limits='"0.5 %"',
        made_of=("meter.voltage_dc",),
        situations=frozenset({Situation.CORNERS}),
    ),
    "power_factor": Measure(
        unit="1",
        description="real power over rms voltage times rms current",
        limits="0.5",
        made_of=("supply.power", "supply.voltage", "supply.current"),
        ac_only=True,
    ),
    "discharge_time": Measure(
        unit="s",
        description="time until the stored charge has drained",
        limits='"5 s"',
        made_of=("meter.voltage_dc",),
        situations=frozenset({Situation.FALL}),
    ),
    "operator.value": Measure(
        unit="1", description="a number the operator reads off", limits="10", situations=_COLD
    ),
    "operator.yes_no": Measure(
        unit="1",
        description="the operator's answer: 1 for yes, 0 for no",
        limits="1",
        situations=_COLD,
    ),
}

#: What each role reads, with its unit: what may stand under ``accuracy`` in a bench file.
READINGS: Mapping[str, Mapping[str, str]] = {
    role: {each.quantity: each.unit for each in MEASURES.values() if each.source == role}
    | ({"frequency": "Hz"} if role == "supply" else {})
    for role in ("supply", "meter", "load")
}

#: What each role is set to, with its unit: ``set_NAME`` sends it, ``NAME_setting`` reads it back.
SETTINGS: Mapping[str, Mapping[str, str]] = {
    "supply": {
        "voltage": "V",
        "current_limit": "A",
        "voltage_protection": "V",
        "current_protection": "A",
        "frequency": "Hz",
        "watchdog": "s",
    },
    "load": {"current": "A", "resistance": "ohm", "power": "W"},
}

#: How an operation is spoken: a message without or with a number; a question for a number, a state
#: (on or off) or text.
Form = Literal["bare", "number", "value", "state", "text"]

#: Every operation a dialect may define. Two are known, and never sent: ``reset``, since what an
#: instrument forgets by it, such as a function set by hand, is not this program's to change; and
#: ``measure_frequency``, since a frequency that is set and read back never moves, so that nothing
#: would show whether such a reading lives.
OPERATIONS: Mapping[str, Form] = {
    **dict.fromkeys(("identify", "error"), "text"),
    **dict.fromkeys(("clear", "reset", "output_on", "output_off", "input_on", "input_off"), "bare"),
    **dict.fromkeys(("output_state", "input_state"), "state"),
    **dict.fromkeys(("self_test", "complete", "status"), "value"),
    **{f"set_{name}": "number" for role in SETTINGS for name in SETTINGS[role]},
    **{f"{name}_setting": "value" for role in SETTINGS for name in SETTINGS[role]},
    **{f"set_constant_{mode}": "bare" for mode in SETTINGS["load"]},
    **{f"measure_{name}": "value" for role in READINGS for name in READINGS[role]},
}

#: What each role cannot do without, since safety rests on it.
REQUIRED: Mapping[str, tuple[str, ...]] = {
    "supply": (
        *("identify", "clear", "error", "set_voltage", "voltage_setting", "set_current_limit"),
        *("current_limit_setting", "output_on", "output_off", "output_state"),
        *("measure_voltage", "measure_current"),
    ),
    "meter": ("identify",),
    "load": (
        *("identify", "set_current", "current_setting", "input_on", "input_off", "input_state"),
        *("measure_voltage", "measure_current"),
    ),
}
