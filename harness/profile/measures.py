"""The catalogue: what instruments are told and asked, what they read, and what checks judge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import Enum
from typing import Literal


class Situation(Enum):
    """What a step offers to measure in; which kinds of step offer it, their classes say."""

    COLD = "without power, before the first start"
    STARTED = "read while power comes up"
    RISING = "while outputs come up"
    WATCHED = "held at a voltage that was reached before, with a person who looks on"
    HELD = "held under power"
    LOADED = "held, with an electronic load that may be on"
    LOAD_POINTS = "several load points"
    CORNERS = "several line voltages"
    BACKFED = "without power, with a battery at a charger's output"
    DIPPED = "while the input drops and comes back"
    CYCLED = "while power is off and comes back"
    FALL = "after power off, while the stored charge drains"


#: An instrument's operation: role and name in its dialect.
Operation = tuple[str, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measure:
    """One thing a check can ask for: an instrument's own reading, or a figure made of some."""

    #: Of its limits in a file and of its value in SI: ``%`` for a share of one that is written as a
    #: percentage, ``1`` for a plain number.
    unit: str
    limits: str  # example of a limit, as it stands in TOML
    #: Role of the instrument that gives the reading, and what is read: ``measure_QUANTITY`` in the
    #: dialect, the key of its accuracy in the bench file. Both empty for a computed figure.
    source: str = ""
    quantity: str = ""
    #: Readings it is worked out from, in the order of its formula; a reading's own name.
    made_of: tuple[str, ...]
    #: A reading that takes their place where the bench has its instrument.
    better: str = ""
    #: A reading of the meter that takes their place where the bench has not their own instrument.
    otherwise: str = ""
    situations: frozenset[Situation]
    ac_only: bool = False  # it means something for AC inputs alone

    def readings(self, *, has_meter: bool = False) -> tuple[str, ...]:
        """Return the measure names of the readings it is made of."""
        return (self.better,) if self.better and has_meter else self.made_of

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


def _reading(name: str, unit: str, limits: str, *situations: Situation) -> tuple[str, Measure]:
    source, _, quantity = name.partition(".")
    return name, Measure(
        unit=unit,
        limits=limits,
        source=source,
        quantity=quantity,
        made_of=(name,),
        situations=frozenset(situations or [Situation.HELD]),
    )


def _figure(
    unit: str,
    limits: str,
    situation: Situation,
    *made_of: str,
    also: tuple[Situation, ...] = (),
    better: str = "",
    otherwise: str = "",
    ac_only: bool = False,
) -> Measure:
    return Measure(
        unit=unit,
        limits=limits,
        made_of=made_of,
        better=better,
        otherwise=otherwise,
        situations=frozenset({situation, *also}),
        ac_only=ac_only,
    )


#: Voltage can be measured without power, too: it should be none.
_ANYWHERE = (Situation.COLD, Situation.HELD)

