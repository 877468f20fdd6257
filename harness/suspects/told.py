"""An answer as plain data, for record, screen and program alike."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from harness.record.explanation import (
    BesideTold,
    Expected,
    Explanation,
    LibraryTold,
    MeasurementTold,
    PushTold,
    ResultTold,
    SeverityTold,
    SignTold,
    Span,
    StepTold,
    SuspectTold,
    run_sha256,
)
from harness.report.explained import percent
from harness.shipped import version_of
from harness.suspects.answer import Answer, Told
from harness.suspects.evidence import Sign
from harness.suspects.kinds import kind_named
from harness.suspects.measuring import Found, Proposal

if TYPE_CHECKING:
    from harness.suspects.weighing import StepProposal


def headline(answer: Answer) -> str:
    """Return the answer in one sentence."""
    first = answer.told[0]
    if answer.ranking.is_unlike:
        chance = f"{percent(answer.ranking.likeness)} that its cause was"
        return f"Unlike anything simulated ({chance}); nearest to it: {_words(first)}."
    if answer.nothing_wrong:
        return "Nothing wrong is needed to explain this run."
    likely = f"Most likely: {_words(first)} ({percent(first.probability)})"
    if first.contradicted_by:
        names = " and ".join(one.measurement.name for one in first.contradicted_by)
        return f"{likely}, and yet {names} speaks against it: measure that once more."
    return f"{likely}."


def _words(told: Told) -> str:
    return ", or ".join(one.words for one in told.left)


def of_answer(
    answer: Answer, steps: Sequence[StepProposal] = (), no_steps: str = ""
) -> Explanation:
    """Return an answer as it is kept beside the record, and printed with ``--json``."""
    return Explanation(
        run_id=answer.run_id,
        run_sha256=run_sha256(answer.folder),
        released=answer.released,
        passed=answer.passed,
        headline=headline(answer),
        unlike=answer.ranking.is_unlike,
        likeness=answer.ranking.likeness,
        differs=answer.differs,
        nothing_wrong=answer.nothing_wrong,
        units_each=answer.each[0],
        library=LibraryTold(
            sha256=answer.fingerprint,
            units=answer.units,
            most_each=answer.each[1],
            version=version_of("softwake"),
        ),
        found=results_told(answer.found),
        suspects=tuple(map(_suspect, answer.told)),
        beside=tuple(BesideTold(name=one.name, words=one.words) for one in answer.beside),
        measure=tuple(map(_measurement, answer.measure)),
        steps=tuple(map(_step, steps)),
        no_steps=no_steps,
        pushes=tuple(
            PushTold(check=one.check, verdict=one.verdict, by=one.words) for one in answer.pushes
        ),
        unseen=answer.unseen,
        hidden=answer.hidden,
        cautions=answer.cautions,
    )


def results_told(found: Sequence[Found]) -> tuple[ResultTold, ...]:
    """Return what was found without power, as it is kept."""
    return tuple(
        ResultTold(name=one.measurement.name, unit=one.measurement.unit, value=one.value)
        for one in found
    )


def _suspect(told: Told) -> SuspectTold:
    suspect, first, *others = told.suspect, *told.left
    found, severity = suspect.severity, suspect.kind.severity
    return SuspectTold(
        name=first.name,
        words=_words(told),
        merged=tuple(one.name for one in others),
        on_bench=first.on_bench,
        probability=told.probability,
        severity=None
        if found is None or severity is None or first != suspect.kind
        else SeverityTold(
            what=severity.what,
            unit=severity.unit,
            value=found.value,
            low=found.low,
            high=found.high,
        ),
        parts=told.parts,
        units=told.units,
        shown_by=first.shown_by,
        shown_cold=first.shown_cold,
        supporting=tuple(map(_sign, told.signs.supporting)),
        against=tuple(map(_sign, told.signs.against)),
    )


def _sign(sign: Sign) -> SignTold:
    such, healthy = (
        None if span is None else Span(low=span[0], high=span[1])
        for span in (sign.such, sign.healthy)
    )
    return SignTold(
        figure=sign.figure, unit=sign.unit, value=sign.value, such=such, healthy=healthy
    )


def _measurement(proposal: Proposal) -> MeasurementTold:
    return MeasurementTold(**_proposed(proposal))


def _step(proposal: StepProposal) -> StepTold:
    return StepTold(
        **_proposed(proposal),
        figure=proposal.figure,
        trips=proposal.trips,
        profile=proposal.profile,
    )


def _proposed(proposal: Proposal) -> dict[str, Any]:
    """Return what a measurement without power and a step under power have both."""
    same = ("name", "how", "unit", "bits", "work_min", "danger")
    return {
        **{name: getattr(proposal, name) for name in same},
        "expected": tuple(
            Expected(suspect=name, words=kind_named(name).words, low=low, high=high)
            for name, low, high in proposal.expected
        ),
    }
