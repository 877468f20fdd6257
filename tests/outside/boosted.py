"""A supply with a boost stage on an AC source, followed along the wave of the line itself.

What lies between the terminals and the bulk capacitor: the filter's capacitor across the line and
its bleeder; fuse and inrush limiter, which warms up; a bridge; then the boost stage, which draws a
current in proportion to what the bridge gives it, and beside it the diode that fills the capacitor
from the peaks of the line whenever they are above it. The filter's choke holds no millijoule and is
left out.

A period of the line has 120 steps. In each the voltage at the terminals is found at its middle,
where the currents of source, filter and bridge add up to nothing (Kirchhoff; Newton's method on a
monotone curve). The boost stage moves energy, the diode charge.

- The limiter: R = R25 exp(B (1/T - 1/T25)), C dT/dt = I^2 R - D (T - Ta) (beta equation and heat
  balance, textbook).
- The boost stage: its voltage loop sets a conductance once each half-period, where the line is at
  zero, by the energy that is missing in the capacitor: a proportional part and a sum (textbook: a
  loop much slower than the line). Highest current, start and stop by the line's peak, soft start.
- The source: limits its current at once to a level that it trims each half-period, until the rms
  current is its limit; where nothing is limited the level is that limit times its crest factor.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from tests.outside.circuits import AcCircuit, AcParts
from tests.outside.two_rails import TwoRails

#: Steps in a period of the line, and the longest one while no power is there.
STEPS, DARK_S = 120, 2e-3
#: A bulk capacitor that feeds nothing falls slowly enough below this for any step.
STILL_V = 1.0
#: Peak of a current that a source gives, of its rms limit, at most.
CREST = 3.0
#: 25 degC.
T25_K = 298.15


@dataclass(frozen=True)
class BoostedParts:
    """Filter, bridge, boost stage and bulk capacitor; SI units.

    Attributes:
        filter_f: Across the line, with ``filter_bleed_ohm`` beside it.
        fuse_ohm: Infinite where it has blown.
        limiter_ohm: Of the inrush limiter at 25 degC; ``limiter_b_k``: its B.
        limiter_w_k: What it gives off to its surroundings; ``limiter_j_k``: its heat capacity.
        drop_v: Of the bridge.
        choke_ohm: Choke and diode to the bulk capacitor.
        bulk_f: Bulk capacitor; ``bleed_ohm``: across it.
        works: Whether the boost stage does; ``held_v``: what it holds.
        start_peak_v: Peak of the line at which it starts; ``stop_peak_v``: below which it stops.
        delay_s: From there to its start; ``blind_s``: how long a stop takes.
        rise_s: Time of its soft start.
        loss_frac: Loss as a share of what it takes.
        peak_a: Highest current; ``most_w``: highest power its loop asks for.
        least_w: Below this it works in bursts; 0: never.
        input_ohm: A part across the line that has failed; infinite where none has.
    """

    filter_f: float = 330e-9
    filter_bleed_ohm: float = 1e6
    fuse_ohm: float = 0.06
    limiter_ohm: float = 13.0
    limiter_b_k: float = 3000.0
    limiter_w_k: float = 0.017
    limiter_j_k: float = 1.1
    room_k: float = 298.15
    drop_v: float = 1.7
    choke_ohm: float = 0.3
    bulk_f: float = 82e-6
    bleed_ohm: float = 660e3
    works: bool = True
    held_v: float = 390.0
    start_peak_v: float = 119.0
    stop_peak_v: float = 102.0
    delay_s: float = 0.05
    blind_s: float = 0.05
    rise_s: float = 0.12
    loss_frac: float = 0.04
    peak_a: float = 2.5
    most_w: float = 150.0
    least_w: float = 0.0
    input_ohm: float = math.inf


class Loop:
    """The boost stage's control, which acts once each half-period."""

    #: Of the missing energy, what the next half-period is to bring; and what is added to the sum.
    NOW, SUM = 0.25, 0.04
    #: Above this share of what it holds it lets half-periods go.
    OVER = 1.05

    def __init__(self, parts: BoostedParts) -> None:
        self.parts = parts
        self.running = False
        self.conductance_s = 0.0
        self._aim_v = self._sum_w = 0.0
        self._since_s = self._low_s = 0.0
        self._bursts = False

    def act(self, peak_v: float, bulk_v: float, half_s: float) -> None:
        """Look at the last half-period's peak and at the bulk capacitor."""
        parts = self.parts
        self._start_or_stop(peak_v, bulk_v, half_s)
        if not self.running:
            self.conductance_s = 0.0
            return
        self._aim_v = min(parts.held_v, self._aim_v + parts.held_v * half_s / parts.rise_s)
        missing_w = 0.5 * parts.bulk_f * (self._aim_v**2 - bulk_v**2) / half_s
        self._sum_w = min(parts.most_w, max(0.0, self._sum_w + self.SUM * missing_w))
        wanted_w = min(parts.most_w, max(0.0, self._sum_w + self.NOW * missing_w))
        if bulk_v > self.OVER * parts.held_v:
            wanted_w = 0.0
        if wanted_w < parts.least_w:
            self._bursts = bulk_v < (1.0 if self._bursts else 0.98) * self._aim_v
            wanted_w = parts.least_w if self._bursts else 0.0
        self.conductance_s = 2.0 * wanted_w / max(peak_v, parts.stop_peak_v) ** 2

    def _start_or_stop(self, peak_v: float, bulk_v: float, half_s: float) -> None:
        parts = self.parts
        if not self.running:
            seen = parts.works and peak_v >= parts.start_peak_v
            self._since_s = self._since_s + half_s if seen else 0.0
            if self._since_s > parts.delay_s:
                self.running = True
                self._aim_v, self._sum_w, self._low_s = bulk_v, 0.0, 0.0
            return
        self._low_s = self._low_s + half_s if peak_v < parts.stop_peak_v else 0.0
        if self._low_s > parts.blind_s:
            self.running = False
            self._since_s = 0.0


