"""What a fault is: what it changes, how bad it can be, what would show it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

from harness.profile.schema import Profile
from harness.rehearse.senses import sense_of
from harness.rehearse.unit_model import Onset, UnitModel
from harness.unit.nameplate import Unit

#: Severities with a name; the number behind it is each fault's own.
SEVERITIES = ("mild", "usual", "severe")
#: Kinds of input: one of them, or both.
AC, DC = frozenset({"ac"}), frozenset({"dc"})
_BOTH = AC | DC


def changed(model: UnitModel, part: str, **values: object) -> UnitModel:
    """Return a unit with other values in one of its parts."""
    return replace(model, **{part: replace(getattr(model, part), **values)})


@dataclass(frozen=True, slots=True)
class Severity:
    """How bad a fault can be: a number in the fault's own measure."""

    what: str
    #: ``ohm``, ``s``, ``%`` (a share of one) or ``1``.
    unit: str
    #: Mild (a unit with it may go unnoticed for a while), usual (as a technician meets it; what
    #: ``--fault`` takes), and severe (as bad as it gets).
    levels: tuple[float, float, float]
    #: Least and greatest number that mean anything.
    within: tuple[float, float]
    #: Whether between mild and severe every decade is as likely as any other, or every number.
    by_decades: bool = False

    def number(self, severity: float | str = "usual") -> float:
        """Return a severity, a number or one of :data:`SEVERITIES`; ValueError: there is none."""
        if isinstance(severity, str):
            if severity not in SEVERITIES:
                raise ValueError(f"severity is {', '.join(SEVERITIES)} or a number")
            return self.levels[SEVERITIES.index(severity)]
        least, most = self.within
        if not least <= severity <= most:
            raise ValueError(f"severity is from {least:g} to {most:g} ({self.what})")
        return severity

    def at(self, share_frac: float) -> float:
        """Return the number so far on the way from mild (0) to severe (1)."""
        mild, _, severe = self.levels
        if self.by_decades:
            return float(mild * (severe / mild) ** share_frac)
        return mild + (severe - mild) * share_frac

    def place_of(self, number: float) -> float:
        """Return how far a number is on the way from mild (0) to severe (1)."""
        mild, _, severe = self.levels
        if self.by_decades:
            return math.log(number / mild) / math.log(severe / mild)
        return (number - mild) / (severe - mild)


def _always(_faulty: UnitModel, _unit: Unit) -> bool:
    return True


