"""What a fault is: what it changes, how bad it can be, what must find it, what would show it."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

from harness.profile.schema import Profile
from harness.rehearse.unit_model import Onset, UnitModel
from harness.unit.nameplate import Unit

#: Severities with a name; the number behind it is each fault's own.
SEVERITIES = ("mild", "usual", "severe")


@dataclass(frozen=True, slots=True)
class Severity:
    """How bad a fault can be: a number in the fault's own measure.

    Attributes:
        what: What the number is.
        unit: Its unit: ``ohm``, ``s``, ``%`` (a share of one) or ``1``.
        levels: Mild (a unit with it may go unnoticed for a while), usual (as a technician meets it;
            what ``--fault`` takes), and severe (as bad as it gets).
        within: Least and greatest number that mean anything.
        by_decades: True if between mild and severe every decade is as likely as any other, False if
            every number is.
    """

    what: str
    unit: str
    levels: tuple[float, float, float]
    within: tuple[float, float]
    by_decades: bool = False

    def number(self, severity: float | str | None = None) -> float:
        """Return a severity as a number.

        Args:
            severity: The number itself, one of :data:`SEVERITIES`, or None for the usual one.

        Raises:
            ValueError: There is no such severity, or the number means nothing for this fault.
        """
        if isinstance(severity, str) and severity not in SEVERITIES:
            raise ValueError(f"severity is {', '.join(SEVERITIES)} or a number")
        if severity is None or isinstance(severity, str):
            return self.levels[SEVERITIES.index(severity or "usual")]
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


@dataclass(frozen=True, slots=True)
class Border:
    """From where on a technician who saw the part, or measured it alone, would reject the unit.

    It is drawn without a look at any profile: whether a profile finds the fault is the question
    that a campaign answers.

    Attributes:
        text: Where it is, in words.
        source: Where it comes from.
        is_beyond: Whether a faulty unit with this nameplate is on the far side.
    """

    text: str
    source: str
    is_beyond: Callable[[UnitModel, Unit], bool]


@dataclass(frozen=True, kw_only=True, slots=True)
class FoundBy:
    """What must keep a unit with the usual severity from release, in the shipped profiles.

    Attributes:
        trips: Reasons for which power is cut, any one of them; empty where the run completes.
        fails: Checks that must fail, each as ``step: measure``; in a load step, at full load.
        undecided: Checks that must not pass: the reading may be too close to its limit to fail.
    """

    trips: frozenset[str] = frozenset()
    fails: frozenset[str] = frozenset()
    undecided: frozenset[str] = frozenset()


def trips(*reasons: str) -> FoundBy:
    """Return that power must be cut for one of some reasons."""
    return FoundBy(trips=frozenset(reasons))


def fails(*checks: str) -> FoundBy:
    """Return that some checks must fail."""
    return FoundBy(fails=frozenset(checks))


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to find a fault.

    Attributes:
        step: Kind of the step it belongs in.
        measure: What to measure, or empty where the step itself finds it.
        side: The limit that finds it: ``low``, ``high`` or empty.
        why: What is seen, in words.
        kinds: Kinds of input it works for.
        needs_capacitance: True if it rests on ``bulk_capacitance`` on the nameplate.
    """

    step: str
    measure: str = ""
    side: str = ""
    why: str = ""
    kinds: frozenset[str] = frozenset({"dc", "ac"})
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
        return any(
            check.measure == self.measure and getattr(check, self.side) is not None
            for step in steps
            for check in step.checks
        )


@dataclass(frozen=True, kw_only=True, slots=True)
class Fault:
    """One fault.

    Attributes:
        name: What ``--fault`` takes.
        summary: What a technician would call it.
        change: Makes the faulty unit, by how bad it is in the fault's own measure.
        found_by: What must find it, by the kinds of input (``dc``, ``ac``) that can have it.
        remedies: Ways to find it, the surest first (common practice).
        needs_load: True if it only shows with a load on the output.
        severity: How bad it can be; None where it is there or it is not.
        border: From where on it is clearly faulty; None where it always is: a few ohms across the
            supply, a part that is open or breaks over below the voltage it works at, an output that
            cannot give the current on its nameplate.
        onset: Field of the defects that says when it shows; None where it is there from the
            beginning.
    """

    name: str
    summary: str
    change: Callable[[UnitModel, float], UnitModel]
    found_by: Mapping[str, FoundBy] = field(hash=False)
    remedies: tuple[Remedy, ...]
    needs_load: bool = False
    severity: Severity | None = None
    border: Border | None = None
    onset: str | None = None

    @property
    def kinds(self) -> frozenset[str]:
        """Kinds of input it applies to."""
        return frozenset(self.found_by)

    def apply(
        self,
        model: UnitModel,
        *,
        severity: float | str | None = None,
        onset: Onset | None = None,
    ) -> UnitModel:
        """Return ``model`` with this fault in it.

        Args:
            model: The unit.
            severity: How bad, in the fault's own measure, or by name; left out, as usual.
            onset: When it shows; left out, from the beginning.

        Raises:
            ValueError: The fault does not exist in a unit with this kind of input, cannot be that
                bad, or cannot come late.
        """
        if model.input_kind not in self.kinds:
            raise ValueError(f"{self.name} does not apply to a unit with {model.input_kind} input")
        if self.severity is None and severity is not None:
            raise ValueError(f"{self.name} is there or it is not: it has no severity")
        late = onset is not None and not onset.is_at_once
        if late and self.onset is None:
            raise ValueError(f"{self.name} is there from the beginning: it has no onset")
        number = math.nan if self.severity is None else self.severity.number(severity)
        faulty = self.change(model, number)
        if not late:
            return faulty
        # Until then the part works, so nothing else of the unit may tell.
        defects = replace(faulty.defects, **{str(self.onset): onset})  # type: ignore[arg-type]
        return replace(
            faulty,
            converter=replace(faulty.converter, starts=model.converter.starts),
            varistor=model.varistor,
            defects=defects,
        )

    def is_clear(self, faulty: UnitModel, unit: Unit) -> bool:
        """Return whether a technician would reject a unit that has it without a doubt."""
        return self.border is None or self.border.is_beyond(faulty, unit)

    def out_of_reach(self, profile: Profile) -> bool:
        """Return True if a profile has no step in which it could show at all."""
        return self.needs_load and all(step.kind != "load" for step in profile.steps)

    def lacking(self, profile: Profile) -> tuple[Remedy, ...]:
        """Return the ways to find it that a profile does not take.

        Where it takes them all, its limits are too wide: then all are returned.
        """
        known = [one for one in self.remedies if profile.unit.input.kind in one.kinds]
        return tuple(one for one in known if not one.is_taken(profile)) or tuple(known)
