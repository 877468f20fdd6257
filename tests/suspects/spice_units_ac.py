"""AC units for ngspice, in topologies that the program's circuit knows nothing of.

Three units of the nameplate of unit B, each a netlist of its own:

=====  ==========================  ==========================  ==================================
``t``  input                       rectifier and bulk          converter
=====  ==========================  ==========================  ==================================
0      varistor (power law),       bridge of fast diodes,      constant power, its loss in part
       choke in both leads,        one capacitor; thermistor   in the square of the input current;
       X capacitor                 that heats                  soft start by voltage
1      choke in one lead, varistor bridge of slow diodes, two  constant current while it ramps;
       (a table) behind it, two    capacitors in parallel, a   its loss grows with bulk voltage
       X capacitors                resistor that stays
2      X capacitor and bleeder,    two capacitors in series    bursts of 1 ms at light load;
       no varistor, choke behind   with balancing resistors,   constant power
       the bridge                  a resistor that is bridged
=====  ==========================  ==========================  ==================================

Their netlists are in ``spice_netlist_ac.py``. A unit with a half-wave rectifier, a voltage doubler
or a boost stage has another nameplate: the power factor that this one's profile asks for, or the
energy of its bulk capacitor, is none of theirs.
"""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, replace

#: The shipped AC pre-check.
AC = "dome-shutter-power-unit"
#: Its phases: rms voltage, frequency, current limit, load, time computed.
PHASES: tuple[tuple[float, float, float, float, float], ...] = (
    (12.0, 60.0, 0.5, 0.0, 0.3),
    (30.0, 60.0, 0.5, 0.0, 0.3),
    (60.0, 60.0, 0.5, 0.0, 0.5),
    (90.0, 60.0, 0.5, 0.0, 0.4),
    (120.0, 60.0, 0.5, 0.0, 0.5),
    (120.0, 60.0, 1.5, 0.0, 0.2),
    (120.0, 50.0, 1.5, 0.0, 0.3),
    (120.0, 60.0, 1.5, 1.25, 0.5),
    (120.0, 60.0, 1.5, 2.5, 0.6),
)
#: Of a contact that opens now and then, up to nominal voltage: as long as the run takes for each.
_SLOWLY_S = (1.55, 1.55, 1.55, 1.55, 1.55, 2.5)
#: Below it a short cuts the run in its first phases: no more are computed.
_SHORT_OHM, _TO_A_TRIP = 100.0, 3
#: Bulk voltage at nominal line.
BULK_V = 168.0


@dataclass(frozen=True, kw_only=True)
class AcParts:
    """One unit, in component values; SI units."""

    topology: int = 0
    bulk_f: float = 150e-6
    bulk_left: float = 1.0  #: of its capacitance; the rest dried out
    esr_ohm: float = 0.35
    leak_ohm: float = 400e3
    feed_ohm: float = 0.3
    input_short_ohm: float = 1e9
    varistor_short_ohm: float = 1e9
    varistor_v: float = 215.0
    bulk_short_ohm: float = 1e9
    leg_short_ohm: float = 1e9
    breakdown_v: float = 1e4
    open_s: float = 0.0  #: the contact opens for so long about once a second
    is_open: bool = False
    diode_open: bool = False
    starts: bool = True
    idle_w: float = 1.6
    loss_w: float = 7.5  #: at full load, on top
    output_v: float = 24.03
    droop_ohm: float = 0.03
    limit_a: float = 3.1
    ripple_v: float = 14e-3
    rejection: float = 3e-3
    phase: float = 0.0  #: of the line at switch-on, in periods