@dataclass(frozen=True, slots=True)
class Border:
    """From where on a unit is clearly faulty: a part past its life, or a nameplate not kept.

    It comes from the part's own standard, the practice of its data sheets, or the nameplate,
    without a look at any profile: whether one finds the fault, a campaign answers.
    """

    text: str
    #: Standard, or "common practice"; "from memory" where it is.
    source: str
    #: Whether a faulty unit with this nameplate is on the far side.
    is_beyond: Callable[[UnitModel, Unit], bool] = _always


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to find a fault: the limit of a measure in a kind of step, or a step by itself."""

    step: str
    #: What to measure, and the limit that finds it (``low``, ``high``); empty for a step by itself.
    measure: str = ""
    side: str = ""
    why: str = ""
    #: Kinds of input it works for.
    kinds: frozenset[str] = _BOTH
    #: What a question to a person is about; empty for one that is none.
    asks: str = ""
    #: Whether it rests on ``bulk_capacitance`` on the nameplate.
    needs_capacitance: bool = False

    def __str__(self) -> str:
        if not self.measure:
            return f"a {self.step} step: {self.why}"
        return f"{self.measure} in a {self.step} step, {self.side} limit: {self.why}"

    def is_taken(self, profile: Profile) -> bool:
        """Return True if a profile has what this asks for."""
        steps = [step for step in profile.steps if step.kind == self.step]
        if not self.measure:
            stated = profile.unit.input.bulk_capacitance_f is not None
            return bool(steps) and (stated or not self.needs_capacitance)
        checks = [check for step in steps for check in step.checks if check.measure == self.measure]
        if self.asks:
            return any(sense_of(check.ask or "") == self.asks for check in checks)
        return any(getattr(check, self.side) is not None for check in checks)


@dataclass(frozen=True, slots=True)
class Need:
    """What a fault waits for before any reading of the bench shows it."""

    #: When it shows, after "shows only".
    when: str
    #: What to add to a profile that has none of it.
    add: str
    is_met: Callable[[Profile], bool]
    #: Whether it waits for a load at an output, which a board without outputs never has.
    loads: bool = False


def has_of(model: UnitModel) -> frozenset[str]:
    """Name what a unit has that only some units have; see ``Fault.of``."""
    there = {
        "standby": model.standby is not None,
        "enable": model.converter.enable_v is not None,
        "phases": model.work is not None,
        "no output": not model.has_output,
        "rails": any(not (rail.of_standby or rail.is_logic) for rail in model.rails),
    }
    return frozenset(name for name, fitted in there.items() if fitted)


def unit_words(kind: str, *, boosted: bool, charges: bool) -> str:
    """Say which unit it is that a fault fits or does not."""
    stage = " and a boost stage" if boosted else ""
    return f"a {'charger' if charges else 'unit'} with {kind} input{stage}"


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One fault."""

    #: What ``--fault`` takes.
    name: str
    #: What a technician would call it.
    summary: str
    #: Makes the faulty unit, by how bad it is in the fault's own measure.
    change: Callable[[UnitModel, float], UnitModel]
    #: From where on a unit with it is clearly faulty.
    border: Border
    #: What shows it on the part or unit by itself, away from this bench (common practice).
    shown_by: str
    #: Ways to find it, the surest first (common practice).
    remedies: tuple[Remedy, ...]
    #: Kinds of input that can have it.
    kinds: frozenset[str] = _BOTH
    #: Whether it is one of a boost stage (True) or of units without one (False); None: of either.
    boosted: bool | None = None
    #: Whether it is one of a battery charger (True) or of an output of constant voltage (False);
    #: None: of either, or of no output at all.
    charges: bool | None = None
    #: What only some units have that it is of: ``standby``, ``enable``, ``rails`` or
    #: ``phases`` (a board that boots and works in them); empty: any.
    of: str = ""
    #: What it waits for; None where first power is enough.
    need: Need | None = None
    #: None where it is there or it is not.
    severity: Severity | None = None
    #: Laws of the simulated unit that decide whether a profile sees it; a campaign sweeps them.
    laws: tuple[str, ...] = ()
    #: Field of the defects that may come late; None where it is there from the beginning.
    onset: str | None = None

    def fits(
        self,
        kind: str,
        *,
        boosted: bool = False,
        charges: bool = False,
        has: frozenset[str] = frozenset(),
    ) -> bool:
        """Return whether a unit with this kind of input can have it.

        With a boost stage or not, a battery charger or not; ``has`` names what it may be of.
        """
        fits = self.boosted in (None, boosted) and self.charges in (None, charges)
        of_output = self.charges is not None or (self.need is not None and self.need.loads)
        unseen = of_output and "no output" in has
        return kind in self.kinds and fits and not unseen and self.of in ("", *has)

    def apply(
        self, model: UnitModel, *, severity: float | str | None = None, onset: Onset | None = None
    ) -> UnitModel:
        """Return ``model`` with this fault in it: without more, as usual and from the beginning.

        ValueError: no unit with this kind of input has it, or not that bad, or not so late.
        """
        boosted, charges = model.boost is not None, model.charger is not None
        if not self.fits(model.input_kind, boosted=boosted, charges=charges, has=has_of(model)):
            what = unit_words(model.input_kind, boosted=boosted, charges=charges)
            raise ValueError(f"{self.name} does not apply to {what}")
        if self.severity is None and severity is not None:
            raise ValueError(f"{self.name} is there or it is not: it has no severity")
        late = None if onset is None or onset.is_at_once else onset
        if late and self.onset is None:
            raise ValueError(f"{self.name} is there from the beginning: it has no onset")
        number = math.nan
        if self.severity is not None:
            number = self.severity.number("usual" if severity is None else severity)
        faulty = self.change(model, number)
        if late is None or self.onset is None:
            return faulty
        # Until then the part works, so nothing else of the unit may tell.
        onsets = {**faulty.defects.onsets, self.onset: late}
        return replace(
            faulty,
            converter=replace(faulty.converter, starts=model.converter.starts),
            varistor=model.varistor,
            defects=replace(faulty.defects, onsets=onsets),
        )

    def is_clear(self, faulty: UnitModel, unit: Unit) -> bool:
        """Return whether a unit with this nameplate that has it is clearly faulty."""
        return self.border.is_beyond(faulty, unit)

    def out_of_reach(self, profile: Profile) -> bool:
        """Return True if a profile has no step in which it could show at all."""
        return self.need is not None and not self.need.is_met(profile)

    def lacking(self, profile: Profile) -> tuple[Remedy, ...]:
        """Return the ways to find it that a profile does not take.

        Where it takes them all, its limits are too wide: then all are returned.
        """
        known = [one for one in self.remedies if profile.unit.input.kind in one.kinds]
        return tuple(one for one in known if not one.is_taken(profile)) or tuple(known)
