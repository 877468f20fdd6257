"""The one place that wires a run: links and clock, real or simulated, and the record.

The command line calls these functions, and so can a technician's own script; they are also the
public door of the package (``import harness``).
"""

from __future__ import annotations

import contextlib
import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from harness.bench.clock import SystemClock
from harness.bench.dialect import BUILT_IN, bench_dialects
from harness.errors import Refused, UsageError
from harness.files.pictures import Picture, read_picture
from harness.power.local_bench import open_bench
from harness.power.lock import hold_supply
from harness.power.off_line import OffLine
from harness.power.process_bench import open_process_bench
from harness.profile.bench_file import BenchFile
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.profile.schema import Profile
from harness.profile.unit_at_hand import UnitAtHand
from harness.record.earlier import earlier_figures
from harness.record.figures import EarlierFigure
from harness.record.left_behind import left_at
from harness.record.recorder import MemoryRecorder, Recorder
from harness.record.run_summary import unit_entry
from harness.rehearse.bench_of_rails import bench_that_fits
from harness.rehearse.clock import PacedClock, SimulatedClock
from harness.rehearse.faults import fault_of_unit
from harness.rehearse.model_file import UnitModelFile, load_unit_model
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.report.page import RunReport
from harness.run.engine import carry_out
from harness.run.operator import Operator, StopRequest
from harness.run.result import RunInfo, RunResult
from harness.unit.unit_file import load_unit

#: Longest text that names the record of the safety tests: it has to stand on a label.
_LONGEST_REFERENCE = 100
#: What the record keeps of a unit model.
_OF_MODEL = ("title", "source", "sha256", "text")


def plan_for(
    profile: Profile, bench: BenchFile | None = None, *, at_hand: UnitAtHand | None = None
) -> Plan:
    """Expand a profile into a plan for a bench; opens no link and energises nothing.

    Args:
        profile: The profile.
        bench: The bench, or None for a plan that no bench restricts.
        at_hand: The very unit, whose open points and objections go into the plan.

    Raises:
        FileError: A dialect the bench names is missing or wrong.
    """
    if bench is None:
        return make_plan(profile, at_hand=at_hand)
    dialects = bench_dialects(bench)
    window_s = bench.feed.averaging_window_s or dialects[bench.fed_by].link.averaging_window_s
    operations = {role: dialect.operations for role, dialect in dialects.items()}
    return make_plan(profile, bench, window_s=window_s, operations=operations, at_hand=at_hand)


def simulated_bench_file(profile: Profile) -> BenchFile:
    """Return the shipped bench file of the simulated instruments that fit a profile.

    Whatever tester the profile has somebody read, the simulated bench has one; and where its steps
    need several instruments at several outputs, or an auxiliary supply, these as well.
    """
    return bench_that_fits(profile)


def simulated_by_name(bench: BenchFile | str | Path) -> BenchFile:
    """Return a bench file of the user's own for simulated instruments: they speak what is built in.

    Raises:
        FileError: It cannot be used.
        UsageError: Its instruments speak dialects that are not built in.
    """
    file = bench if isinstance(bench, BenchFile) else load_bench(bench)
    others = {table.dialect for table in file.instruments.values()} - {*BUILT_IN}
    if others:
        raise UsageError(
            f"simulated instruments speak the built-in dialects alone, not {', '.join(others)}",
            where="--bench",
            remedy=f"name one of {', '.join(BUILT_IN)} in a copy of the file",
        )
    return file


def simulated_unit(
    profile: Profile,
    fault: str | None = None,
    *,
    model: UnitModelFile | str | Path | None = None,
    seed: int = 1,
) -> UnitModel:
    """Return the unit on the simulated bench, healthy or with a fault.

    Args:
        profile: The profile, with the unit's nameplate.
        fault: Name of a fault, or None.
        model: A unit model, the path of one, or the name of a shipped one; None for a unit that
            is typical of the nameplate.
        seed: Decides the values that the unit model gives with a tolerance.

    Raises:
        FileError: The unit model cannot be used, or is of another kind of unit.
        UsageError: There is no such fault, it does not exist in a unit of this kind, or the
            profile cannot show it.
    """
    file = load_unit_model(model) if isinstance(model, str | Path) else model
    unit = typical_model(profile.unit) if file is None else file.unit(profile.unit, seed=seed)
    unit = replace(unit, feed=profile.feed)
    if fault is None:
        return unit
    known = fault_of_unit(fault, profile.unit)
    if known.need is not None and known.out_of_reach(profile):
        raise UsageError(
            f"{fault!r} shows itself only {known.need.when}",
            remedy=f"{known.need.add}, or rehearse another fault",
        )
    return known.apply(unit)


