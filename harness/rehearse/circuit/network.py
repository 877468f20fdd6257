"""The unit's input network at one instant: who carries what, given the voltages at both ends."""

from __future__ import annotations

import math
from dataclasses import dataclass

from harness.rehearse.circuit.source import SourceModel
from harness.rehearse.circuit.varistor_law import varistor_current_a, voltage_behind_v
from harness.rehearse.unit_model import UnitModel

__all__ = ["InputNetwork"]


@dataclass(frozen=True, kw_only=True, slots=True)
class InputNetwork:
    """Resistances of the path, as they are until a fuse, a contact or a part changes.

    ::

        source ── line_ohm ──┬────────┬── drop_v, series_ohm ──┬──────────┬─────────┐
                          short   varistor                   ESR+bulk   leak,short  converter

    Attributes:
        line_ohm: From the point that is held to the varistor: leads and fuse (AC: and source).
        short_siemens: Conductance of a short across the input.
        drop_v: Forward drop of the rectifier.
        series_ohm: From the varistor to the bulk capacitor.
        esr_ohm: Equivalent series resistance of the bulk capacitor.
        bulk_f: Bulk capacitance.
        leak_siemens: Everything that loads the bulk capacitor like a resistor.
        fault_siemens: The part of it that is a fault.
        is_closed: False if fuse or contact is open.
    """

    line_ohm: float
    short_siemens: float
    drop_v: float
    series_ohm: float
    esr_ohm: float
    bulk_f: float
    leak_siemens: float
    fault_siemens: float
    is_closed: bool

    @classmethod
    def of(
        cls, model: UnitModel, source: SourceModel, *, broken_over: bool, is_closed: bool
    ) -> InputNetwork:
        """Return the network of ``model`` on ``source``."""
        defects = model.defects
        fault = 1.0 / defects.bulk_short_ohm + 1.0 / defects.bulk_leak_ohm
        if broken_over:
            fault += 1.0 / defects.breakdown_ohm
        inner_ohm = source.resistance_ohm if source.kind == "ac" else 0.0
        return cls(
            line_ohm=inner_ohm + source.wiring_ohm + model.fuse.resistance_ohm,
            short_siemens=1.0 / defects.input_short_ohm,
            drop_v=model.rectifier.drop_v,
            series_ohm=model.rectifier.resistance_ohm,
            esr_ohm=model.bulk.series_resistance_ohm,
            bulk_f=model.bulk.capacitance_f,
            leak_siemens=1.0 / model.bulk.leakage_ohm + fault,
            fault_siemens=fault,
            is_closed=is_closed,
        )

    def shunt_siemens(self, model: UnitModel, open_v: float) -> float:
        """Return the conductance across the input at ``open_v``: short and varistor.

        The varistor counts as the resistance it has at its working point when the rectifier takes
        nothing; below a tenth of a milliampere it counts as nothing.
        """
        varistor = model.varistor
        if varistor is None or varistor_current_a(varistor, open_v) < 1e-4:
            return self.short_siemens
        divided = 1.0 + self.line_ohm * self.short_siemens
        across_v = voltage_behind_v(varistor, open_v / divided, self.line_ohm / divided)
        if across_v <= 0.0 or math.isclose(across_v, 0.0):
            return self.short_siemens
        return self.short_siemens + varistor_current_a(varistor, across_v) / across_v