#: Every measure by its name. An AC supply's voltage and current are rms, its power is real;
#: ``meter.voltage_ac`` is the ripple. A regulation is a change of output voltage over its nominal.
MEASURES: Mapping[str, Measure] = {
    **dict(
        (
            _reading("supply.voltage", "V", '"24 V"'),
            _reading("supply.current", "A", '"80 mA"'),
            _reading("supply.power", "W", '"2 W"'),
            _reading("meter.voltage_dc", "V", '"5.1 V"', *_ANYWHERE),
            _reading("meter.voltage_ac", "V", '"50 mV"', *_ANYWHERE),
            _reading("meter.current_dc", "A", '"20 mA"', Situation.HELD, Situation.BACKFED),
            _reading("meter.temperature", "degC", '"60 degC"'),
            # An ohmmeter on a live unit reads nonsense and may be damaged: cold steps alone, and
            # the last a bench check would try.
            _reading("meter.resistance", "ohm", '"1 kohm"', Situation.COLD),
            # at the input of the unit, rms and real power for AC
            _reading("power_meter.voltage", "V", '"120 V"'),
            _reading("power_meter.current", "A", '"0.2 A"'),
            _reading("power_meter.power", "W", '"2 W"'),
            _reading("power_meter.power_factor", "1", "0.5"),
            _reading("power_meter.frequency", "Hz", '"60 Hz"'),
            # of what drives the enable input
            _reading("aux.voltage", "V", '"5 V"'),
            _reading("aux.current", "A", '"2 mA"'),
            _reading("load.voltage", "V", '"24 V"', Situation.LOADED),
            _reading("load.current", "A", '"2.5 A"', Situation.LOADED),
            _reading("load.power", "W", '"60 W"', Situation.LOADED),
        )
    ),
    "efficiency": _figure("%", '"80 %"', Situation.LOADED, "supply.power", "load.power"),
    # the mean of it at 25, 50, 75 and 100 % of nominal output current
    "average_efficiency": _figure(
        "%", '"85 %"', Situation.LOAD_POINTS, "supply.power", "load.power"
    ),
    # from least to most load; the meter is the better voltmeter, and sits where leads do not count
    "load_regulation": _figure(
        "%", '"1 %"', Situation.LOAD_POINTS, "load.voltage", better="meter.voltage_dc"
    ),
    # of another output, from the least loaded point to the most loaded one
    "cross_regulation": _figure("%", '"5 %"', Situation.LOAD_POINTS, "meter.voltage_dc"),
    # from one output that comes up to another one
    "rise_delay": _figure("s", '"200 ms"', Situation.RISING, "meter.voltage_dc"),
    # from low to high line
    "line_regulation": _figure("%", '"0.5 %"', Situation.CORNERS, "meter.voltage_dc"),
    # from low to high line: what draws more at the higher one, whatever the rest draws
    "input_power_rise": _figure("W", '"0.2 W"', Situation.CORNERS, "supply.power"),
    # real power over rms voltage times rms current
    "power_factor": _figure(
        "1", "0.5", Situation.HELD, "supply.power", "supply.voltage", "supply.current", ac_only=True
    ),
    # what a start tells of the unit: the circuit's own curve fitted to its readings
    "start.bulk_capacitance": _figure(
        "F", '"330 uF"', Situation.STARTED, "supply.voltage", "supply.current", "supply.power"
    ),
    # at a level below the start threshold; of an AC unit by its real power
    "start.leakage_current": _figure(
        "A", '"5 mA"', Situation.STARTED, "supply.current", "supply.power"
    ),
    # at a level above it
    "start.idle_power": _figure("W", '"2 W"', Situation.STARTED, "supply.power"),
    # of leads, unit and capacitor together
    "start.series_resistance": _figure(
        "ohm", '"2 ohm"', Situation.STARTED, "supply.voltage", "supply.current"
    ),
    # with which the current dies away once the voltage is reached
    "start.time_constant": _figure(
        "s", '"2 ms"', Situation.STARTED, "supply.voltage", "supply.current"
    ),
    # between the level without the draw of a converter and the one with it
    "start.begin_voltage": _figure("V", '"55 V"', Situation.STARTED, "supply.voltage"),
    # the highest instantaneous one of the start, by a supply that holds it
    "start.switch_on_current": _figure("A", '"10 A"', Situation.STARTED, "supply.current"),
    # from power on to the end of the last hold
    "start.energy": _figure("J", '"5 J"', Situation.STARTED, "supply.power"),
    # by the fall of its voltage through a known resistor, and how fast that is; the input voltage
    # at which the converter stops, by where that fall begins to be an exponential
    "discharge.bulk_capacitance": _figure("F", '"120 uF"', Situation.FALL, "meter.voltage_dc"),
    "discharge.time_constant": _figure("s", '"5 s"', Situation.FALL, "meter.voltage_dc"),
    "start.stop_voltage": _figure("V", '"40 V"', Situation.FALL, "meter.voltage_dc"),
    # until the stored charge has drained
    "discharge_time": _figure("s", '"5 s"', Situation.FALL, "meter.voltage_dc"),
    # of an input that drops and comes back: how long it was down, by the messages that did it ...
    "dip.duration": _figure("s", '"25 ms"', Situation.DIPPED, "supply.voltage"),
    # ... the lowest voltage that the load, or else the meter, read meanwhile and just after ...
    "dip.output": _figure(
        "V", '"23.3 V"', Situation.DIPPED, "load.voltage", otherwise="meter.voltage_dc"
    ),
    # ... and for how long the output stood: until it is 5 % low, or as long as that was seen
    "dip.hold_up": _figure(
        "s", '"16 ms"', Situation.DIPPED, "load.voltage", otherwise="meter.voltage_dc"
    ),
    # of power that goes off and comes back: how long it was off, by the messages that switched it
    "cycle.off_time": _figure("s", '"2.1 s"', Situation.CYCLED, "supply.voltage"),
    "operator.value": _figure("1", "10", Situation.COLD, also=(Situation.WATCHED,)),
    # 1 for yes, 0 for no
    "operator.yes_no": _figure("1", "1", Situation.COLD, also=(Situation.WATCHED,)),
}

