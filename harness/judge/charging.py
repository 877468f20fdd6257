"""The curve of a capacitor that a DC supply charges: a constant current, then a constant voltage.

Everything is in closed form, so that a fit asks it thousands of times in a few milliseconds. The
time of the curve counts from its corner, where the supply's voltage reaches what was set::

    supply: I, then V ──┬── R, diode ──┬───────┐
                     own C           bulk C  leak G
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from harness.judge.uncertainty import FloatArray

#: A shorter averaging window is none: a mean over it would be a difference of two charges alike.
_LEAST_WINDOW_S = 1e-6
#: Newton's method for the tail: steps, and the largest exponent that is taken.
_STEPS, _MOST_EXPONENT = 6, 60.0
#: Least resistance, emission voltage, leak and capacitance of the tail: nothing divides by zero,
#: and no step of a fit leads out of what there is.
_LEAST_OHM, _LEAST_V, _LEAST_A, _LEAST_F = 1e-4, 1e-5, 1e-9, 1e-12


@dataclass(frozen=True, slots=True, kw_only=True)
class Charging:
    """One level of a start on a unit that does not work yet."""

    bulk_f: float
    own_f: float  # across the supply's own terminals, behind its shunt
    leak_siemens: float  # in parallel with the bulk capacitor
    steady_a: float  # drawn, or read, at any voltage
    series_ohm: float  # leads, unit, and the capacitor's own
    emission_v: float  # a diode's n k T / q; next to zero: no diode
    #: By so much the supply's own voltage falls with its current; a part of ``series_ohm``.
    regulation_ohm: float = 0.0
    limit_a: float  # while the voltage rises
    rest_v: float  # the voltage after it

    @property
    def rest_a(self) -> float:
        """Current at rest."""
        return self.steady_a + self.leak_siemens * self.rest_v

    @property
    def corner_v(self) -> float:
        """Voltage where the supply ceases to hold its current."""
        return self.rest_v - self.regulation_ohm * (self.limit_a - self.rest_a)

    def rise_v(self, time_s: FloatArray) -> FloatArray:
        """Return the voltage while the current is constant; ``time_s`` is negative then.

        Source: (C + C0) dv/dt = I - I0 - G v, textbook.
        """
        total_f = self.bulk_f + self.own_f
        rate = (self.limit_a - self.rest_a) / total_f
        x = -self.leak_siemens / total_f * time_s
        small = np.abs(x) < 1e-6
        grown = np.where(small, 1.0 + 0.5 * x, np.expm1(x) / np.where(small, 1.0, x))
        risen: FloatArray = self.corner_v + rate * time_s * grown
        return risen

    def tail(self, time_s: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Return current beyond that at rest, and the charge it has brought since the corner.

        From the corner on the supply's own capacitor takes nothing; the unit's current j above its
        leak g falls while the bulk capacitor follows::

            t = R C ln(j0/j) + n kT/q C (ln(j0/j) + ln((j + g)/(j0 + g))) / g

        and the charge is C times the voltage that R and the diode no longer drop.

        Source: C dv/dt = j with v = V - R i - n kT/q ln(i), i = j + g; textbook (Ohm's law and the
            ideal diode), solved for u = ln(j0/j) by Newton's method.
        """
        c = max(self.bulk_f, _LEAST_F)
        r, m = max(self.series_ohm, _LEAST_OHM), max(self.emission_v, _LEAST_V)
        g = max(self.rest_a, _LEAST_A)
        j0 = max((self.limit_a - self.rest_a) * c / (c + self.own_f), _LEAST_A)
        t = np.maximum(time_s, 0.0)
        exponent = np.minimum(g / (m * c) * t, _MOST_EXPONENT)
        # the two bounds of u from above, by either term alone
        u = np.minimum(t / (r * c + m * c / (j0 + g)), np.log1p((g + j0) / g * np.expm1(exponent)))
        u = np.minimum(u, _MOST_EXPONENT)
        for _ in range(_STEPS):
            j = j0 * np.exp(-u)
            reached_s = r * c * u + m * c / g * (u + np.log((j + g) / (j0 + g)))
            u = np.clip(u - (reached_s - t) / (r * c + m * c / (j + g)), 0.0, _MOST_EXPONENT)
        j = j0 * np.exp(-u)
        charge: FloatArray = c * (r * (j0 - j) + m * np.log((j0 + g) / (j + g)))
        return j, charge

    def voltage_v(self, time_s: FloatArray, window_s: FloatArray | float = 0.0) -> FloatArray:
        """Return readings of the voltage, each a mean over the window that ends at its time.

        Source: Simpson's rule over what rises, exact to the third order.
        """
        window = np.maximum(window_s, _LEAST_WINDOW_S)
        first, last = np.minimum(time_s - window, 0.0), np.minimum(time_s, 0.0)
        rising = (
            self.rise_v(first) + 4.0 * self.rise_v(0.5 * (first + last)) + self.rise_v(last)
        ) / 6.0
        share = (last - first) / window
        mean: FloatArray = share * rising + (1.0 - share) * self.rest_v  # once the tail is over
        return mean

    def current_a(self, time_s: FloatArray, window_s: FloatArray | float = 0.0) -> FloatArray:
        """Return readings of the current, each a mean over the window that ends at its time."""
        window = np.broadcast_to(np.maximum(window_s, _LEAST_WINDOW_S), time_s.shape)
        first, last = time_s - window, time_s
        share = (np.minimum(last, 0.0) - np.minimum(first, 0.0)) / window
        mean: FloatArray = share * self.limit_a + (1.0 - share) * self.rest_a
        after = last > 0.0
        current, charge = self.tail(np.stack([first[after], last[after]]))
        window = window[after]
        mean[after] += np.where(
            window > _LEAST_WINDOW_S, (charge[1] - charge[0]) / window, current[1]
        )
        return mean
