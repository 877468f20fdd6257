"""What most likely explains a run, as data kept beside its record: the record stays what it is.

``RESULTS/<run>.suspects.json`` is written after a run is sealed, by whoever asked, and names the
library it rests on; report, page and ``--json`` read it and nothing else, so that they say the same
whenever they are made. It is bound to its run by the SHA-256 of ``run.json``: of another one it is
no answer.
"""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

from pydantic import BaseModel, ConfigDict, ValidationError

from harness.record.examine import read_regular
from harness.record.seal import RUN_FILE

#: Larger ones are none of ours.
_MOST_BYTES = 4 * 1024 * 1024


class _Data(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore", allow_inf_nan=False)


class Span(_Data):
    """What nine in ten of such units read."""

    low: float
    high: float


class SignTold(_Data):
    """One figure of the run, beside what other units read; None: they do not have it."""

    figure: str
    unit: str
    value: float
    such: Span | None
    healthy: Span | None


class SeverityTold(_Data):
    """How far a fault has gone, in its own measure; nine in ten such units between the ends."""

    what: str
    unit: str
    value: float
    low: float
    high: float


class SuspectTold(_Data):
    """One explanation; no reading tells those merged with it from it."""

    name: str
    words: str
    merged: tuple[str, ...]
    on_bench: bool
    probability: float
    #: Simulated units that stand for it, merged ones with it; none in older files.
    units: int = 0
    severity: SeverityTold | None
    parts: tuple[str, ...]
    shown_by: str
    shown_cold: bool  # without power
    supporting: tuple[SignTold, ...]
    against: tuple[SignTold, ...]


class BesideTold(_Data):
    """A fault that may be there beside the first suspect."""

    name: str
    words: str


class Expected(_Data):
    """What a suspect's units read in a measurement, least and most."""

    suspect: str
    words: str
    low: float
    high: float


class MeasurementTold(_Data):
    """A measurement without power, with its expected information."""

    name: str
    how: str
    unit: str  # empty for a question
    bits: float
    work_min: float
    danger: float
    expected: tuple[Expected, ...]


class StepTold(MeasurementTold):
    """A further step under power, with what its most telling figure would tell."""

    figure: str
    trips: float  # chance that it ends in a trip
    profile: str  # that makes it, as TOML


class ResultTold(_Data):
    """What a measurement without power found: of a question 1 for yes, 0 for no."""

    name: str
    unit: str
    value: float


class PushTold(_Data):
    """A check that passed narrowly or was not decided, and what would push it beyond its limit."""

    check: str
    verdict: str
    by: tuple[str, ...]


class LibraryTold(_Data):
    """The simulated units an answer rests on."""

    sha256: str
    units: int
    most_each: int = 0  # of any one class; none in older files
    version: str  # of the program that compared them


class Explanation(_Data):
    """What most likely explains a run: a ranking, and no proof of any part."""

    run_id: str
    run_sha256: str  # of run.json; empty where the record has none
    released: bool
    passed: bool  # every check did, so that it is a remark
    headline: str
    unlike: bool
    likeness: float
    differs: tuple[str, ...]
    nothing_wrong: bool
    units_each: int  # at least
    library: LibraryTold
    found: tuple[ResultTold, ...]
    suspects: tuple[SuspectTold, ...]
    #: The likeliest beside the first suspect, if there is a second fault.
    beside: tuple[BesideTold, ...] = ()
    measure: tuple[MeasurementTold, ...]
    steps: tuple[StepTold, ...] = ()  # none too where nobody asked for them
    no_steps: str = ""  # why power is not proposed
    pushes: tuple[PushTold, ...]
    unseen: tuple[str, ...]
    hidden: str = ""  # what was not seen of this unit, and why
    cautions: tuple[str, ...]


def explanation_file(folder: Path) -> Path:
    """Return where the explanation of a run is kept: beside its folder, not in it."""
    return folder.with_name(f"{folder.name}.suspects.json")


def run_sha256(folder: Path | None) -> str:
    """Return the SHA-256 of ``run.json``; empty where there is none that can be read."""
    content = None if folder is None else read_regular(folder / RUN_FILE, Path.read_bytes, [])
    return "" if content is None else hashlib.sha256(content).hexdigest()


def keep_explanation(folder: Path, told: Explanation) -> None:
    """Keep the explanation of a run, in place of an earlier one; OSError: it cannot be written."""
    path = explanation_file(folder)
    part = path.with_name(f"{path.name}.{os.getpid()}.part")
    try:
        part.write_text(told.model_dump_json(indent=1) + "\n", encoding="utf-8", newline="\n")
        part.replace(path)
    finally:
        part.unlink(missing_ok=True)


def kept_explanation(folder: Path) -> Explanation | None:
    """Return the explanation that is kept of a run; None: there is none of this very run."""
    content = read_regular(explanation_file(folder), _small, [])
    if content is None:
        return None
    try:
        told = Explanation.model_validate_json(content)
    except ValidationError:
        return None  # of another version, or changed by hand: it is made again by asking
    return told if told.run_sha256 == run_sha256(folder) else None


def _small(path: Path) -> bytes:
    if path.stat().st_size > _MOST_BYTES:
        raise ValueError("it is far larger than any the harness writes")
    return path.read_bytes()
