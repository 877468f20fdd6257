"""A campaign: units by the thousand through the engine, and the folder of what is done already."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING, Any

from filelock import FileLock, Timeout

from harness.api import plan_for, simulated_bench_file
from harness.errors import RecordError, Refused, UsageError
from harness.files.named_file import FromFile
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.qualify.rates import Summary, rates_of
from harness.qualify.unit_result import UnitResult, csv_text, frame_of
from harness.qualify.worker import DAY, Job
from harness.qualify.workers import carried_out
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.run.operator import StopRequest
from harness.run.result import version_of

if TYPE_CHECKING:
    import pandas as pd

#: Units a worker takes at a time: some tenths of a second of work, which a stop waits for.
_CHUNK = 5
#: Counts up when a row of the journal means something else than before.
_FORMAT = 3

OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Campaign:
    """A finished campaign."""

    profile: Profile
    #: What the units were drawn around.
    model: UnitModelFile | None
    seed: int
    #: One row a unit, in the order of their numbers.
    rows: tuple[UnitResult, ...]
    #: Units carried out now; the others were in the folder already.
    new: int
    #: Real time that took.
    elapsed_s: float
    #: Where it was carried out, in words.
    workers: str
    #: Of the results.
    folder: Path | None

    def csv(self) -> str:
        """Return the table as CSV: the same for any number of workers, byte for byte."""
        return csv_text(self.rows)

    def frame(self) -> pd.DataFrame:
        """Return the table as a frame, one row a unit, as ``frame_of`` makes it."""
        return frame_of(self.rows)

    def summary(self) -> Summary:
        """Return what it came to."""
        return Summary(
            profile=self.profile.title,
            unit_model=None if self.model is None else self.model.title,
            units=len(self.rows),
            seed=self.seed,
            rates=rates_of(self.profile, self.rows),
        )

    def write(self, name: str, text: str) -> None:
        """Write a file of results, where there is a folder; RecordError: it cannot be written."""
        if self.folder is not None:
            path = self.folder / name
            with _errors_name(path, "it cannot be written"):
                path.write_text(text, encoding="utf-8", newline="\n")


def usual_workers() -> int:
    """Return the number of cores this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def qualify_profile(  # noqa: PLR0913 - every one by its name
    profile: Profile | str | Path,
    *,
    model: UnitModelFile | str | Path | None = None,
    units: int = 1000,
    seed: int = 1,
    workers: int | None = None,
    out: Path | str | None = None,
    faults: Sequence[str] = (),
    cluster: str | None = None,
    on_progress: OnProgress | None = None,
    stop: StopRequest | None = None,
) -> Campaign:
    """Draw random units and carry the profile out on each, in simulation.

    Half of the units are healthy, half faulty; the faults take turns. The answer depends on
    profile, unit model, seed and faults alone: not on the number of workers, nor on where they are.

    A script that asks for more than one worker must be importable: what it does stands under
    ``if __name__ == "__main__":``, since the workers are new Python processes.

    Args:
        profile: A profile, the path of one, or the name of a shipped one.
        model: A unit model, likewise: the units are drawn around this very unit. What it gives with
            a tolerance is drawn inside it, what it gives without one stays, and the rest is spread
            as :mod:`harness.qualify.population` has it. None: units typical of the nameplate.
        units: How many units.
        seed: Seed of the campaign, 0 or above.
        workers: Processes on this machine; None: one a core.
        out: Folder for journal and results, or None to keep nothing. A campaign that was
            interrupted goes on from there.
        faults: Names of the faults, or empty for every one such a unit can have.
        cluster: Address of a Dask scheduler that has the work done instead.
        on_progress: Called with units done and units in all.
        stop: Whether somebody wants to stop.

    Raises:
        FileError: The profile or the unit model cannot be used, or the model lists faults.
        UsageError: There is no such fault, or the folder holds another campaign.
        Refused: The simulated bench cannot carry this profile out at all.
        Interrupted: Somebody wanted to stop; what is done is in the folder.
    """
    if units < 1 or seed < 0 or (workers is not None and workers < 1):
        raise UsageError("a campaign needs a unit, a worker, and a seed of 0 or above")
    count = workers or usual_workers()
    loaded = profile if isinstance(profile, Profile) else load_profile(profile)
    around = load_unit_model(model) if isinstance(model, str | Path) else model
    job = Job(profile=loaded, seed=seed, faults=tuple(dict.fromkeys(faults)), model=around)
    # before any worker starts: is there something to do, and a bench to do it on?
    job.population()
    findings = preflight(plan_for(loaded, simulated_bench_file(loaded)), today=DAY.date())
    if findings.reasons:
        raise Refused(findings.reasons)
    folder = None if out is None else Path(out)
    with contextlib.closing(CampaignJournal(folder, job)) as journal:
        missing = [index for index in range(units) if index not in journal.done]
        done = units - len(missing)
        chunks = (missing[start : start + _CHUNK] for start in range(0, len(missing), _CHUNK))
        work = carried_out(job, chunks, stop or StopRequest(), workers=count, cluster=cluster)
        started_s = perf_counter()
        if on_progress is not None:
            on_progress(done, units)
        for lines in work if missing else ():
            journal.add(lines)
            done += len(lines)
            if on_progress is not None:
                on_progress(done, units)
        here = "this process" if count == 1 else f"{count} processes"
        campaign = Campaign(
            profile=loaded,
            model=around,
            seed=seed,
            rows=tuple(journal.done[index] for index in range(units)),
            new=len(missing),
            elapsed_s=perf_counter() - started_s,
            workers=here if cluster is None else f"the cluster at {cluster}",
            folder=folder,
        )
        campaign.write("units.csv", campaign.csv())
    return campaign


