"""The boost stage of a simulated unit: active power-factor correction, averaged over its switching.

Between rectifier and bulk capacitor it draws a current in proportion to the line's voltage, as a
resistor would, and holds the capacitor above the line's peak. While it does not run, its inductor
and diode pass what the rectifier gives: the capacitor follows the peak of the line.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Annotated

from harness.files.field_types import Amps, Farads, Fraction, Seconds, Volts
from harness.rehearse.unit_parts import Key


@dataclass(frozen=True, kw_only=True, slots=True)
class Boost:
    """A boost stage. Source: IEC 61000-3-2 is what it is fitted for; common practice."""

    held_v: Annotated[Volts, Key("voltage", tolerance=True)]  #: bulk voltage, its mean
    start_v: Volts  #: peak of the line from which it starts
    stop_v: Volts  #: peak of the line below which it stops
    works: bool = True  #: False if it never runs
    #: From a line that is high enough to the first switching: its own supply is charged first.
    delay_s: Seconds
    soft_start_s: Seconds  #: from the peak of the line to the voltage it holds
    loss_frac: Fraction  #: of what it takes; the rectifier's comes on top
    limit_a: Amps  #: highest instantaneous current it draws
    #: Current that is not in proportion to the voltage, of the one that is; both rms.
    distortion_frac: Fraction
    #: Across the line, for interference: takes a current a quarter of a period early, boost stage
    #: or not.
    filter_f: Annotated[Farads, Key("filter_capacitance")]
    line_peak_v: float  #: peak of the highest nominal line