#: Figures of a start that each of its levels tells, by whether they are told below the start
#: threshold; a check without a level judges that of the highest one.
TOLD_BY_LEVEL: Mapping[str, bool] = {"start.leakage_current": True, "start.idle_power": False}

#: The highest instantaneous current since a supply's output came on, where it holds that.
PEAK = "current_peak"

#: What each role reads, with its unit: what may stand under ``accuracy`` in a bench file. A relay
#: reads nothing.
READINGS: Mapping[str, Mapping[str, str]] = {
    role: {each.quantity: each.unit for each in MEASURES.values() if each.source == role}
    | ({"frequency": "Hz", PEAK: "A"} if role == "supply" else {})
    for role in ("supply", "meter", "load", "power_meter", "switch", "aux", "enable_switch")
}


def role_of(key: str) -> str:
    """Return the role of an instrument by its key: ``meter rail`` is a meter."""
    return key.partition(" ")[0]


#: Readings that mean nothing without the band of frequencies they take in.
BANDED = frozenset({"meter.voltage_ac"})

#: What a person may read off a tester, with its unit.
TESTER_READINGS: Mapping[str, str] = {
    "voltage": "V",
    "current": "A",
    "power": "W",
    "resistance": "ohm",
    "capacitance": "F",
    "inductance": "H",
    "time": "s",
    "frequency": "Hz",
    "temperature": "degC",
    "length": "m",
    "speed": "rpm",
    "sound": "dB",
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
    "aux": {
        "voltage": "V",
        "current_limit": "A",
        "voltage_protection": "V",
        "current_protection": "A",
    },
    "load": {"current": "A", "resistance": "ohm", "power": "W", "voltage": "V"},
}

#: How an operation is spoken: a message without or with a number; a question for a number, a state
#: (on or off) or text.
Form = Literal["bare", "number", "value", "state", "text"]

#: Every operation a dialect may define. Two are known, and never sent: ``reset``, since what an
#: instrument forgets by it, such as a function set by hand, is not this program's to change; and
#: ``measure_frequency`` of a supply, since a frequency that is set and read back never moves, so
#: that nothing would show whether such a reading lives.
OPERATIONS: Mapping[str, Form] = {
    **dict.fromkeys(("identify", "error"), "text"),
    **dict.fromkeys(("clear", "reset", "output_on", "output_off", "input_on", "input_off"), "bare"),
    **dict.fromkeys(("contact_close", "contact_open"), "bare"),
    **dict.fromkeys(("output_state", "input_state", "contact_state"), "state"),
    **dict.fromkeys(("current_limit_state", "protection_state"), "state"),
    **dict.fromkeys(("self_test", "complete", "status"), "value"),
    **{f"set_{name}": "number" for role in SETTINGS for name in SETTINGS[role]},
    **{f"{name}_setting": "value" for role in SETTINGS for name in SETTINGS[role]},
    **{f"set_constant_{mode}": "bare" for mode in SETTINGS["load"]},
    **{f"measure_{name}": "value" for role in READINGS for name in READINGS[role]},
}

#: What each role cannot do without, since safety rests on it.
REQUIRED: Mapping[str, tuple[str, ...]] = {
    "supply": (
        *("identify", "set_voltage", "voltage_setting", "set_current_limit"),
        *("current_limit_setting", "output_on", "output_off", "output_state"),
        *("measure_voltage", "measure_current"),
    ),
    "meter": ("identify",),
    "load": (
        *("identify", "set_current", "current_setting", "input_on", "input_off", "input_state"),
        *("measure_voltage", "measure_current"),
    ),
    "power_meter": ("identify", "measure_voltage", "measure_current", "measure_power"),
    "switch": ("contact_close", "contact_open", "contact_state"),  # a relay board says no name
}
