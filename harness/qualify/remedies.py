"""What shows a fault: the steps and checks to add where a profile lets it through."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from harness.profile.schema import Profile
from harness.rehearse.faults import FAULTS

__all__ = ["REMEDIES", "Remedy", "lacking", "out_of_reach", "remedies_for"]


@dataclass(frozen=True, kw_only=True, slots=True)
class Remedy:
    """One way to find a fault.

    Attributes:
        step: Kind of the step it belongs in.
        measure: What to measure, or empty where the step itself finds it.
        side: The limit that finds it: ``low``, ``high`` or empty.
        why: What is seen, in words.
        kinds: Kinds of input it works for.
    """

    step: str
    measure: str = ""
    side: str = ""
    why: str
    kinds: frozenset[str] = frozenset({"dc", "ac"})

    def __str__(self) -> str:
        if not self.measure:
            return f"a {self.step} step: {self.why}"
        return f"{self.measure} in a {self.step} step, {self.side} limit: {self.why}"


_DC, _AC = frozenset({"dc"}), frozenset({"ac"})

_BUDGET = Remedy(
    step="start",
    why="with bulk_capacitance on the nameplate, current that raises no voltage cuts power",
)
_DEAD = Remedy(
    step="nominal", measure="meter.voltage_dc", side="low", why="the output stays at nought"
)
_HEAVY = Remedy(
    step="nominal", measure="supply.power", side="high", why="it draws more than a healthy unit"
)

#: Ways to find each fault, the surest first (common practice).
REMEDIES: Mapping[str, tuple[Remedy, ...]] = MappingProxyType(
    {
        "shorted-input": (_BUDGET,),
        "shorted-varistor": (_BUDGET,),
        "shorted-switch": (_BUDGET, _DEAD),
        "shorted-bridge-diode": (_BUDGET,),
        "switch-breakdown": (
            _BUDGET,
            Remedy(step="start", why="levels close below 100 %: it breaks over on the way up"),
        ),
        "open-fuse": (_DEAD,),
        "leaky-bulk-capacitor": (_HEAVY, _BUDGET),
        "weak-bulk-capacitor": (
            Remedy(
                step="load",
                measure="power_factor",
                side="high",
                why="at full load the rectifier conducts for longer",
                kinds=_AC,
            ),
            Remedy(
                step="load",
                measure="meter.voltage_ac",
                side="high",
                why="at full load more ripple comes through",
            ),
        ),
        "open-rectifier-diode": (
            Remedy(
                step="load",
                measure="power_factor",
                side="low",
                why="at full load one half of the line does all the work",
                kinds=_AC,
            ),
            Remedy(
                step="load",
                measure="supply.current",
                side="high",
                why="the same power in half the time takes more current",
                kinds=_AC,
            ),
            Remedy(
                step="nominal",
                measure="meter.voltage_dc",
                side="low",
                why="nothing gets through",
                kinds=_DC,
            ),
        ),
        "output-low": (
            Remedy(
                step="nominal", measure="meter.voltage_dc", side="low", why="the output is read"
            ),
        ),
        "output-high": (
            Remedy(
                step="nominal", measure="meter.voltage_dc", side="high", why="the output is read"
            ),
        ),
        "current-limit-folded-back": (
            Remedy(
                step="load",
                measure="meter.voltage_dc",
                side="low",
                why="loaded with its nominal current, the output gives way",
            ),
        ),
        "no-start": (_DEAD,),
        "intermittent-contact": (
            Remedy(
                step="nominal", why="a longer dwell: a contact that opens seldom needs more time"
            ),
        ),
        "idle-over-consumption": (_HEAVY,),
    }
)


def remedies_for(fault: str, kind: str) -> tuple[Remedy, ...]:
    """Return ways to find a fault of a unit with this kind of input; none where none is known."""
    return tuple(one for one in REMEDIES.get(fault, ()) if kind in one.kinds)


def lacking(profile: Profile, fault: str) -> tuple[Remedy, ...]:
    """Return the ways to find a fault that a profile does not take.

    Where it takes them all, its limits are too wide: then all are returned.
    """
    known = remedies_for(fault, profile.unit.input.kind)
    return tuple(one for one in known if not _taken(profile, one)) or known


def out_of_reach(profile: Profile, fault: str) -> bool:
    """Return True if a profile has no step in which a fault could show at all."""
    known = FAULTS.get(fault)
    loads = any(step.kind == "load" for step in profile.steps)
    return known is not None and known.needs_load and not loads


def _taken(profile: Profile, remedy: Remedy) -> bool:
    steps = [step for step in profile.steps if step.kind == remedy.step]
    if not remedy.measure:
        budgeted = remedy is not _BUDGET or profile.unit.input.bulk_capacitance_f is not None
        return bool(steps) and budgeted
    return any(
        check.measure == remedy.measure and getattr(check, remedy.side) is not None
        for step in steps
        for check in step.checks
    )
