"""The units of a campaign: healthy and faulty in turn, each made from its number alone."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

from harness.qualify.component_tolerances import healthy_unit
from harness.qualify.unit_result import HEALTHY
from harness.rehearse.faults import FAULTS, fault_named, faults_of
from harness.rehearse.model_file import UnitModelFile
from harness.rehearse.streams import stream
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.unit.nameplate import Unit

__all__ = ["Drawn", "Population"]

#: Enough that no two units of a campaign share a seed, and a whole number in JSON everywhere.
_SEED_BITS = 53


@dataclass(frozen=True, kw_only=True, slots=True)
class Drawn:
    """One unit, drawn.

    Attributes:
        index: Its number.
        kind: ``healthy``, or the name of its fault.
        severity: How bad the fault is, in its own measure; not-a-number where it has none.
        clear: Whether it is clearly faulty.
        seed: Seed of its instruments.
        model: The unit.
    """

    index: int
    kind: str
    severity: float
    clear: bool
    seed: int
    model: UnitModel


class Population:
    """Draws units by number: the same number gives the same unit, whoever asks and when.

    Even numbers are healthy units; odd ones take the faults in turn, so that a campaign of any
    length has about as many of each.

    Args:
        unit: The nameplate.
        seed: The campaign's seed, 0 or above.
        faults: Names of the faults, or empty for every one such a unit can have.
        model: The very unit: what it states stands, or is drawn inside the tolerance it states.
            None for units that are typical of the nameplate.

    Attributes:
        faults: Names of the faults in the order they are taken.

    Raises:
        UsageError: Such a unit has no such fault.
        FileError: The unit model does not fit the nameplate, or lists faults of its own.
    """

    def __init__(
        self,
        unit: Unit,
        *,
        seed: int,
        faults: Sequence[str] = (),
        model: UnitModelFile | None = None,
    ) -> None:
        kind = unit.input.kind
        for name in faults:
            fault_named(name, kind)
        self.faults = tuple(dict.fromkeys(faults)) or faults_of(kind)
        self._unit = unit
        self._seed = seed
        self._model = model
        self._typical = typical_model(unit)
        if model is not None:
            model.refuse_faults(
                "a campaign puts one fault at a time on units that are healthy without it; leave "
                "[[faults]] out of the unit model, and choose faults with --fault"
            )
            model.unit(unit)

    def kind_of(self, index: int) -> str:
        """Return the class of a unit by its number."""
        return HEALTHY if index % 2 == 0 else self.faults[index // 2 % len(self.faults)]

    def draw(self, index: int) -> Drawn:
        """Return a unit by its number, from 0.

        It follows from the campaign's seed, its class and its place in that class: the faults
        beside it decide how many there are of each, and change none.
        """
        kind = self.kind_of(index)
        place = index // 2 if kind == HEALTHY else index // 2 // len(self.faults)
        seed = stream(self._seed, kind, place).getrandbits(_SEED_BITS)
        model = self._healthy(seed)
        severity, clear = math.nan, False
        if kind != HEALTHY:
            fault = FAULTS[kind]
            if fault.severity is not None:
                severity = fault.severity.at(stream(seed, kind, "severity").random())
            model = fault.apply(model, severity=None if fault.severity is None else severity)
            clear = fault.is_clear(model, self._unit)
        return Drawn(index=index, kind=kind, severity=severity, clear=clear, seed=seed, model=model)

    def _healthy(self, seed: int) -> UnitModel:
        if self._model is None:
            return healthy_unit(self._typical, seed)
        return healthy_unit(self._model.unit(self._unit, seed=seed), seed, self._model.stated)