def rehearse_profile(  # noqa: PLR0913 - what a rehearsal is made of
    profile: Profile | str | Path,
    *,
    fault: str | None = None,
    bench: BenchFile | str | Path | None = None,
    hand: str = "steady",
    model: UnitModelFile | str | Path | None = None,
    seed: int = 1,
    serial: str | None = None,
    operator: str = "",
    results: Path | str | None = None,
    unit: str | Path | None = None,
    photos: Iterable[str] = (),
    stop: StopRequest | None = None,
    watching: Callable[[Path], None] | None = None,
) -> RunResult:
    """Rehearse a profile on the simulated bench.

    Args:
        profile: A profile, the path of one, or the name of a shipped one.
        fault: Name of a fault on the simulated unit, or None.
        bench: A bench whose instruments are simulated, the path of one, or the name of a shipped
            one; None for the shipped one of the input's kind.
        hand: How a source set by hand is turned: one of :data:`harness.rehearse.hand_source.HANDS`.
        model: A unit model, the path of one, or the name of a shipped one: the very unit on the
            bench. None for a unit that is typical of the nameplate.
        seed: Seed of instrument errors, noise, intermittent faults and values with a tolerance:
            same seed, same run.
        serial: Serial number the record carries, and the unit file must have; None: whatever the
            unit file says.
        operator: Name the record carries.
        results: Folder for the record, or None to keep it in memory only.
        unit: A unit file whose story and assessment go into the record, or None.
        photos: Paths of pictures of the unit, kept in the record beside those its file names.
        stop: Whether somebody wants to stop.
        watching: Told of the record's folder before anything is done; somebody watches, so time
            then passes as it does at a bench.

    Returns:
        How it ended; ``.record`` gives its frames.

    Raises:
        FileError: The profile or the unit model cannot be used.
        UsageError: There is no such fault.
    """
    # loads VISA: not for a plan
    from harness.rehearse.hand_source import hand_named
    from harness.rehearse.simulated_bench import SimulatedBench
    from harness.rehearse.simulated_operator import SimulatedOperator

    loaded = profile if isinstance(profile, Profile) else load_profile(profile)
    table = simulated_bench_file(loaded) if bench is None else simulated_by_name(bench)
    clock = SimulatedClock() if watching is None else PacedClock()
    file = load_unit_model(model) if isinstance(model, str | Path) else model
    on_bench = simulated_unit(loaded, fault, model=file, seed=seed)
    simulated = SimulatedBench(on_bench, table, clock, seed=seed)
    if simulated.hand is not None:
        simulated.hand.hand = hand_named(hand)
    elif hand != "steady":
        raise UsageError("no hand sets the source of this bench", where="--hand")
    faults = [table.kind for table in file.faults] if file else []
    faults += [fault] if fault else []
    started = dt.datetime.now(dt.UTC)
    at_hand = _at_hand(unit, serial)
    named = serial or (at_hand.file.serial if at_hand.file else "REHEARSAL")
    earlier = _earlier(results, named, loaded, rehearsal=True)
    sink = _sink(results, named, started, _pictures(at_hand, photos))
    if watching is not None and sink.folder is not None:
        watching(sink.folder)
    result = carry_out(
        plan_for(loaded, table, at_hand=at_hand),
        connect=lambda: open_bench(table, clock, library=simulated.library()),
        clock=clock,
        sink=sink,
        info=RunInfo(
            serial=named,
            started=started,
            operator=operator,
            rehearsal=True,
            fault=", ".join(faults) or None,
            seed=seed,
            unit_model=None if file is None else {key: getattr(file, key) for key in _OF_MODEL},
            unit_file=_unit_facts(at_hand),
            earlier=earlier,
        ),
        stop=stop,
        operator=SimulatedOperator(simulated, loaded.unit, checks=loaded.checks),
    )
    return replace(result, frames=sink.frames) if isinstance(sink, MemoryRecorder) else result