class CampaignJournal:
    """A folder with ``campaign.json`` (what is being done) and ``units.jsonl`` (what is done).

    Lines come in the order in which workers finish; every line has its unit's number. A line that
    was cut off by the end of the program counts as not done. Without a folder nothing is kept.

    UsageError: it holds another campaign, or one that cannot be read, or somebody is at work in it.
    RecordError: it cannot be read or written.
    """

    def __init__(self, folder: Path | None, job: Job) -> None:
        self.done: dict[int, UnitResult] = {}  # by number of the unit
        self._folder = folder
        self._open_files = contextlib.ExitStack()
        self._file: Any = None
        if folder is None:
            return
        with self._open_files, _errors_name(folder):
            folder.mkdir(parents=True, exist_ok=True)
            try:
                self._open_files.enter_context(FileLock(folder / "campaign.lock", timeout=0))
            except Timeout as error:
                raise UsageError(
                    "another campaign is at work in this folder",
                    where=str(folder),
                    remedy="wait for it, or name another folder with --out",
                ) from error
            _claim(folder / "campaign.json", job)
            path = folder / "units.jsonl"
            whole = self._read(path)
            file = path.open("a", encoding="utf-8", newline="\n")
            self._file = self._open_files.enter_context(file)
            self._file.truncate(whole)
            self._open_files = self._open_files.pop_all()  # all is well: they stay open

    def add(self, lines: list[str]) -> None:
        """Append finished units; they are out of this program's hands when it returns."""
        if self._folder is not None:
            with _errors_name(self._folder):
                self._file.write("".join(lines))
                self._file.flush()
        self.done.update((row.index, row) for row in map(UnitResult.from_line, lines))

    def close(self) -> None:
        """Close the journal and leave the folder to others."""
        self._open_files.close()

    def _read(self, path: Path) -> int:
        """Read what is done; return the length of the whole lines."""
        content = path.read_bytes() if path.exists() else b""
        whole = content.rfind(b"\n") + 1
        for number, line in enumerate(content[:whole].splitlines(), 1):
            try:
                row = UnitResult.from_line(line.decode("utf-8"))
            except ValueError as error:
                raise UsageError(
                    "a line of the journal cannot be read",
                    where=f"{path}:{number}",
                    remedy="remove the line: its unit is then done again",
                ) from error
            self.done[row.index] = row
        return whole


@contextlib.contextmanager
def _errors_name(path: Path, what: str = "the campaign cannot be kept") -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise RecordError(f"{what}: {error.strerror}", where=str(path)) from error


def _claim(path: Path, job: Job) -> None:
    """Note what the folder is for, or see that it is for this campaign already."""
    # what must be the same for two halves of a campaign to fit together
    facts = {
        "format": _FORMAT,
        "softwake": version_of("softwake"),
        "title": job.profile.title,
        "profile": _digest(job.profile),
        "unit_model": None if job.model is None else f"{job.model.title}, {_digest(job.model)}",
        "seed": job.seed,
        "faults": list(job.faults),
    }
    if not path.exists():
        path.write_text(json.dumps(facts, indent=1) + "\n", encoding="utf-8", newline="\n")
        return
    try:
        there = json.loads(path.read_text(encoding="utf-8"))
    except ValueError:
        there = None
    if there != facts:
        differs = [key for key in facts if not there or there.get(key) != facts[key]]
        raise UsageError(
            f"the folder holds another campaign (other {', '.join(differs)})",
            where=str(path.parent),
            remedy="name another folder with --out, or remove this one",
        )


def _digest(file: FromFile) -> str:
    """What a file says, whatever its layout and comments."""
    return hashlib.sha256(file.model_dump_json().encode()).hexdigest()
