"""The reference tables that an assessment stands on: fuses, varistors, capacitors, bounds.

They are data in ``shared/``, each with its sources. Reading them is the one thing in this package
that touches a file.
"""

from __future__ import annotations

import math
import tomllib
from functools import cache

from pydantic import BaseModel, ConfigDict

from harness.shipped import shipped
from harness.unit.parts import ElectrolyticRatings, FuseRatings, VaristorPart, VaristorRatings
from harness.unit.varistor import exponent_between


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

    def melting_integral_a2s(self, fuse: FuseRatings) -> float:
        """Return the melting integral: the data sheet's, or the usual one of its letters.

        Source: A multiple of the rating squared, ``shared/fuse-links.toml``; common practice.
        """
        if fuse.melting_i2t_a2s is not None:
            return fuse.melting_i2t_a2s
        return self.melting_times[fuse.characteristic][fuse.breaking] * fuse.current_a**2

    def time_constant_s(self, fuse: FuseRatings) -> float:
        """Return the time constant with which the element of a link loses heat.

        Source: Melting integral over the square of the current that is carried for ever; textbook.
            That lies between the gates at 1.5 and 2.1 times the rating, IEC 60127-2.
        """
        held_a = self.held_for_ever_times * fuse.current_a
        return self.melting_integral_a2s(fuse) / held_a**2

    def breaking_capacity_a(self, fuse: FuseRatings) -> float:
        """Return what a link can interrupt: as stated, or by its letter.

        Source: IEC 60127-2: L 35 A or ten times the rating, E 150 A, H 1500 A.
        """
        if fuse.breaking_capacity_a is not None:
            return fuse.breaking_capacity_a
        row = self.breaking[fuse.breaking]
        return max(row.amperes, row.times_rating * fuse.current_a)

    def gates_for(self, fuse: FuseRatings) -> Gates | None:
        """Return the gates of the standard sheet that a link belongs to, or None."""
        letters = (fuse.characteristic, fuse.breaking)
        for gates in self.gates:
            reaches = gates.from_a <= fuse.current_a <= gates.to_a
            if reaches and (gates.characteristic, gates.breaking) == letters:
                return gates
        return None

    def is_preferred(self, rating_a: float) -> bool:
        """Return whether a rating is of the preferred series of IEC 60127-2."""
        return any(math.isclose(rating_a, preferred_a) for preferred_a in self.ratings_a)

    def slowness(self, characteristic: str) -> int:
        """Return the place of a characteristic from the quickest on."""
        return self.characteristics.index(characteristic)


class VaristorClass(_Row):
    """Figures of a varistor, or of a class of them, by its maximum continuous AC voltage."""

    maximum_ac_v: float
    maximum_dc_v: float
    at_1ma_v: float
    clamping_v: float

    def continuous_v(self, kind: str) -> float:
        """Return the maximum continuous voltage for ``ac`` or ``dc``."""
        return self.maximum_ac_v if kind == "ac" else self.maximum_dc_v


class VaristorTable(_Row):
    """``shared/varistor-classes.toml``."""

    exponent: float
    tolerance_frac: float
    classes: tuple[VaristorClass, ...]

    def class_for(self, highest_v: float, kind: str) -> VaristorClass | None:
        """Return the lowest class that bears a line voltage (``ac`` or ``dc``), or None."""
        return next((row for row in self.classes if row.continuous_v(kind) >= highest_v), None)

    def figures(self, part: VaristorRatings) -> VaristorClass:
        """Return what the file says of a varistor, filled up from the nearest class."""
        near = min(self.classes, key=lambda row: abs(row.maximum_ac_v - part.maximum_ac_v))
        scale = part.maximum_ac_v / near.maximum_ac_v
        return VaristorClass(
            maximum_ac_v=part.maximum_ac_v,
            maximum_dc_v=part.maximum_dc_v or near.maximum_dc_v * scale,
            at_1ma_v=part.voltage_at_1ma_v or near.at_1ma_v * scale,
            clamping_v=part.clamping_v or near.clamping_v * scale,
        )

    def law(self, part: VaristorPart) -> tuple[float, float]:
        """Return voltage at 1 mA and exponent: stated, or by 1 mA and clamping point, or usual.

        Source: Two points of the data sheet, IEC 61051-1 terms; a pair that gives less than 5 or
            more than 100 belongs to no varistor, and the usual exponent takes its place.
        """
        figures, clamping_a = self.figures(part), part.clamping_current_a
        exponent = self.exponent
        if part.exponent is not None:
            exponent = part.exponent
        elif clamping_a is not None and clamping_a > 1e-3 and figures.clamping_v > figures.at_1ma_v:
            points = (figures.at_1ma_v, 1e-3), (figures.clamping_v, clamping_a)
            found = exponent_between(*points)
            exponent = found if 5.0 <= found <= 100.0 else exponent
        return figures.at_1ma_v, exponent


