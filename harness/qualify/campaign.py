"""A campaign: units by the thousand through the engine, and the folder of what is done already."""

from __future__ import annotations

import contextlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from itertools import accumulate, pairwise
from pathlib import Path
from time import perf_counter
from typing import TYPE_CHECKING

from harness.api import plan_for, simulated_bench_file
from harness.errors import Refused, UsageError
from harness.profile.load import load_profile
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.qualify.journal import CampaignJournal, errors_name
from harness.qualify.population import Mix
from harness.qualify.rates import Summary, rates_of
from harness.qualify.unit_result import UnitResult, csv_text, frame_of
from harness.qualify.worker import DAY, Job
from harness.qualify.workers import carried_out, usual_workers
from harness.rehearse.laws import Laws
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.run.operator import StopRequest

if TYPE_CHECKING:
    import pandas as pd

#: Units a worker takes at a time: some tenths of a second of work, which a stop waits for.
_CHUNK = 5
OnProgress = Callable[[int, int], None]


@dataclass(frozen=True, kw_only=True, slots=True)
class Lot:
    """Units of a campaign that are drawn alike."""

    units: int
    seed: int = 1
    #: Names of the faults; empty for every one such a unit can have.
    faults: tuple[str, ...] = ()
    mix: Mix = Mix.BOTH
    #: What is assumed of every unit.
    laws: Laws = field(default_factory=Laws)


@dataclass(frozen=True, kw_only=True, slots=True)
class Campaign:
    """A finished campaign."""

    profile: Profile
    #: What the units were drawn around.
    model: UnitModelFile | None
    lots: tuple[Lot, ...]
    #: One row a unit, in the order of their numbers, lot after lot.
    rows: tuple[UnitResult, ...]
    #: Units carried out now; the others were in the folder already.
    new: int
    #: Real time that took.
    elapsed_s: float
    #: Where it was carried out, in words.
    workers: str
    #: Of the results.
    folder: Path | None

    def rows_by_lot(self) -> list[tuple[UnitResult, ...]]:
        """Return the rows of each lot."""
        ends = [0, *accumulate(lot.units for lot in self.lots)]
        return [self.rows[start:end] for start, end in pairwise(ends)]

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
            seed=self.lots[0].seed,
            laws=self.lots[0].laws.unusual(),
            rates=rates_of(self.profile, self.rows),
        )

    def write(self, name: str, text: str) -> None:
        """Write a file of results, where there is a folder; RecordError: it cannot be written."""
        if self.folder is not None:
            path = self.folder / name
            with errors_name(path, "it cannot be written"):
                path.write_text(text, encoding="utf-8", newline="\n")


def qualify_profile(  # noqa: PLR0913 - every one by its name
    profile: Profile | str | Path,
    *,
    model: UnitModelFile | str | Path | None = None,
    units: int = 1000,
    seed: int = 1,
    workers: int | None = None,
    out: Path | str | None = None,
    faults: Sequence[str] = (),
    laws: Laws = Laws(),  # noqa: B008 - it is frozen
    cluster: str | None = None,
    on_progress: OnProgress | None = None,
    stop: StopRequest | None = None,
) -> Campaign:
    """Draw random units and carry the profile out on each, in simulation.

    Half of the units are healthy, half faulty; the faults take turns. The answer depends on
    profile, unit model, seed, faults and laws alone: not on the number of workers, nor on where
    they are.

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
        laws: What is assumed of every unit; see :mod:`harness.rehearse.laws`.
        cluster: Address of a Dask scheduler that has the work done instead.
        on_progress: Called with units done and units in all.
        stop: Whether somebody wants to stop.

    Raises:
        FileError: The profile or the unit model cannot be used, or the model lists faults.
        UsageError: There is no such fault, or the folder holds another campaign.
        Refused: The simulated bench cannot carry this profile out at all.
        Interrupted: Somebody wanted to stop; what is done is in the folder.
    """
    lot = Lot(units=units, seed=seed, faults=tuple(dict.fromkeys(faults)), laws=laws)
    return qualify_lots(
        profile,
        (lot,),
        model=model,
        workers=workers,
        out=out,
        cluster=cluster,
        on_progress=on_progress,
        stop=stop,
    )


def qualify_lots(
    profile: Profile | str | Path,
    lots: Sequence[Lot],
    *,
    model: UnitModelFile | str | Path | None = None,
    workers: int | None = None,
    out: Path | str | None = None,
    cluster: str | None = None,
    on_progress: OnProgress | None = None,
    stop: StopRequest | None = None,
) -> Campaign:
    """Carry a profile out on lot after lot, as :func:`qualify_profile` does on one."""
    if any(lot.units < 1 or lot.seed < 0 for lot in lots) or (workers is not None and workers < 1):
        raise UsageError("a campaign needs a unit, a worker, and a seed of 0 or above")
    count = workers or usual_workers()
    loaded = profile if isinstance(profile, Profile) else load_profile(profile)
    around = load_unit_model(model) if isinstance(model, str | Path) else model
    firsts = [0, *accumulate(lot.units for lot in lots)]
    units = firsts.pop()
    jobs = [
        Job(
            profile=loaded,
            seed=lot.seed,
            faults=lot.faults,
            mix=lot.mix,
            laws=lot.laws,
            first=first,
            model=around,
        )
        for lot, first in zip(lots, firsts, strict=True)
    ]
    # before any worker starts: is there something to do, and a bench to do it on?
    for job in jobs:
        job.population()
    findings = preflight(plan_for(loaded, simulated_bench_file(loaded)), today=DAY.date())
    if findings.reasons:
        raise Refused(findings.reasons)
    folder = None if out is None else Path(out)
    with contextlib.closing(CampaignJournal(folder, jobs)) as journal:
        chunks = [
            (job, missing[start : start + _CHUNK])
            for job, lot in zip(jobs, lots, strict=True)
            for missing in [[n for n in range(lot.units) if job.first + n not in journal.done]]
            for start in range(0, len(missing), _CHUNK)
        ]
        new = sum(len(numbers) for _, numbers in chunks)
        done = units - new
        work = carried_out(iter(chunks), stop or StopRequest(), workers=count, cluster=cluster)
        started_s = perf_counter()
        if on_progress is not None:
            on_progress(done, units)
        for lines in work if new else ():
            journal.add(lines)
            done += len(lines)
            if on_progress is not None:
                on_progress(done, units)
        here = "this process" if count == 1 else f"{count} processes"
        campaign = Campaign(
            profile=loaded,
            model=around,
            lots=tuple(lots),
            rows=tuple(journal.done[index] for index in range(units)),
            new=new,
            elapsed_s=perf_counter() - started_s,
            workers=here if cluster is None else f"the cluster at {cluster}",
            folder=folder,
        )
        campaign.write("units.csv", campaign.csv())
    return campaign
