"""The simulated supply as the circuit sees it: what it holds, what it limits, what is inside."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceModel:
    """A bench supply with its leads."""

    kind: Literal["dc", "ac"]
    resistance_ohm: float  #: inside the terminals: DC regulation slope, AC output impedance
    wiring_ohm: float  #: leads and contacts from the terminals to the unit, both ways
    #: AC only: of output filter and leads.
    inductance_h: float = 0.0
    #: DC only: across the terminals, behind the shunt that measures current. It empties into a
    #: short whatever the limit is.
    output_capacitance_f: float = 0.0
    #: DC only: pulls the terminals down when they stand above the setting or the output is off.
    sink_ohm: float = 0.0
    highest_current_a: float  #: limit at power-on
    crest_factor: float = 1.0  #: AC only: clamps the current at this many times the limit
    #: AC only: phase of the line at which the output comes on; None: any, drawn each time.
    switch_on_deg: float | None = None


@dataclass(frozen=True, kw_only=True, slots=True)
class SourceSetting:
    """What the supply is told: voltage and limit are rms values for AC."""

    voltage_v: float
    current_limit_a: float
    frequency_hz: float  #: means nothing to a DC supply
    on: bool


#: A laboratory DC supply on short leads; the figures are common practice.
DC_SUPPLY = SourceModel(
    kind="dc",
    resistance_ohm=0.02,
    wiring_ohm=0.06,
    output_capacitance_f=220e-6,
    sink_ohm=330.0,
    highest_current_a=10.0,
)
#: A programmable AC source on short leads; the figures are common practice.
AC_SOURCE = SourceModel(
    kind="ac",
    resistance_ohm=0.1,
    wiring_ohm=0.1,
    # 1 uH for each metre of two leads, the rest the source's own filter. A public supply has more:
    # 0.25 ohm at 50 Hz, which is 0.8 mH, is the reference of IEC TR 60725 (from memory).
    inductance_h=20e-6,
    highest_current_a=10.0,
    crest_factor=4.0,
)


def source_for(kind: Literal["dc", "ac"], range_a: float | None = None) -> SourceModel:
    """Return the usual supply of a kind.

    One whose largest current is above the usual 10 A is stiffer, sits on thicker leads and has more
    capacitance across its terminals, all in proportion.

    Source: Leads are chosen for a drop, so for the current they carry: common practice.
    """
    usual = AC_SOURCE if kind == "ac" else DC_SUPPLY
    times = max(1.0, (range_a or 0.0) / usual.highest_current_a)
    return replace(
        usual,
        resistance_ohm=usual.resistance_ohm / times,
        wiring_ohm=usual.wiring_ohm / times,
        inductance_h=usual.inductance_h / times,
        output_capacitance_f=usual.output_capacitance_f * times,
        highest_current_a=usual.highest_current_a * times,
    )


def folded_v(actual_v: float, setting_v: float, current_a: float, limit_a: float) -> float:
    """Return the amplitude (as rms) for the next half-cycle: the source's current limit.

    Once a half-cycle the source compares the rms current of the half-cycle just ended, at
    ``actual_v``, with its limit. Far above it, it divides its amplitude by the excess, at most by
    two; a little above, it takes off a tenth of the excess; below, it gives back an eighth of what
    is missing, until it stands at its setting again. A resistive overload so settles within a few
    half-cycles; a rectifier, whose current grows much faster than amplitude, makes it hunt a little
    about the limit.
    """
    excess = current_a / limit_a if limit_a > 0.0 else 2.0
    if excess > 1.5:
        return actual_v * max(1.0 / excess, 0.5)
    if excess > 1.0:
        return actual_v * (1.0 - 0.1 * (excess - 1.0))
    return min(setting_v, actual_v * (1.0 + 0.125 * (1.0 - excess)) + 1e-4 * setting_v)
