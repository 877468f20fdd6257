"""The tables an assessment stands on: data in ``shared/``, each with its sources."""

from __future__ import annotations

import tomllib
from functools import cache

from pydantic import ConfigDict

from harness.files.field_types import Table
from harness.shipped import shipped
from harness.unit.assessment import Severity
from harness.unit.formulas import exponent_between
from harness.unit.part_ratings import ElectrolyticRatings, FuseRatings, VaristorRatings
from harness.unit.parts import VaristorPart


class _SharedTable(Table):
    """A table of ``shared/``: plain numbers in SI, each key with its unit."""

    model_config = ConfigDict(alias_generator=None)


class _Breaking(_SharedTable):
    amperes: float
    times_rating: float


class Gate(_SharedTable):
    """Pre-arcing time at a multiple of the rating; None: no upper bound."""

    times: float
    least_s: float
    most_s: float | None = None


class Gates(_SharedTable):
    """The gates of one standard sheet."""

    source: str
    characteristic: str
    breaking: str
    from_a: float
    to_a: float
    times: tuple[Gate, ...]


class FuseTable(_SharedTable):
    """``shared/fuse-links.toml``."""

    ratings_a: tuple[float, ...]
    characteristics: tuple[str, ...]
    held_for_ever_times: float
    breaking: dict[str, _Breaking]
    melting_times: dict[str, dict[str, float]]
    gates: tuple[Gates, ...]

    def melting_integral_a2s(self, fuse: FuseRatings) -> float:
        """Return the data sheet's, or the usual one of its letters. Source: common practice."""
        usual_times = self.melting_times[fuse.characteristic][fuse.breaking]
        return fuse.melting_i2t_a2s or usual_times * fuse.current_a**2

    def time_constant_s(self, fuse: FuseRatings) -> float:
        """Return the time constant with which the element of a link loses heat.

        Source: Melting integral over the square of the current that is carried for ever; textbook.
        """
        held_a = self.held_for_ever_times * fuse.current_a
        return self.melting_integral_a2s(fuse) / held_a**2

    def breaking_capacity_a(self, fuse: FuseRatings) -> float:
        """Return what a link can interrupt, stated or by its letter. Source: IEC 60127-2."""
        row = self.breaking[fuse.breaking]
        return fuse.breaking_capacity_a or max(row.amperes, row.times_rating * fuse.current_a)

    def gates_for(self, fuse: FuseRatings) -> Gates | None:
        """Return the gates of the standard sheet that a link belongs to, or None."""
        letters = (fuse.characteristic, fuse.breaking)
        sheets = [one for one in self.gates if (one.characteristic, one.breaking) == letters]
        return next((one for one in sheets if one.from_a <= fuse.current_a <= one.to_a), None)


class VaristorClass(_SharedTable):
    """Figures of a varistor, or of a class of them, by its maximum continuous AC voltage."""

    maximum_ac_v: float
    maximum_dc_v: float
    at_1ma_v: float
    clamping_v: float

    def continuous_v(self, kind: str) -> float:
        """Return the maximum continuous voltage for ``ac`` or ``dc``."""
        return self.maximum_ac_v if kind == "ac" else self.maximum_dc_v