def run_profile(  # noqa: PLR0913 - what a run is made of
    profile: Profile | str | Path,
    bench: BenchFile | str | Path,
    *,
    serial: str,
    results: Path | str,
    operator: str = "",
    unit: str | Path | None = None,
    photos: Iterable[str] = (),
    safety_record: str = "",
    confirm: Callable[[Plan], bool] | None = None,
    operator_actions: Operator | None = None,
    stop: StopRequest | None = None,
    watching: Callable[[Path], None] = lambda _: None,
) -> RunResult:
    """Carry a profile out on a real bench.

    Args:
        profile: A profile, the path of one, or the name of a shipped one.
        bench: A bench file, or the path of one.
        serial: Serial number of the unit.
        results: Folder for the record; a real run is always recorded.
        operator: Who is at the bench.
        unit: A unit file whose story and assessment go into the record, or None.
        photos: Paths of pictures of the unit, kept in the record beside those its file names.
        safety_record: Names the record that holds the unit's safety tests after repair, where the
            checks of the profile do not make them: without either a unit for mains is not released.
        confirm: Asked with the plan before anything is energised; None asks nobody.
        operator_actions: Who moves leads and answers questions on the way; None: nobody, so that
            what only a person can tell stays undecided.
        stop: Whether somebody wants to stop.
        watching: Told of the record's folder before anything is done.

    Returns:
        How it ended; power is off and confirmed off.

    Raises:
        FileError: A file cannot be used.
        UsageError: ``safety_record`` is no line of text.
        Refused: The plan did not pass, another run uses the supply, or the operator said no;
            nothing was energised.
        PowerOffUnconfirmed: Output off could not be confirmed: cut the mains by hand.
    """
    loaded = profile if isinstance(profile, Profile) else load_profile(profile)
    table = bench if isinstance(bench, BenchFile) else load_bench(bench)
    at_hand = replace(_at_hand(unit, serial), safety_record=_reference(safety_record))
    pictures = _pictures(at_hand, photos)
    plan = plan_for(loaded, table, at_hand=at_hand)
    left = left_at(Path(results), table.feed.resource)
    if left:
        plan = replace(plan, left_behind=left, cautions=(f"{left}.", *plan.cautions))
    started = dt.datetime.now(dt.UTC)
    findings = preflight(plan, today=started.date())
    if findings.reasons:
        raise Refused(findings.reasons)
    stop = stop or StopRequest()
    with (
        hold_supply(table.feed.resource, serial=serial, started=started),
        contextlib.closing(OffLine()) as line,
        stop.reaching(line),
    ):
        if confirm is not None and not confirm(plan):
            raise Refused(["the operator did not confirm"])
        earlier = _earlier(results, serial, loaded, rehearsal=False)
        sink = _sink(results, serial, started, pictures)
        if sink.folder is not None:
            watching(sink.folder)
        clock = SystemClock()  # the run's: its zero is the journal's
        return carry_out(
            plan,
            connect=lambda: open_process_bench(table, clock, off=line, folder=sink.folder),
            clock=clock,
            sink=sink,
            info=RunInfo(
                serial=serial,
                started=started,
                operator=operator,
                unit_file=_unit_facts(at_hand),
                earlier=earlier,
            ),
            stop=stop,
            operator=operator_actions,
        )


def _at_hand(unit: str | Path | None, serial: str | None) -> UnitAtHand:
    return UnitAtHand(serial=serial, file=None if unit is None else load_unit(unit))


def _reference(text: str) -> str:
    """Return what names a record as it stands on screen, page and label: one line, or nothing."""
    if not text.isprintable() or len(text) > _LONGEST_REFERENCE:
        raise UsageError(
            "what names the record of the safety tests is one line of at most "
            f"{_LONGEST_REFERENCE} printable characters",
            where="--safety-record",
            remedy='such as --safety-record "test sheet 2026-118"',
        )
    return text.strip()


def _unit_facts(at_hand: UnitAtHand) -> dict[str, Any] | None:
    """Return what a unit file says, and what follows from it, as plain data for the record."""
    file = at_hand.file
    if file is None:
        return None
    source, sha256, text = file.source, file.sha256, file.text
    return unit_entry(at_hand.assessment, source=source, sha256=sha256, text=text)


def _pictures(at_hand: UnitAtHand, photos: Iterable[str]) -> tuple[Picture, ...]:
    """Return the pictures of the unit: those its file names, and those named beside it."""
    of_file = () if at_hand.file is None else at_hand.file.pictures
    return (*of_file, *(read_picture(Path(photo)) for photo in photos))


def _earlier(
    results: Path | str | None, serial: str, profile: Profile, *, rehearsal: bool
) -> tuple[EarlierFigure, ...]:
    if results is None:
        return ()
    return earlier_figures(Path(results), serial=serial, title=profile.title, rehearsal=rehearsal)


def _sink(
    results: Path | str | None, serial: str, started: dt.datetime, pictures: Sequence[Picture]
) -> Recorder | MemoryRecorder:
    if results is None:
        return MemoryRecorder(serial=serial, started=started)
    return Recorder(
        Path(results), serial=serial, started=started, renderer=RunReport(), pictures=pictures
    )
