"""What may explain a run: each class of a library in words, with its parts, and what merges."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from harness.profile.schema import Profile
from harness.qualify.unit_result import HEALTHY
from harness.rehearse.fault import Severity
from harness.rehearse.faults import FAULTS
from harness.suspects.bench_errors import BENCH_ERRORS

#: What a fault is called where its own words state how far it has gone.
_WORDS = {
    HEALTHY: "nothing wrong is needed to explain this",
    "switch-breakdown": "switching transistor breaks over below its working voltage",
    "output-low": "output too low",
    "output-high": "output too high",
    "current-limit-folded-back": "output gives in below its nominal current",
    "idle-over-consumption": "draws too much at idle",
    "resistive-bulk-capacitor": "series resistance of the bulk capacitor too high",
    "lost-efficiency": "converter loses too much",
    "rippling-output": "output ripple too high",
}
#: Kinds of part, as a unit file has them, that a fault points at; the likeliest first.
PARTS: Mapping[str, tuple[str, ...]] = {
    "shorted-input": ("varistor", "suppressor", "x-capacitor", "bridge"),
    "shorted-varistor": ("varistor", "suppressor"),
    "shorted-switch": ("switch",),
    "switch-breakdown": ("switch",),
    "open-fuse": ("fuse",),
    "leaky-bulk-capacitor": ("bulk-capacitor",),
    "weak-bulk-capacitor": ("bulk-capacitor",),
    "resistive-bulk-capacitor": ("bulk-capacitor",),
    "open-rectifier-diode": ("bridge", "diode"),
    "shorted-bridge-diode": ("bridge",),
    "leaky-varistor": ("varistor", "suppressor"),
    "drifted-varistor": ("varistor", "suppressor"),
    "inrush-limiter-bridged": ("inrush-limiter",),
    "no-start": ("switch", "regulator"),
    "idle-over-consumption": ("switch", "output-diode"),
    "lost-efficiency": ("switch", "output-diode"),
    "rippling-output": ("output-capacitor",),
    "intermittent-contact": ("connector", "relay", "fuse"),
}
#: Faults that show without power; what shows any other takes power, and is not proposed as proof.
_SHOWN_COLD = frozenset(
    {
        *("shorted-input", "shorted-varistor", "shorted-switch", "shorted-bridge-diode"),
        *("switch-breakdown", "open-fuse", "open-rectifier-diode"),
        *("leaky-bulk-capacitor", "weak-bulk-capacitor", "resistive-bulk-capacitor"),
        *("leaky-varistor", "drifted-varistor"),
    }
)
#: Classes that no reading of a bench tells apart, by the kind of input. They are one suspect.
#: The three shorts of a DC unit differ by a diode's drop alone.
_MERGED: Mapping[str, tuple[tuple[str, ...], ...]] = {
    "ac": (
        ("shorted-input", "shorted-varistor"),
        ("open-fuse", "bench-supply-leads-off"),
    ),
    "dc": (
        ("shorted-input", "shorted-varistor", "shorted-switch"),
        (
            "open-fuse",
            "open-rectifier-diode",
            "bench-supply-leads-off",
            "bench-supply-leads-swapped",
        ),
    ),
}


@dataclass(frozen=True, kw_only=True, slots=True)
class Kind:
    """One class of a library."""

    name: str
    words: str
    shown_by: str
    severity: Severity | None
    parts: tuple[str, ...]

    @property
    def shown_cold(self) -> bool:
        """Whether what shows it is done without power."""
        return self.on_bench or self.name in _SHOWN_COLD

    @property
    def on_bench(self) -> bool:
        """Whether the bench is at fault, not the unit."""
        return self.name in BENCH_ERRORS


def kind_named(name: str) -> Kind:
    """Return a class by its name; KeyError: there is none."""
    if name == HEALTHY:
        return Kind(name=name, words=_WORDS[name], shown_by="", severity=None, parts=())
    one = BENCH_ERRORS[name] if name in BENCH_ERRORS else FAULTS[name]
    return Kind(
        name=name,
        words=_WORDS.get(name, one.summary),
        shown_by=one.shown_by,
        severity=one.severity,
        parts=PARTS.get(name, ()),
    )


def suspects_of(profile: Profile, kinds: Sequence[str]) -> dict[str, str]:
    """Return the suspect that each class counts as: the first of those that nothing tells apart.

    What no step of the profile can show counts as nothing wrong: no reading of the run speaks for
    it. :func:`unseen` names it.
    """
    groups = {
        name: merged[0]
        for merged in _MERGED[profile.unit.input.kind]
        for name in merged
        if merged[0] in kinds
    }
    hidden = unseen(profile, kinds)
    return {name: HEALTHY if name in hidden else groups.get(name, name) for name in kinds}


def unseen(profile: Profile, kinds: Sequence[str]) -> tuple[str, ...]:
    """Return the faults that no step of a profile can show."""
    return tuple(name for name in kinds if name in FAULTS and FAULTS[name].out_of_reach(profile))