#: Class of the library, what it changes, and how far: units of each from mild to severe.
FAULTS: dict[str, tuple[str, tuple[float, ...]]] = {
    "shorted-input": ("input_short_ohm", (3.0, 0.15)),
    "shorted-varistor": ("varistor_short_ohm", (2.0, 0.3)),
    "shorted-switch": ("bulk_short_ohm", (3.0, 0.4)),
    "switch-breakdown": ("breakdown_v", (0.9 * BULK_V, 0.45 * BULK_V)),
    "open-fuse": ("is_open", (1, 1)),
    "leaky-bulk-capacitor": ("leak_ohm", (BULK_V**2 / 3.5, BULK_V**2 / 40.0)),
    "weak-bulk-capacitor": ("bulk_left", (0.5, 0.25, 0.06)),
    "resistive-bulk-capacitor": ("esr_ohm", (4.0, 7.0)),
    "open-rectifier-diode": ("diode_open", (1, 1, 1)),
    "shorted-bridge-diode": ("leg_short_ohm", (2.0, 0.1)),
    "no-start": ("starts", (0, 0)),
    "intermittent-contact": ("open_s", (0.2, 0.7)),
    "idle-over-consumption": ("idle_w", (4.0, 9.0)),
    "lost-efficiency": ("loss_w", (18.0, 34.0)),
    "output-low": ("output_v", (22.8, 20.0)),
    "output-high": ("output_v", (25.2, 28.0)),
    "sagging-output": ("droop_ohm", (0.05 * 9.6, 0.25 * 9.6)),
    "current-limit-folded-back": ("limit_a", (2.0, 0.9)),
    "rippling-output": ("ripple_v", (60e-3, 120e-3)),
    "bench-supply-lead-resistance": ("feed_ohm", (12.0, 40.0)),
    "bench-supply-leads-off": ("is_open", (1,)),
    "bench-meter-leads-swapped": ("", (0,)),
    "bench-meter-elsewhere": ("", (0,)),
    "bench-meter-scale": ("", (10.0, 0.1)),
}


def ac_units() -> Iterator[tuple[str, float, AcParts]]:
    """Yield every faulty unit: its class, how far it has gone, its parts."""
    number = 0
    for kind, (field, values) in FAULTS.items():
        for value in values:
            parts = drawn(f"{kind} {value:g}", number % 3)
            number += 1
            if field:
                of = type(getattr(parts, field))
                parts = replace(parts, **{field: of(value)})
            if parts.bulk_left < 1.0:  # dries out: more resistance, more ripple
                more = 1.0 / parts.bulk_left
                parts = replace(parts, esr_ohm=parts.esr_ohm * more)
                parts = replace(parts, ripple_v=parts.ripple_v * more**0.6)
            yield kind, value, parts


def sound_units() -> Iterator[AcParts]:
    """Yield sound units, two of each topology."""
    for number in range(6):
        yield drawn(f"sound {number}", number % 3)


def unknown_units() -> Iterator[AcParts]:
    """Yield units with a fault that no library has: a varistor that gives way at nominal line."""
    yield replace(drawn("gives way 0", 0), varistor_v=140.0)
    yield replace(drawn("gives way 1", 1), varistor_v=150.0)


def drawn(seed: str, topology: int) -> AcParts:
    """Draw a sound unit."""
    rng, usual = random.Random(f"ac {seed}"), AcParts()
    return replace(
        usual,
        topology=topology,
        bulk_f=usual.bulk_f * rng.uniform(0.88, 1.15),
        esr_ohm=usual.esr_ohm * rng.uniform(0.6, 1.6),
        leak_ohm=usual.leak_ohm * rng.uniform(0.6, 2.0),
        feed_ohm=usual.feed_ohm * rng.uniform(0.7, 1.5),
        idle_w=usual.idle_w * rng.uniform(0.8, 1.15),
        loss_w=usual.loss_w * rng.uniform(0.85, 1.15),
        output_v=usual.output_v * rng.uniform(0.993, 1.007),
        droop_ohm=usual.droop_ohm * rng.uniform(0.5, 1.5),
        limit_a=usual.limit_a * rng.uniform(0.95, 1.15),
        ripple_v=usual.ripple_v * rng.uniform(0.7, 1.3),
        rejection=usual.rejection * rng.uniform(0.6, 1.5),
        phase=rng.random(),
    )


def phases_of(parts: AcParts) -> list[tuple[float, float, float, float, float]]:
    """Return the phases that are computed of a unit, with their times."""
    if parts.open_s > 0.0:
        return [(*phase[:4], long_s) for phase, long_s in zip(PHASES, _SLOWLY_S, strict=False)]
    shorts = (parts.input_short_ohm, parts.varistor_short_ohm, parts.bulk_short_ohm)
    is_short = min(*shorts, parts.leg_short_ohm) < _SHORT_OHM
    return list(PHASES[:_TO_A_TRIP] if is_short else PHASES)
