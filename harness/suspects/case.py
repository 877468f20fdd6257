"""A record as a case: its profile, a bench as exact as its own, its figures, its story."""

from __future__ import annotations

import tempfile
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from harness.errors import RecordError
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.record.tables import Record
from harness.suspects.bench_of_record import bench_like
from harness.suspects.digest import Digest, Feature, digest_of
from harness.suspects.kinds import PARTS

#: How much likelier a fault is for what the story says of a part it points at (assumption): the
#: words of an assessment, of a part that was not replaced.
_BY_STRESS = {"destroyed likely": 4.0, "over-stressed": 2.0}
#: ... and where the part was replaced since.
_REPLACED = 0.5


@dataclass(frozen=True, kw_only=True, slots=True)
class Case:
    """What is asked about."""

    record: Record
    profile: Profile
    #: Simulated instruments as exact as those of the run.
    bench: BenchFile
    digest: Digest
    features: Mapping[str, Feature]
    #: By class, how much likelier the story makes it.
    prior: Mapping[str, float]
    #: Names of the parts by their kind, as the unit file has them.
    parts: Mapping[str, tuple[str, ...]]

    @property
    def values(self) -> dict[str, float]:
        """The run's figures without their units."""
        return {name: one.value for name, one in self.features.items()}


def case_of(record: Record, assessed: Mapping[str, Any] | None = None) -> Case:
    """Return the case of a record.

    Args:
        record: A run that was carried out, whole or not.
        assessed: What a unit file says and what follows from it, as ``run.json`` has it; None:
            what the record has of it.

    Raises:
        RecordError: The record says too little, or nothing was measured.
        FileError: Its profile cannot be used any more.
    """
    profile = profile_of(record)
    digest = digest_of(record)
    features = digest.features()
    if not len(record.readings):
        raise RecordError(
            "nothing was measured in this run, so nothing explains it",
            where=str(record.folder or record.run.get("run_id", "")),
            remedy="ask about a run in which power was on",
        )
    told = assessed if assessed is not None else record.run.get("unit_file")
    rows = [] if not told else list(told.get("parts", ()))
    names: dict[str, tuple[str, ...]] = {}
    for row in rows:
        names[row["kind"]] = (*names.get(row["kind"], ()), str(row["name"]))
    return Case(
        record=record,
        profile=profile,
        bench=bench_like(record.run.get("bench") or {}, profile),
        digest=digest,
        features=features,
        prior=story_prior(rows),
        parts=names,
    )


def story_prior(rows: list[Mapping[str, Any]]) -> dict[str, float]:
    """Return by class how much likelier the over-stress of its parts makes it."""
    by_kind: dict[str, float] = {}
    for row in rows:
        factor = _REPLACED if row.get("replaced") else _BY_STRESS.get(str(row["severity"]), 1.0)
        by_kind[row["kind"]] = max(by_kind.get(row["kind"], 0.0), factor)
    found = {}
    for name, kinds in PARTS.items():
        factors = [by_kind[kind] for kind in kinds if kind in by_kind]
        if factors:
            found[name] = max(factors)
    return found


def profile_of(record: Record) -> Profile:
    """Return the profile that a record holds, or raise as :func:`case_of` does."""
    told = record.run.get("profile") or {}
    text = told.get("text")
    if not isinstance(text, str) or not text:
        raise RecordError(
            "the record holds no profile, so no unit can be simulated under it",
            where=str(record.folder or record.run.get("run_id", "")),
            remedy="see 'softwake results verify'",
        )
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "profile.toml"
        path.write_text(text, encoding="utf-8", newline="\n")
        return load_profile(path)
