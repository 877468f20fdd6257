"""The very unit a run is for, and what speaks against energising it by this profile."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

from harness.errors import did_you_mean
from harness.files.named_file import FromFile
from harness.files.toml_positions import KeyPath
from harness.profile.schema import Profile
from harness.quantity import shown
from harness.unit.assess import assess
from harness.unit.assessment import Adequacy, Assessment
from harness.unit.unit_file import UnitFile


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitAtHand:
    """What is known of the very unit on the bench."""

    serial: str | None = None  # as the command gives it; None where it gives none
    file: UnitFile | None = None  # its story and parts
    #: What names the record that holds its safety tests after repair; empty: nothing does; None:
    #: nobody was asked, as for a rehearsal.
    safety_record: str | None = None

    @property
    def assessment(self) -> Assessment:
        """What follows from its story; there has to be a file."""
        assert self.file is not None
        return assess(self.file)


def objections(profile: Profile, at_hand: UnitAtHand | None) -> tuple[str, ...]:
    """Return why the unit may not be energised by a profile, each a whole sentence (rule 11)."""
    if at_hand is None or at_hand.file is None:
        return ()
    file = at_hand.file
    return (
        *_other_serial(at_hand.serial, file),
        *_other_nameplate(profile, file),
        *_not_acceptable(at_hand.assessment, file),
        *_without_proof(profile, file),
    )


def _other_serial(serial: str | None, file: UnitFile) -> Iterator[str]:
    if serial is not None and serial.strip() != file.serial.strip():
        yield (
            f"The command is for serial number {shown(serial)}, the unit file "
            f"({file.place(('serial',))}) for {shown(file.serial)}."
        )


def _other_nameplate(profile: Profile, file: UnitFile) -> Iterator[str]:
    """Hold both nameplates against each other, key by key.

    Every key must agree where both files have it. What a file may leave out (bulk capacitance, idle
    power, start threshold, leakage, the limit of an output) stands on few nameplates: where only
    one file knows it, nothing disagrees.
    """
    ours, theirs = (each.unit.model_dump(by_alias=True) for each in (profile, file))
    differing = _differing(ours, theirs, ("unit",))
    for path in sorted(differing, key=lambda path: path[-1] != "kind"):  # AC or DC comes first
        name = ".".join(map(str, path[1:]))
        yield (
            f"The nameplates disagree on {name}: the profile says {_stands(profile, path)}, the "
            f"unit file {_stands(file, path)}."
        )


def _differing(ours: object, theirs: object, path: KeyPath) -> Iterator[KeyPath]:
    """Yield the path of every value that two nameplates do not agree on."""
    if isinstance(ours, Mapping) and isinstance(theirs, Mapping):
        for key in {**ours, **theirs}:
            there = key in ours and key in theirs
            if there:
                yield from _differing(ours[key], theirs[key], (*path, key))
            elif path[-1] == "output":  # an output that only one of the two has
                yield (*path, key)
    elif ours is not None and theirs is not None and not _alike(ours, theirs):
        yield path


def _alike(ours: object, theirs: object) -> bool:
    """Whether two values are the same; frequencies in whatever order."""
    if isinstance(ours, float) and isinstance(theirs, float):
        return math.isclose(ours, theirs, rel_tol=1e-9)
    if isinstance(ours, tuple) and isinstance(theirs, tuple):
        return sorted(ours) == sorted(theirs)
    return ours == theirs


def _stands(file: FromFile, path: KeyPath) -> str:
    """Say what a file has under a path, and where."""
    return f"{_worded(file.said(path))} ({file.place(path)})"


def _worded(value: object) -> str:
    if isinstance(value, Mapping):
        return ", ".join(f"{key} {_worded(each)}" for key, each in value.items())
    if isinstance(value, list):
        return ", ".join(map(_worded, value))
    return "nothing" if value is None else str(value)


def _not_acceptable(assessment: Assessment, file: UnitFile) -> Iterator[str]:
    names = [part.name for part in file.parts]
    for part in assessment.replacements:
        if part.adequacy is Adequacy.UNACCEPTABLE:
            wrong = "; ".join(
                f"{finding.item} {finding.fitted}, {finding.reason}"
                for finding in part.findings
                if finding.adequacy is Adequacy.UNACCEPTABLE
            )
            at = names.index(part.name)
            place = file.place(("parts", at, "fitted"))
            yield f"What was fitted as {part.name} ({place}) is not acceptable: {wrong}."
    for broken in assessment.broken_in_place:
        place = file.place(("parts", names.index(broken.name), "observed"))
        yield f"{broken.name} ({place}) was seen broken and is not replaced: {broken.remarks[0]}"


def _without_proof(profile: Profile, file: UnitFile) -> Iterator[str]:
    """Yield the parts whose proof is a check that the profile does not have."""
    checks = dict.fromkeys(check.name for check in profile.checks)
    for at, part in enumerate(file.parts):
        if part.proved_by is not None and part.proved_by not in checks:
            place = file.place(("parts", at, "proved_by"))
            hint = did_you_mean(part.proved_by, checks) or "."
            yield (
                f"{part.name} is to be proved by check {shown(part.proved_by)} ({place}), and the "
                f"profile has no such check{hint}"
            )