class _Discharge(_Row):
    limit_v: float
    after_s: float
    exempt_to_f: float

    def exempts(self, capacitance_f: float) -> bool:
        """Return whether nobody asks how fast this capacitance discharges; rounding aside."""
        return capacitance_f <= self.exempt_to_f * (1 + 1e-9)


class _Surge(_Row):
    up_to_v: float
    factor_below: float
    factor_above: float
    limited_to_s: float


class CapacitorTable(_Row):
    """``shared/capacitors.toml``."""

    impulse_v: dict[str, float]
    line_up_to_v: dict[str, float]
    replaces: dict[str, tuple[str, ...]]
    discharge: _Discharge
    leakage_a: dict[str, float]
    surge: _Surge
    reverse_borne_v: float
    rated_v: tuple[float, ...]

    def surge_v(self, part: ElectrolyticRatings) -> float:
        """Return the surge voltage of an aluminium electrolytic: stated, or the usual one.

        Source: 1.15 times rated up to 315 V, 1.10 above: common practice, as in IEC 60384-4 from
            memory.
        """
        low = part.voltage_v <= self.surge.up_to_v
        factor = self.surge.factor_below if low else self.surge.factor_above
        return part.surge_v or factor * part.voltage_v

    def rated_v_for(self, voltage_v: float) -> float | None:
        """Return the lowest rated voltage that is made and bears a voltage, or None."""
        return next((rated for rated in self.rated_v if rated >= voltage_v), None)


class _Usual(_Row):
    source_ohm: dict[str, float]
    event_s: float
    warm_through_s: float
    diode_drop_v: float
    efficiency_frac: float
    power_factor: float


class StressBounds(_Row):
    """A stress: what is compared, and the ratios above which it is marginal or destroys."""

    quantity: str
    unit: str
    marginal: float
    destroyed: float
    source: str  # of the formula of the stress


class StressTable(_Row):
    """``shared/over-stress.toml``."""

    usual: _Usual
    limits: dict[str, tuple[StressBounds, ...]]

    def bounds(self, kind: str, quantity: str) -> StressBounds:
        """Return the row of a kind of part and a quantity.

        Raises:
            KeyError: The table has no such row.
        """
        for row in self.limits[kind]:
            if row.quantity == quantity:
                return row
        raise KeyError(f"{kind}: {quantity}")


class Reference(_Row):
    """All tables together."""

    fuses: FuseTable
    varistors: VaristorTable
    capacitors: CapacitorTable
    stress: StressTable


@cache
def reference() -> Reference:
    """Return the tables that come with the harness; read once."""
    names = {
        "fuses": "fuse-links",
        "varistors": "varistor-classes",
        "capacitors": "capacitors",
        "stress": "over-stress",
    }
    return Reference.model_validate({key: shared_table(name) for key, name in names.items()})


def shared_table(name: str) -> dict[str, object]:
    """Return a table of ``shared/``.

    Raises:
        FileNotFoundError: It did not come with the harness.
    """
    path = shipped("shared", f"{name}.toml")
    if path is None:
        raise FileNotFoundError(f"shared/{name}.toml is missing: the installation is not whole")
    return tomllib.loads(path.read_text(encoding="utf-8"))
