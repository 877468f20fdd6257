"""Mistakes at the bench that look like a fault of the unit: classes of the library, too."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from harness.profile.bench_file import BenchFile
from harness.rehearse.fault import AC, DC, Severity, changed
from harness.rehearse.unit_model import UnitModel

#: By instrument and quantity, what a mistake makes of a true value.
Misread = Mapping[tuple[str, str], Callable[[float], float]]

#: Resistance of leads and contacts, of nominal voltage over nominal current: at the mild end a
#: healthy unit loses one percent of its line voltage at full load.
_LEADS = Severity(
    "resistance of the leads, of the unit's own",
    "%",
    (0.01, 0.05, 0.3),
    (0.0, 10.0),
    by_decades=True,
)
_SCALE = Severity(
    "what it shows, of the true value", "1", (10.0, 10.0, 0.1), (1e-3, 1e3), by_decades=True
)


def _same(model: UnitModel, _severity: float) -> UnitModel:
    return model


def _leads(model: UnitModel, share: float) -> UnitModel:
    """Resistance between the place where the supply's voltage is read and the unit."""
    converter = model.converter
    full_w = converter.input_power_w(converter.output_nominal_w)
    ohm = share * converter.nominal_bulk_v**2 / full_w
    return changed(model, "rectifier", resistance_ohm=model.rectifier.resistance_ohm + ohm)


def _open(model: UnitModel, _severity: float) -> UnitModel:
    return changed(model, "fuse", is_open=True)


def _all_meters(bench: BenchFile, seen: Callable[[float], float]) -> Misread:
    kinds = ("voltage_dc", "voltage_ac")
    return {(key, quantity): seen for key in bench.all_meters for quantity in kinds}


@dataclass(frozen=True, kw_only=True, slots=True)
class BenchError:
    """One mistake at the bench."""

    name: str
    summary: str
    #: What shows it, without power.
    shown_by: str
    severity: Severity | None = None
    kinds: frozenset[str] = AC | DC
    #: Whether it wants a meter on the bench.
    by_meter: bool = False
    change: Callable[[UnitModel, float], UnitModel] = _same
    misread: Callable[[BenchFile, float], Misread] = lambda _bench, _severity: {}

    def applies(self, bench: BenchFile) -> bool:
        """Whether this can happen on a bench."""
        return bench.gives in self.kinds and (bool(bench.all_meters) or not self.by_meter)


def _scaled(bench: BenchFile, severity: float) -> Misread:
    # a factor of ten, one way or the other: nothing lies between
    factor = 10.0 if severity > 1.0 else 0.1
    return _all_meters(bench, lambda true: factor * true)


_ALL = (
    BenchError(
        name="bench-supply-leads-off",
        summary="a supply lead is off, or makes no contact",
        shown_by="a look along both leads; ohmmeter from the supply's plug to the unit's input",
        change=_open,
    ),
    BenchError(
        name="bench-supply-leads-swapped",
        summary="supply leads swapped",
        shown_by="a look along both leads",
        kinds=DC,
        change=lambda model, _: changed(model, "rectifier", conducts_positive=False),
    ),
    BenchError(
        name="bench-supply-lead-resistance",
        summary="thin or long supply leads, or a bad contact in them",
        shown_by="ohmmeter along each lead, ends moved; sense leads at the unit's input",
        severity=_LEADS,
        change=_leads,
    ),
    BenchError(
        name="bench-meter-leads-swapped",
        summary="meter leads swapped",
        shown_by="a look along both leads",
        by_meter=True,
        misread=lambda bench, _: {(key, "voltage_dc"): lambda v: -v for key in bench.all_meters},
    ),
    BenchError(
        name="bench-meter-elsewhere",
        summary="meter not on the output it is thought to be on",
        shown_by="a look along both leads",
        by_meter=True,
        misread=lambda bench, _: _all_meters(bench, lambda _true: 0.0),
    ),
    BenchError(
        name="bench-meter-scale",
        summary="meter or probe on a wrong scale, off by ten",
        shown_by="a look at the range and the probe; a known voltage at the leads",
        by_meter=True,
        severity=_SCALE,
        misread=_scaled,
    ),
)

#: Every mistake, by its name.
BENCH_ERRORS: Mapping[str, BenchError] = {one.name: one for one in _ALL}


def severity_at(severity: Severity | None, share_frac: float) -> float:
    """Return the number so far from mild to severe; not-a-number where there is none."""
    return math.nan if severity is None else severity.at(share_frac)
