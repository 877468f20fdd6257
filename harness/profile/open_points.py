"""What keeps a run from releasing the unit (safety rule 11): gathered before power, held after it.

Every source of open points is one function here, and stands in :func:`open_points`.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from harness.judge.verdict import Verdict
from harness.profile.bench_file import BenchFile
from harness.profile.check import Check
from harness.profile.drafted import MARK, drafted_figures
from harness.profile.forecast import Forecast
from harness.profile.measures import BANDED
from harness.profile.plan import OpenPoint, PlannedStep
from harness.profile.readings import states_accuracy
from harness.profile.safety_checks import SafetyTests, tester_problems
from harness.profile.schema import Profile
from harness.profile.unit_at_hand import UnitAtHand


def open_points(
    profile: Profile,
    steps: Iterable[PlannedStep],
    bench: BenchFile | None,
    at_hand: UnitAtHand | None,
    safety: SafetyTests,
    foreseen: Iterable[Forecast] = (),
) -> tuple[OpenPoint, ...]:
    """Gather what keeps a run of these steps, on this bench, from releasing the unit at hand."""
    return (
        *_of_parts(at_hand),
        *_of_story(at_hand),
        *_of_drafted_figures(profile, at_hand),
        *([OpenPoint(safety.open_point)] if safety.open_point else []),
        *_of_checks(steps, bench),
        *_of_forecasts(foreseen),
    )


def still_open(
    points: Iterable[OpenPoint], judged: Iterable[tuple[str, Verdict]]
) -> tuple[str, ...]:
    """Return what is still open after a run, each a whole sentence.

    ``judged`` has name and verdict of every check, as the record has them. A point that a check is
    to prove is settled where the check was judged, and passed wherever it was judged.
    """
    checks = tuple(judged)
    return tuple(_left(points, checks))


def settled(points: Iterable[OpenPoint], left: Iterable[str]) -> tuple[str, ...]:
    """Return what was open before a run and is not ``left`` open after it, with what proved it."""
    still = tuple(left)
    return tuple(
        f"{point.text} Check {point.proved_by!r} passed, which proves it."
        for point in points
        if not any(each.startswith(point.text) for each in still)
    )


def _left(points: Iterable[OpenPoint], judged: tuple[tuple[str, Verdict], ...]) -> Iterator[str]:
    for point in points:
        name = point.proved_by
        # a check that is judged at every level has the level in its name
        verdicts = {
            verdict for check, verdict in judged if check == name or check.startswith(f"{name} at ")
        }
        if not name:
            yield point.text
        elif verdicts != {Verdict.PASS}:
            yield f"{point.text} Check {name!r} was to prove it, and did not pass."


def _of_parts(at_hand: UnitAtHand | None) -> Iterator[OpenPoint]:
    """Yield the parts that were over-stressed, and neither replaced nor proved."""
    if at_hand is None or at_hand.file is None:
        return
    proofs = {part.name: part.proved_by or "" for part in at_hand.file.parts}
    for part in at_hand.assessment.parts:
        if part.severity.suspect and not part.replaced:
            proof = proofs[part.name]
            unnamed = "" if proof else " No check is named to prove it sound (proved_by)."
            yield OpenPoint(
                f"{part.name} ({part.severity}) was not replaced: {part.reason}.{unnamed}", proof
            )


def _of_story(at_hand: UnitAtHand | None) -> Iterator[OpenPoint]:
    """Yield what was seen or worked out of the unit and no part explains."""
    if at_hand is not None and at_hand.file is not None:
        yield from map(OpenPoint, at_hand.assessment.to_clear_up)


def _of_drafted_figures(profile: Profile, at_hand: UnitAtHand | None) -> Iterator[OpenPoint]:
    """Yield the figures of the profile and the unit file that are still marked as drafted."""
    unit_file = None if at_hand is None else at_hand.file
    for whose, file in (("profile", profile), ("unit file", unit_file)):
        drafted = () if file is None else tuple(drafted_figures(file))
        if drafted:
            yield OpenPoint(
                f"Still marked {MARK} in the {whose}, as drafted: {'; '.join(drafted)}."
            )


def _of_checks(steps: Iterable[PlannedStep], bench: BenchFile | None) -> Iterator[OpenPoint]:
    """Yield the checks that this bench cannot make, and those that prove nothing on it."""
    for step in steps:
        points = list(step.dropped)
        for check in step.checks:
            # without an accuracy there is no uncertainty: nothing is proved, by either rule
            unknown = (
                [] if bench is None else list(_without_accuracy(step.made_of[check.name], bench))
            )
            if unknown:
                points.append((check, f"the bench file gives no accuracy for {', '.join(unknown)}"))
            elif bench is not None and check.measure in BANDED:
                points.extend(
                    (check, problem)
                    for problem in _out_of_band(check, step.made_of[check.name], bench)
                )
            if bench is not None:
                points.extend((check, problem) for problem in tester_problems(check, bench))
        for check, why in points:
            yield OpenPoint(
                f"Check {check.name!r} of step {step.number} ({step.name}) proves nothing: {why}."
            )


def _of_forecasts(foreseen: Iterable[Forecast]) -> Iterator[OpenPoint]:
    """Yield the checks that are not expected to know enough; each proves itself by passing."""
    for forecast in foreseen:
        check = forecast.check
        if not forecast.good_enough and (check.rule == "guarded" or forecast.why_not):
            yield OpenPoint(
                f"Check {check.name!r} of step {forecast.step} ({forecast.step_name}) is not "
                f"expected to be decided: {forecast.text}",
                check.name,
            )


def _out_of_band(check: Check, made_of: tuple[str, ...], bench: BenchFile) -> Iterator[str]:
    """Yield why the instrument of a check does not cover its frequencies, in any range."""
    [reading] = made_of
    key, _, quantity = reading.partition(".")
    ranges = bench.instruments[key].accuracy[quantity].by_range_up()
    problems = (accuracy.band_problem(check.bandwidth) for accuracy in ranges)
    yield from dict.fromkeys(f"{check.measure}: {problem}" for problem in problems if problem)


def _without_accuracy(made_of: tuple[str, ...], bench: BenchFile) -> Iterator[str]:
    """Yield the readings of a check without a known accuracy."""
    for reading in made_of:
        key = reading.partition(".")[0]
        if key in bench.instruments and not states_accuracy(bench, reading):
            yield reading
