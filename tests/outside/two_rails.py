"""What a boosted bulk capacitor feeds: two converters, an enable input, a power-good signal.

Each converter gives its output capacitor what holds its voltage, and no more than its limit; what
it takes is what it gives, and losses (energy balance, textbook). The rails are states: they fall by
what is drawn from them once nothing is given.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any


@dataclass(frozen=True)
class RailParts:
    """A converter and its output; SI units.

    Attributes:
        volts: At its terminals without load; ``ohm``: by how much it falls with load.
        most_a: Current limit; it then gives that at whatever voltage is left.
        farads: Its output capacitor; ``bleed_ohm``: what empties it.
        idle_w: Taken with nothing on it; ``loss_frac``: loss as a share of what it gives.
        rise_s: Time it rises in.
        start_v: Bulk voltage at which it begins; ``stop_v``: below which it stops.
        ripple_v: Ripple, rms, without load; it doubles at full load, ``full_a``.
    """

    volts: float
    full_a: float
    most_a: float
    idle_w: float
    loss_frac: float
    start_v: float
    stop_v: float
    ohm: float = 0.01
    farads: float = 2.2e-3
    bleed_ohm: float = 2.2e3
    rise_s: float = 0.03
    ripple_v: float = 0.005


MAIN = RailParts(
    volts=24.03,
    full_a=2.5,
    most_a=3.1,
    idle_w=1.5,
    loss_frac=0.09,
    start_v=125.0,
    stop_v=95.0,
)
STANDBY = RailParts(
    volts=5.06,
    full_a=1.0,
    most_a=1.6,
    idle_w=0.35,
    loss_frac=0.22,
    start_v=114.0,
    stop_v=60.0,
    bleed_ohm=1e3,
    rise_s=0.02,
    ripple_v=0.003,
)


class Rail:
    """A converter's state.

    Attributes:
        rail_v: Its output now.
        running: Whether it works.
        taken_w: What it takes from the bulk capacitor.
        load_a: Current drawn at a voltage (set by the electronic load).
    """

    def __init__(self, parts: RailParts) -> None:
        self.parts = parts
        self.rail_v = 0.0
        self.running = False
        self.taken_w = 0.0
        self.load_a: Callable[[float], float] = lambda _: 0.0
        self._risen = 0.0

    def move(self, step_s: float, bulk_v: float, *, allowed: bool = True) -> None:
        """Go on by a step, fed from a bulk voltage; not allowed, it is off."""
        parts = self.parts
        least_v = parts.stop_v if self.running else parts.start_v
        self.running = allowed and bulk_v >= least_v
        # what is drawn, as a conductance over the step: one that shorts it out cannot swing
        drawn_s = self.load_a(self.rail_v) / max(self.rail_v, 1e-3) + 1.0 / parts.bleed_ohm
        fills_s = parts.farads / step_s
        given_a = self.taken_w = 0.0
        if self.running:
            self._risen = min(1.0, self._risen + step_s / parts.rise_s)
            wanted_v = parts.volts * self._risen - parts.ohm * self.rail_v * drawn_s
            wanted_a = fills_s * (wanted_v - self.rail_v) + drawn_s * wanted_v
            given_a = min(parts.most_a, max(0.0, wanted_a))
            self.taken_w = parts.idle_w + self.rail_v * given_a * (1.0 + parts.loss_frac)
        else:
            self._risen = 0.0
        self.rail_v = (fills_s * self.rail_v + given_a) / (fills_s + drawn_s)

    def ripple_v(self) -> float:
        """Ripple of its output, rms."""
        if not self.running:
            return 0.0
        return self.parts.ripple_v * (1.0 + self.load_a(self.rail_v) / self.parts.full_a)


class TwoRails:
    """Both converters behind one bulk capacitor; it stands where a circuit has its converter.

    Attributes:
        main: Off until the enable input is pulled; ``standby``: on whenever there is power.
        good_v: The power-good signal.
        aux_v: What the auxiliary supply gives to the enable input, 0 while it is off.
        aux_limit_a: Its limit; an enable input never comes near it.
        extra_w: A fault: power drawn at the input as well.
    """

    #: Enable input: its resistance, and the voltage from which it is pulled.
    PIN_OHM, PULLED_V = 10e3, 2.0
    #: Power good: share of nominal from which the rail is up, and how long it has to be.
    GOOD_FRAC, GOOD_S = 0.92, 0.25

    def __init__(self, table: dict[str, Any]) -> None:
        self.main = Rail(replace(MAIN, **table.get("main", {})))
        self.standby = Rail(replace(STANDBY, **table.get("standby", {})))
        self._obeys: bool | None = {"obeys": None, "always": True, "never": False}[
            table.get("enable", "obeys")
        ]
        self.aux_v = self.aux_limit_a = self.extra_w = 0.0
        self._up_s = 0.0

    @property
    def enabled(self) -> bool:
        """Whether the main converter may work: by the pin, or by what is wrong with it."""
        return self.aux_v >= self.PULLED_V if self._obeys is None else self._obeys

    @property
    def aux_reads(self) -> tuple[float, float]:
        """Voltage and current at the auxiliary supply; one whose pin leads nowhere takes none."""
        return self.aux_v, 0.0 if self._obeys is False else self.aux_v / self.PIN_OHM

    @property
    def good_v(self) -> float:
        """The power-good signal: the standby rail drives it."""
        return 0.98 * self.standby.rail_v if self._up_s >= self.GOOD_S else 0.0

    @property
    def taken_w(self) -> float:
        """What both take from the bulk capacitor."""
        return self.main.taken_w + self.standby.taken_w + self.extra_w * self.standby.running

    @property
    def at_rest(self) -> bool:
        """Whether nothing works."""
        return not (self.main.running or self.standby.running)

    def move(self, step_s: float, bulk_v: float) -> None:
        """Go on by a step."""
        self.standby.move(step_s, bulk_v)
        self.main.move(step_s, bulk_v, allowed=self.enabled)
        up = self.main.rail_v >= self.GOOD_FRAC * MAIN.volts
        self._up_s = self._up_s + step_s if up else 0.0

    # what a circuit and the control socket look at: the first output

    @property
    def rail_v(self) -> float:
        """The main rail."""
        return self.main.rail_v

    @property
    def running(self) -> bool:
        """Whether the main converter works."""
        return self.main.running

    def longest_step_s(self, _: float) -> float:
        """Return how far ahead nothing changes by itself."""
        return 0.02
