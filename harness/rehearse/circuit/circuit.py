"""A simulated circuit: settings in, time forward, true values out."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from dataclasses import replace
from typing import Any

from harness.profile.level import LoadMode
from harness.rehearse.charge_parts import Battery
from harness.rehearse.circuit.changes import Changes, Contact, FuseHeat
from harness.rehearse.circuit.charger import ChargerState
from harness.rehearse.circuit.converter import ConverterState, OutputLoad
from harness.rehearse.circuit.network import InputNetwork
from harness.rehearse.circuit.source import SourceModel, SourceSetting
from harness.rehearse.circuit.standby import WithStandby
from harness.rehearse.circuit.windowed_means import LetThrough, Means, WindowedMeans
from harness.rehearse.circuit.working import WorkingState
from harness.rehearse.unit_model import UnitModel

#: An output reading averages over this long: a period of the slower line frequency.
_OUTPUT_WINDOW_S = 0.02

#: How often an electronic load compares voltage and current: in constant resistance and power it
#: follows the voltage through a loop of its own, not at once (common practice).
_LOOP_S = 0.5e-3
#: Change of its current, as a share, that is worth telling the converter.
_NEWS = 1e-4


def converter_of(model: UnitModel) -> ConverterState:
    """Return the converter of a unit, with its charging stage where it charges batteries."""
    if model.charger is not None:
        return ChargerState(model.converter, model.charger, model.bulk)
    if model.standby is not None:
        return WithStandby(model.converter, model.standby, model.bulk)
    if model.work is not None:
        return WorkingState(model.converter, model.work, model.bulk)
    return ConverterState(model.converter, model.bulk)


class Circuit(ABC):
    """A supply, the unit and an electronic load, joined; what DC and AC have in common.

    Time is an argument: nothing moves but by :meth:`advance_to`. Values are true values; noise and
    error of the instruments are the instruments' own. The seed decides when a bad contact opens:
    same seed, same run. ``model`` is the unit as it was before first power.

    Raises:
        ValueError: A DC unit on an AC source, or the other way round.
    """

    def __init__(self, model: UnitModel, source: SourceModel, *, seed: int = 1) -> None:
        if model.fed_kind != source.kind:
            raise ValueError(f"a unit fed with {model.fed_kind} on a {source.kind} source")
        self.model = model
        self.source = source
        self.setting = SourceSetting(
            voltage_v=0.0, current_limit_a=source.highest_current_a, frequency_hz=50.0, on=False
        )
        self.load = OutputLoad()
        self.changes = Changes(model)
        self.converter = converter_of(model)
        self.let_through = LetThrough()  # through the fault path so far; zero for a healthy unit
        self.time_s = 0.0
        self.fuse = FuseHeat(model.fuse)
        self.bulk_v = 0.0
        self._contact = Contact(model.defects.intermittence, seed=seed)
        self._means = WindowedMeans()
        self._broken_over = False
        self._peak_a = 0.0
        self._beside_ohm = math.inf  # a resistor by hand across the bulk capacitor
        self._backwards = False  # whether the leads at the input are the other way round
        self._rewire()

    @property
    def source_on(self) -> bool:
        """True while the supply's output is on."""
        return self.setting.on

    def set_source(self, **told: Any) -> None:
        """Change fields of the supply's setting from now on; what is left out stays."""
        wanted = replace(self.setting, **told)
        if wanted == self.setting:
            return
        if wanted.on and not self.setting.on:
            self._peak_a = 0.0
        self._take_setting(wanted)

    def change_source(self, *, resistance_ohm: float) -> None:
        """Put another resistance into the source, as of a lamp that warms; from now on."""
        self.source = replace(self.source, resistance_ohm=resistance_ohm)
        self._rewire()

    def set_load(
        self, *, on: bool | None = None, mode: LoadMode | None = None, value: float | None = None
    ) -> None:
        """Change the electronic load from now on; what is left out stays.

        The value is what it holds in its mode: A, ohm, W or V.
        """
        self.load.mode = mode or self.load.mode
        if value is not None:
            self.load.levels[self.load.mode] = value
        if on is not None:
            self.load.on = on
        self._tell_load()

    def set_beside(self, current_a: float) -> None:
        """Draw a current at further outputs from now on, as seen from the first one."""
        self.load.beside_a = current_a
        self._tell_load()

    def set_standby_load(self, current_a: float) -> None:
        """Draw another current from the standby rail from now on, where the unit has one."""
        if not isinstance(self.converter, WithStandby):
            return
        self._draw(self.converter.load_a)  # up to now it was as it was
        self.converter.standby.set_load(current_a)
        self._disturb()

    def set_enable(self, *, on: bool) -> None:
        """Pull the enable input from now on, or let go of it."""
        self._draw(self.converter.load_a)  # up to now it was as it was
        self.converter.enable(on=on)
        self._disturb()

    def connect_resistor(self, resistance_ohm: float) -> None:
        """Put a resistor across the output by hand; infinite takes it off."""
        self.load.hand_ohm = resistance_ohm
        self._tell_load()

    def connect_battery(self, battery: Battery | None, charged_frac: float = 0.0) -> float:
        """Put a battery across the output of a charger by hand; None takes it off.

        Returns the state of charge of the one that was there, or what is given where none was.

        Raises:
            ValueError: The unit charges no battery.
        """
        charger = self._charger()
        left_frac = charged_frac if charger.battery is None else charger.charged_frac
        charger.connect_battery(battery, charged_frac)
        self._tell_load()
        return left_frac

    def connect_small_supply(self, voltage_v: float, limit_a: float) -> None:
        """Put a small supply behind a diode across the output of a charger; 0 V takes it off.

        The voltage is what the diode leaves of it.

        Raises:
            ValueError: The unit charges no battery.
        """
        self._charger().connect_small_supply(voltage_v, limit_a)
        self._tell_load()

    @property
    def small_supply_a(self) -> float:
        """Current of the small supply at a charger; of any other unit 0 A."""
        return self.converter.small_supply_a if isinstance(self.converter, ChargerState) else 0.0

    def _charger(self) -> ChargerState:
        if not isinstance(self.converter, ChargerState):
            raise ValueError("the unit charges no battery")  # noqa: TRY004 - of the unit's values
        return self.converter

    def connect_across_bulk(self, resistance_ohm: float) -> None:
        """Put a resistor across the bulk capacitor by hand; infinite takes it off."""
        self._beside_ohm = resistance_ohm
        self._rewire()

    @property
    def backwards(self) -> bool:
        """Whether the leads at the input are the other way round."""
        return self._backwards

    def turn_leads(self, *, backwards: bool) -> None:
        """Put the leads at the input of a unit the other way round, or back again."""
        self._backwards = backwards
        self._rewire()

    def advance_to(self, time_s: float) -> None:
        """Go on to ``time_s``; a time already reached changes nothing."""
        while time_s > self.time_s:
            if not self.load.follows_voltage:
                self._advance_to(time_s)
                return
            # A load that follows the voltage does so in steps of its own while anything moves.
            followed = self._follow_voltage()  # first, and always: a moving output most of all
            still = self.converter.is_still and not followed
            self._advance_to(time_s if still else min(self.time_s + _LOOP_S, time_s))
        if self.load.follows_voltage:
            self._follow_voltage()

    def _follow_voltage(self) -> bool:
        """Let the load follow the output voltage; return True if that changed its current."""
        wanted_a = self.load.current_a(self.converter.output_v)
        drawn_a = self.converter.load_a
        if abs(wanted_a - drawn_a) <= _NEWS * max(abs(drawn_a), abs(wanted_a)) + 1e-9:
            self.converter.rest_at_limit(_NEWS)
            return False
        self._tell_load()
        return True

    def _tell_load(self) -> None:
        self._draw(self.load.current_a(self.converter.output_v))

    def _rewire(self) -> None:
        """Take over a change of fuse, contact or part."""
        self._network = InputNetwork.of(
            self.changes.model,
            self.source,
            broken_over=self._broken_over,
            is_closed=self._contact.is_closed and not self.fuse.is_open,
            beside_ohm=self._beside_ohm,
            backwards=self._backwards,
        )
        self._disturb()

    def _record(self, duration_s: float, means: Means, line_a2: float) -> None:
        """Note the averages over a time that passed, and heat the fuse."""
        self._means.add(duration_s, means)
        self._peak_a = max(self._peak_a, means.peak_a)
        if self.fuse.advance(duration_s, line_a2):
            self._rewire()

    def _age(self, duration_s: float, **conditions: Any) -> None:
        """Let the slow parts of the unit move on under these conditions."""
        if self.changes.advance(duration_s, **conditions):
            self._rewire()

    def _break_over(self, bulk_v: float) -> None:
        """Let the switch break over at this bulk voltage, if it does."""
        if not self._broken_over and bulk_v >= self.model.defects.breakdown_v:
            self._broken_over = True
            self._rewire()

    @abstractmethod
    def _advance_to(self, time_s: float) -> None:
        """Go on to ``time_s`` with an even load current."""

    @abstractmethod
    def _take_setting(self, wanted: SourceSetting) -> None:
        """Put another setting in the place of ``setting``."""

    @abstractmethod
    def _draw(self, current_a: float) -> None:
        """Draw another current from the output."""

    @abstractmethod
    def _disturb(self) -> None:
        """Note that the network is another one."""

    def source_voltage_v(self, window_s: float = 0.0) -> float:
        """Return the voltage at the supply's terminals.

        DC: mean over the window, the value now for 0. AC: rms over as many whole half-cycles as fit
        the window best, over one line period for 0.
        """
        return self._terminals(window_s)[0]

    def source_current_a(self, window_s: float = 0.0) -> float:
        """Return the supply's current; window as for the voltage, rms for AC."""
        return self._terminals(window_s)[1]

    def source_power_w(self, window_s: float = 0.0) -> float:
        """Return the real power at the supply's terminals; window as for the voltage."""
        return self._terminals(window_s)[2]

    def source_peak_current_a(self) -> float:
        """Return the supply's highest instantaneous current since its output last came on."""
        return self._peak_a

    @abstractmethod
    def _terminals(self, window_s: float) -> tuple[float, float, float]:
        """Return voltage, current and power at the supply's terminals."""

    @abstractmethod
    def source_limiting(self) -> bool:
        """Return True if the supply is in current limit."""

    def output_voltage_v(self) -> float:
        """Return the mean voltage at the output terminals."""
        means = self._means.over(_OUTPUT_WINDOW_S)
        return self.converter.output_v if means is None else means.output_v

    def output_ripple_v(self) -> float:
        """Return the rms value of the AC part at the output terminals."""
        means = self._means.over(_OUTPUT_WINDOW_S)
        if means is None:
            return 0.0
        bulk_v = math.sqrt(max(means.bulk_square - means.bulk_v**2, 0.0))
        dips_v2 = max(means.output_square - means.output_v**2, 0.0)
        return math.sqrt(self.converter.ripple_v(bulk_v) ** 2 + dips_v2)
