"""The reference tables that an assessment stands on: fuses, varistors, capacitors, bounds.

They are data in ``shared/``, each with its sources. Reading them is the one thing in this package
that touches a file.
"""

from __future__ import annotations

import tomllib
from collections.abc import Iterable
from functools import cache

from pydantic import BaseModel, ConfigDict

from harness.shipped import shipped

__all__ = [
    "CapacitorTable",
    "FuseTable",
    "Gate",
    "Gates",
    "Reference",
    "StressTable",
    "VaristorClass",
    "VaristorTable",
    "reference",
]


class _Row(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class _Breaking(_Row):
    amperes: float
    times_rating: float


class Gate(_Row):
    """Pre-arcing time at a multiple of the rating; None: no upper bound."""

    times: float
    least_s: float
    most_s: float | None = None


class Gates(_Row):
    """The gates of one standard sheet."""

    source: str
    characteristic: str
    breaking: str
    from_a: float
    to_a: float
    times: tuple[Gate, ...]


class FuseTable(_Row):
    """``shared/fuse-links.toml``."""

    ratings_a: tuple[float, ...]
    characteristics: tuple[str, ...]
    held_for_ever_times: float
    breaking: dict[str, _Breaking]
    melting_times: dict[str, dict[str, float]]
    gates: tuple[Gates, ...]

    def breaking_capacity_a(self, letter: str, rating_a: float) -> float:
        """Return what a link with this letter can interrupt, in amperes.

        Source:
            IEC 60127-2: L 35 A or ten times the rating, E 150 A, H 1500 A.
        """
        row = self.breaking[letter]
        return max(row.amperes, row.times_rating * rating_a)

    def slowness(self, characteristic: str) -> int:
        """Return the place of a characteristic from the quickest on."""
        return self.characteristics.index(characteristic)


class VaristorClass(_Row):
    """One class of varistors, by its maximum continuous AC voltage."""

    maximum_ac_v: float
    maximum_dc_v: float
    at_1ma_v: float
    clamping_v: float


class VaristorTable(_Row):
    """``shared/varistor-classes.toml``."""

    exponent: float
    tolerance_frac: float
    classes: tuple[VaristorClass, ...]

    def nearest(self, maximum_ac_v: float) -> VaristorClass:
        """Return the class nearest to a maximum continuous AC voltage."""
        return min(self.classes, key=lambda row: abs(row.maximum_ac_v - maximum_ac_v))

    def class_for(self, highest_v: float, *, dc: bool) -> VaristorClass | None:
        """Return the lowest class that bears a line voltage for ever, or None."""
        bearing = (
            row
            for row in self.classes
            if (row.maximum_dc_v if dc else row.maximum_ac_v) >= highest_v
        )
        return next(bearing, None)


class _Discharge(_Row):
    limit_v: float
    after_s: float
    exempt_to_f: float

    def exempts(self, capacitance_f: float) -> bool:
        """Return whether nobody asks how fast this capacitance discharges; rounding aside."""
        return capacitance_f <= self.exempt_to_f * (1 + 1e-9)


class _Leakage(_Row):
    class_i_a: float
    class_ii_a: float


class _Surge(_Row):
    up_to_v: float
    factor_below: float
    factor_above: float
    limited_to_s: float


class _Reverse(_Row):
    borne_v: float


class _Preferred(_Row):
    rated_v: tuple[float, ...]


class CapacitorTable(_Row):
    """``shared/capacitors.toml``."""

    impulse_v: dict[str, float]
    line_up_to_v: dict[str, float]
    replaces: dict[str, tuple[str, ...]]
    discharge: _Discharge
    leakage: _Leakage
    surge: _Surge
    reverse: _Reverse
    preferred: _Preferred

    def surge_factor(self, rated_v: float) -> float:
        """Return surge voltage over rated voltage of an aluminium electrolytic.

        Source:
            1.15 up to 315 V, 1.10 above: common practice, as in IEC 60384-4 from memory.
        """
        low = rated_v <= self.surge.up_to_v
        return self.surge.factor_below if low else self.surge.factor_above

    def rated_v_for(self, voltage_v: float) -> float | None:
        """Return the lowest rated voltage that is made and bears a voltage, or None."""
        return next((rated for rated in self.preferred.rated_v if rated >= voltage_v), None)


class _Supply(_Row):
    ac_ohm: float
    dc_ohm: float


class _EventDefaults(_Row):
    duration_s: float


class _Winding(_Row):
    warm_through_s: float


class _Diode(_Row):
    drop_v: float


class _Converter(_Row):
    efficiency_frac: float
    power_factor: float


class _Limit(_Row):
    quantity: str
    marginal: float
    destroyed: float


class _Limits(_Row):
    kind: str
    rows: tuple[_Limit, ...]


class StressTable(_Row):
    """``shared/over-stress.toml``."""

    supply: _Supply
    event: _EventDefaults
    winding: _Winding
    diode: _Diode
    converter: _Converter
    limits: tuple[_Limits, ...]

    def bounds(self, kind: str, quantity: str) -> tuple[float, float]:
        """Return the ratios above which a stress is marginal, and above which it destroys.

        Raises:
            KeyError: The table has no such row.
        """
        for row in self._rows(kind):
            if row.quantity == quantity:
                return row.marginal, row.destroyed
        raise KeyError(f"{kind}: {quantity}")

    def _rows(self, kind: str) -> Iterable[_Limit]:
        return (row for limits in self.limits if limits.kind == kind for row in limits.rows)


class Reference(_Row):
    """All tables together."""

    fuses: FuseTable
    varistors: VaristorTable
    capacitors: CapacitorTable
    stress: StressTable


@cache
def reference() -> Reference:
    """Return the tables that come with the harness; read once."""
    return Reference.model_validate(
        {
            "fuses": _table("fuse-links"),
            "varistors": _table("varistor-classes"),
            "capacitors": _table("capacitors"),
            "stress": _table("over-stress"),
        }
    )


def _table(name: str) -> dict[str, object]:
    path = shipped("shared", f"{name}.toml")
    if path is None:
        raise FileNotFoundError(f"shared/{name}.toml is missing: the installation is not whole")
    return tomllib.loads(path.read_text(encoding="utf-8"))
