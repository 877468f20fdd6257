"""The usual cautions for a unit on the bench (safety rule 10)."""

from __future__ import annotations

from harness.profile.schema import Profile
from harness.quantity import format_quantity
from harness.unit.charger_output import ChargerOutput
from harness.unit.nameplate import Unit

#: DC voltage up to which a circuit counts as the lowest class of electrical energy source.
#: Source: IEC 62368-1, ES1: 60 V DC (from memory).
HAZARDOUS_V = 60.0

_KILL = (
    "Mains and stored charge can kill. Work on opened equipment only if you are trained for it, "
    "and never alone."
)
_FEED = (
    "Feed the unit isolated from the mains and through an RCD (GFCI). Behind an isolating "
    "transformer an RCD no longer sees a current through you."
)
_CLEAR = (
    "Eye protection on. Cover the unit and keep hands clear at first power: capacitors, fuses and "
    "varistors can burst."
)
_MEASURE = "Measure before you touch, with a meter proved on a known voltage just before and after."
_CLASSES = {
    "I": "Protection class I: connect protective earth, and prove it before first power.",
    "II": "Protection class II: with the cover off its insulation is not complete.",
    "III": "Protection class III: what feeds it must be a separated extra-low voltage.",
}
_CLEAR_LOW = (
    "Eye protection on. Keep hands clear at first power: capacitors can burst, the wrong way round "
    "above all, and parts may be hot long before they look it."
)
_FEED_LOW = (
    "Isolate the bench supply's output from whatever else is earthed, and keep rings and tools off "
    "the board. Where mains is near, use an RCD (GFCI): mains can kill."
)
#: What DC must never be put on, and what it tells nothing of. Source: common practice.
_ON_DC = (
    "DC at an AC input: only where its diagram shows a rectifier, and the bulk capacitor behind "
    "it. NEVER where a mains transformer, a motor or a contactor is across the input: for DC that "
    "is a short. Behind a series capacitor nothing comes through, and a voltage doubler charges "
    "one of its two capacitors: neither can be tested so."
)
_FEED_DC = (
    "Unplug the unit from the mains before the DC supply is connected, and keep it unplugged. The "
    "supply's output stays isolated from earth. Above 60 V DC kills as mains does, and it draws an "
    "arc: no lead is connected or parted under voltage."
)
_LOCAL = (
    "Local codes and licensed practice come first. This plan replaces neither them nor your own "
    "judgement."
)
#: Of batteries at a charger. Source: usual cautions of chargers' instructions (common practice;
#: IEC 60335-2-29 asks for instructions of this kind, from memory).
BATTERY_CAUTIONS = (
    (
        "Batteries: a fuse in the lead, at the battery, for little more than the current of the "
        "charge; mind the polarity: the wrong way round a battery drives all it has through the "
        "charger."
    ),
    (
        "A battery gets warm, and one that is charged wrongly vents gas that burns, bursts or "
        "catches fire: air around it, nothing that burns or sparks beside it, eye protection on."
    ),
    (
        "Only a sound battery of the kind the charger is for; and never leave one unattended on a "
        "unit under test."
    ),
)

#: Of what wakes a charger in the place of a battery. Source: common practice.
_SMALL_SUPPLY = (
    "Never connect the supply that wakes the charger without a diode in its plus lead, made for "
    "the charger's highest voltage: once awake, the charger would drive its current back into the "
    "supply. That supply is off, or disconnected, before a battery is connected."
)


def cautions(profile: Profile) -> tuple[str, ...]:
    """Return the cautions that go with a plan and its report, the gravest first."""
    unit = profile.unit
    stored_v = profile.fed.input.stored_v(profile.envelope.voltage_v)
    stored = _stored(unit, stored_v)
    if unit.input.kind == "ac" or stored_v > HAZARDOUS_V:
        discharge = (
            f"After power off the bulk capacitor may hold {stored}. Discharge it through a "
            "resistor made for the voltage."
        )
        feed = (_FEED,) if profile.feed is None else (_ON_DC, _FEED_DC)
        return (
            _KILL,
            *_boosted(unit),
            *feed,
            _CLEAR,
            discharge,
            _MEASURE,
            _CLASSES[unit.protection_class],
            *_batteries(profile),
            _LOCAL,
        )
    discharge = (
        f"Low voltage is no promise: the bulk capacitor may hold {stored} after power off, enough "
        "to burn, to weld and to start a fire. Discharge it, then measure."
    )
    return (*_high_outputs(unit), discharge, _CLEAR_LOW, _FEED_LOW, *_batteries(profile), _LOCAL)


def _batteries(profile: Profile) -> tuple[str, ...]:
    """Warn of the batteries that are connected to a charger, and of what else wakes it."""
    outputs = profile.unit.output.values()
    charges = any(isinstance(output, ChargerOutput) for output in outputs)
    if not charges:
        return ()
    wakes = any(getattr(step, "wake_v", None) for step in profile.steps)
    return (*BATTERY_CAUTIONS, *((_SMALL_SUPPLY,) if wakes else ()))


def _stored(unit: Unit, stored_v: float) -> str:
    """Say what the bulk capacitor may hold. Source: E = C V^2 / 2, textbook."""
    told, capacitance_f = (
        f"up to {format_quantity(stored_v, 'V', 3)}",
        unit.input.bulk_capacitance_f,
    )
    if capacitance_f is not None:
        told += f" and {format_quantity(0.5 * capacitance_f * stored_v**2, 'J', 2)}"
    return told


def _boosted(unit: Unit) -> tuple[str, ...]:
    """Warn of a bulk voltage that the line does not let expect."""
    boosted_v = unit.input.boosted_v
    if boosted_v is None:
        return ()
    caution = (
        f"The boost stage puts {format_quantity(boosted_v, 'V', 3)} DC on the bulk capacitor as "
        "soon as it runs, on the lowest line as on the highest. Test leads, meter and discharge "
        "resistor must be made for it; no RCD sees a current between its terminals."
    )
    return (caution,)


def _high_outputs(unit: Unit) -> tuple[str, ...]:
    """Warn of outputs that are more dangerous than a low input lets expect."""
    high = [name for name, output in unit.output.items() if output.nominal_v > HAZARDOUS_V]
    if not high:
        return ()
    most = format_quantity(HAZARDOUS_V, "V")
    return (f"Output {', '.join(high)} is above {most} and can kill, low input or not.", _MEASURE)