class VaristorTable(_SharedTable):
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

        Source: IEC 61051-1 terms; an exponent below 5 or above 100 belongs to no varistor.
        """
        figures, clamping_a = self.figures(part), part.clamping_current_a or 0.0
        if part.exponent is not None:
            return figures.at_1ma_v, part.exponent
        exponent = self.exponent
        if clamping_a > 1e-3 and figures.clamping_v > figures.at_1ma_v:
            points = (figures.at_1ma_v, 1e-3), (figures.clamping_v, clamping_a)
            found = exponent_between(*points)
            exponent = found if 5.0 <= found <= 100.0 else exponent
        return figures.at_1ma_v, exponent


class _Discharge(_SharedTable):
    limit_v: float
    after_s: float
    exempt_to_f: float


class _Surge(_SharedTable):
    up_to_v: float
    factor_below: float
    factor_above: float
    limited_to_s: float


class CapacitorTable(_SharedTable):
    """``shared/capacitors.toml``."""

    impulse_v: dict[str, float]
    line_up_to_v: dict[str, float]
    replaces: dict[str, tuple[str, ...]]
    discharge: _Discharge
    leakage_a: dict[str, float]  # by path
    surge: _Surge
    reverse_borne_v: float
    worn_out_times: float
    rated_v: tuple[float, ...]

    def surge_v(self, part: ElectrolyticRatings) -> float:
        """Return the surge voltage. Source: common practice, as in IEC 60384-4 from memory."""
        low = part.voltage_v <= self.surge.up_to_v
        factor = self.surge.factor_below if low else self.surge.factor_above
        return part.surge_v or factor * part.voltage_v

    def rated_v_for(self, voltage_v: float) -> float | None:
        """Return the lowest rated voltage that is made and bears a voltage, or None."""
        return next((rated for rated in self.rated_v if rated >= voltage_v), None)


class _Usual(_SharedTable):
    source_ohm: dict[str, float]
    least_prospective_a: dict[str, float]
    most_prospective_a: dict[str, float]
    voltage_tolerance_frac: dict[str, float]
    event_s: float
    warm_through_s: float
    diode_drop_v: float
    efficiency_frac: float
    power_factor: float


class _SurgeWave(_SharedTable):
    source_ohm: float
    charge_s: float
    heat_s: float


class StressBounds(_SharedTable):
    """A stress: what is compared, and the ratios above which it is marginal or destroys."""

    quantity: str
    unit: str
    marginal: float
    destroyed: float
    source: str  # of the formula of the stress


class StressTable(_SharedTable):
    """``shared/over-stress.toml``."""

    usual: _Usual
    surge: _SurgeWave
    limits: dict[str, tuple[StressBounds, ...]]

    def bounds(self, kind: str, quantity: str) -> StressBounds:
        """Return the row of a kind of part and a quantity; without one, ``KeyError``."""
        for row in self.limits[kind]:
            if row.quantity == quantity:
                return row
        raise KeyError(f"{kind}: {quantity}")


class SeenOnPart(_SharedTable):
    """What an observation on a part tells."""

    severity: Severity  # what it counts as at least
    short: bool = False  # it put a short across what it stands across
    no_short: bool = False  # it was measured, and put none there, whatever the figures say
    broken: bool = False  # no check can prove it sound


class SeenOnUnit(_SharedTable):
    """What an observation on a whole unit tells."""

    tells: str
    look: str  # the cold check it asks for
    explained_by: tuple[str, ...] = ()  # kinds of part; empty: it asks for no explanation


class ObservationTable(_SharedTable):
    """``shared/observations.toml``."""

    part: dict[str, SeenOnPart]
    unit: dict[str, SeenOnUnit]


class Reference(_SharedTable):
    """All tables together."""

    fuses: FuseTable
    varistors: VaristorTable
    capacitors: CapacitorTable
    stress: StressTable
    observations: ObservationTable


@cache
def reference() -> Reference:
    """Return the tables that come with the harness; read once."""
    return Reference(
        fuses=FuseTable.model_validate(shared_table("fuse-links")),
        varistors=VaristorTable.model_validate(shared_table("varistor-classes")),
        capacitors=CapacitorTable.model_validate(shared_table("capacitors")),
        stress=StressTable.model_validate(shared_table("over-stress")),
        observations=ObservationTable.model_validate(shared_table("observations")),
    )


def shared_table(name: str) -> dict[str, object]:
    """Return a table of ``shared/``."""
    path = shipped("shared", f"{name}.toml")
    if path is None:
        raise FileNotFoundError(f"shared/{name}.toml is missing: the installation is not whole")
    return tomllib.loads(path.read_text(encoding="utf-8"))