class BoostedCircuit(AcCircuit):
    """An AC source with the supply on it; its readings are means over the averaging window.

    Attributes:
        limiter_k: Temperature of the inrush limiter.
    """

    converter: TwoRails  # type: ignore[assignment]

    def __init__(self, source: AcParts, parts: BoostedParts, rails: TwoRails, now_s: float) -> None:
        super().__init__(source, rails, now_s)  # type: ignore[arg-type]
        self.boosted = parts
        self.short_ohm = parts.input_ohm
        self.limiter_k = parts.room_k
        self._loop = Loop(parts)
        self._series_ohm = parts.fuse_ohm + self.limiter_ohm
        self._phase = 0.0  # of the line, in half-periods
        self._line_v = 0.0  # at the terminals, as the wave goes
        self._peak_v = 0.0
        self._level_a = 0.0
        self._limited_a2s, self._limited = 0.0, False

    @property
    def conductance_s(self) -> float:
        """What the boost stage draws like, in this half-period."""
        return self._loop.conductance_s

    @property
    def limiter_ohm(self) -> float:
        """Resistance of the inrush limiter now."""
        parts = self.boosted
        colder = 1.0 / self.limiter_k - 1.0 / T25_K
        return parts.limiter_ohm * math.exp(parts.limiter_b_k * colder)

    def switch(self, *, on: bool) -> None:
        """Connect or open the output; the wave begins at zero."""
        super().switch(on=on)
        self._phase = self._line_v = self._peak_v = 0.0
        self._level_a = CREST * self.limit_a

    def _step(self, longest_s: float) -> None:
        if not self.on:
            still = self.converter.at_rest and self.bulk_v < STILL_V
            self._dark(longest_s if still else min(longest_s, DARK_S))
            return
        half_s = 0.5 / self.frequency_hz
        step_s = min(longest_s, 2.0 * half_s / STEPS, half_s * (1.0 - self._phase) + 1e-9)
        before_v, full_v = self._line_v, math.sqrt(2.0) * self.wanted_v()
        wave_v = full_v * math.sin(math.pi * (self._phase + 0.5 * step_s / half_s))
        given_a = self._meet(wave_v, before_v, step_s)
        volts = self._line_v
        self._peak_v = max(self._peak_v, abs(volts))
        self._sums[0] += volts * volts * step_s
        self._sums[1] += given_a * given_a * step_s
        self._sums[2] += volts * given_a * step_s
        ledger = self.ledger
        ledger.charge_c += abs(given_a) * step_s
        ledger.energy_j += volts * given_a * step_s
        ledger.i2t_a2s += given_a * given_a * step_s
        ledger.highest_a = max(ledger.highest_a, abs(given_a))
        self._limited_a2s += given_a * given_a * step_s
        self._fill(step_s, *self._path(abs(volts), step_s)[:3])
        self._phase += step_s / half_s
        if self._phase >= 1.0 - 1e-9:
            # the wave goes on with the other half; it is the same but for its sign
            self._phase, self._line_v = 0.0, -self._line_v
            self._loop.act(self._peak_v, self.bulk_v, half_s)
            self._trim(half_s)
            self._peak_v = 0.0
        self._note_step(step_s)

    def _dark(self, step_s: float) -> None:
        """Go on without power: what is stored feeds what works."""
        self._line_v = 0.0
        self._fill(step_s, 0.0, 0.0, 0.0)
        self._loop.act(0.0, self.bulk_v, step_s)
        self._note_step(step_s)

    def _trim(self, half_s: float) -> None:
        """Let the rms of the last half-period be the limit, where anything was limited."""
        highest_a = CREST * self.limit_a
        rms_a = math.sqrt(self._limited_a2s / half_s)
        if self._limited and rms_a > 0.0:
            times = min(1.3, max(0.5, self.limit_a / rms_a))
            self._level_a = min(highest_a, max(self.limit_a, self._level_a * times))
        else:
            self._level_a = min(highest_a, 1.3 * max(self._level_a, self.limit_a))
        self.limiting = self._limited and rms_a > 0.98 * self.limit_a
        self._limited_a2s, self._limited = 0.0, False

    def _note_step(self, step_s: float) -> None:
        self.now_s += step_s
        self._past.append((self.now_s, *self._sums))  # type: ignore[arg-type]
        since_s = self.now_s - self.parts.averaging_s
        while len(self._past) > 2 and self._past[1][0] <= since_s:
            self._past.popleft()

    def _meet(self, wave_v: float, before_v: float, step_s: float) -> float:
        """Find the voltage at the terminals; return the current the source gives there.

        Every current grows with that voltage, and the source's falls: there is one solution.
        """
        source_ohm, level_a = self.parts.source_ohm, self._level_a
        filter_s = self.boosted.filter_f / step_s
        steady_s = 1.0 / self.boosted.filter_bleed_ohm + 1.0 / self.short_ohm
        low_v, high_v = -abs(wave_v) - 600.0, abs(wave_v) + 600.0
        volts = wave_v
        given_a = 0.0
        for _ in range(60):
            free_a = (wave_v - volts) / source_ohm
            given_a = min(level_a, max(-level_a, free_a))
            slope = 1.0 / source_ohm if given_a == free_a else 0.0
            _, _, into_a, path_s = self._path(abs(volts), step_s)
            taken_a = math.copysign(into_a, volts) + volts * steady_s
            excess_a = given_a - taken_a - filter_s * (volts - before_v)
            if abs(excess_a) < 1e-7:
                break
            if excess_a > 0.0:
                low_v = volts
            else:
                high_v = volts
            volts += excess_a / (slope + path_s + steady_s + filter_s)
            if not low_v < volts < high_v:
                volts = 0.5 * (low_v + high_v)
        self._limited = self._limited or abs(given_a) >= level_a
        self._line_v = volts
        return given_a

    def _path(self, volts: float, step_s: float) -> tuple[float, float, float, float]:
        """Return what the bridge passes at a voltage of the line.

        Power into the boost stage, current through the diode beside it, both together as a
        current, and how that grows with the voltage.
        """
        parts = self.boosted
        above_v = volts - parts.drop_v
        if above_v <= 0.0:
            return 0.0, 0.0, 0.0, 0.0
        ohm = self._series_ohm
        boost_s = self._loop.conductance_s
        # the capacitor rises while it is filled: as a resistance of h / C
        diode_ohm = parts.choke_ohm + step_s / parts.bulk_f
        into_a = above_v * boost_s / (1.0 + ohm * boost_s)
        slope = boost_s / (1.0 + ohm * boost_s)
        if into_a > parts.peak_a:
            into_a, slope, boost_s = parts.peak_a, 0.0, 0.0
        left_v = above_v - ohm * into_a
        boost_a, diode_a = into_a, 0.0
        if left_v > self.bulk_v:
            held_a = boost_a if boost_s == 0.0 else 0.0  # by its highest current
            both_s = boost_s + 1.0 / diode_ohm
            into_a = (above_v * both_s - self.bulk_v / diode_ohm + held_a) / (1.0 + ohm * both_s)
            slope = both_s / (1.0 + ohm * both_s)
            left_v = above_v - ohm * into_a
            diode_a = max(0.0, (left_v - self.bulk_v) / diode_ohm)
            boost_a = into_a - diode_a
        return left_v * boost_a, diode_a, into_a, slope

    def _fill(self, step_s: float, boost_w: float, diode_a: float, into_a: float) -> None:
        """Move the bulk capacitor, the limiter's temperature and both rails on."""
        parts, rails = self.boosted, self.converter
        rails.move(step_s, self.bulk_v)
        taken_w = rails.taken_w - boost_w * (1.0 - parts.loss_frac)
        taken_a = taken_w / max(self.bulk_v, 10.0) + self.bulk_v / parts.bleed_ohm
        self.bulk_v = max(0.0, self.bulk_v + step_s * (diode_a - taken_a) / parts.bulk_f)
        heat_w = into_a * into_a * self.limiter_ohm
        cooled_w = parts.limiter_w_k * (self.limiter_k - parts.room_k)
        self.limiter_k += step_s * (heat_w - cooled_w) / parts.limiter_j_k
        self._series_ohm = parts.fuse_ohm + self.limiter_ohm
