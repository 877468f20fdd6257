"""An explanation of a run, as it is kept beside a record, for every test that shows one."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from harness.record.explanation import (
    Expected,
    Explanation,
    LibraryTold,
    MeasurementTold,
    PushTold,
    SeverityTold,
    SignTold,
    Span,
    SuspectTold,
    run_sha256,
)


def explanation(folder: Path | None = None, **changed: Any) -> Explanation:
    """Return what explains a run: a low output, or a meter off by ten."""
    low = SuspectTold(
        name="output-low",
        words="output too low",
        merged=(),
        on_bench=False,
        probability=0.9,
        severity=SeverityTold(
            what="output voltage off by", unit="%", value=0.06, low=0.05, high=0.08
        ),
        parts=("U1",),
        shown_by="voltmeter at the output",
        shown_cold=False,
        supporting=(
            SignTold(
                figure="nominal: rail",
                unit="V",
                value=4.71,
                such=Span(low=4.0, high=4.8),
                healthy=Span(low=4.95, high=5.05),
            ),
        ),
        against=(),
    )
    meter = low.model_copy(
        update={
            "name": "bench-meter-scale",
            "words": "meter or probe on a wrong scale",
            "on_bench": True,
            "probability": 0.004,
            "severity": None,
            "parts": (),
        }
    )
    told = Explanation(
        run_id="a run",
        run_sha256=run_sha256(folder),
        released=False,
        passed=False,
        headline="Most likely: output too low (90 %).",
        unlike=False,
        likeness=0.5,
        differs=(),
        nothing_wrong=False,
        units_each=8,
        library=LibraryTold(sha256="ab" * 32, units=240, version="0.1.0"),
        found=(),
        suspects=(low, meter),
        measure=(
            MeasurementTold(
                name="meter right on a known voltage",
                how="a battery of known voltage at the meter's leads",
                unit="",
                bits=0.4,
                work_min=2.0,
                danger=1.0,
                expected=(
                    Expected(suspect="output-low", words="output too low", low=1.0, high=1.0),
                    Expected(suspect="bench-meter-scale", words="meter", low=0.0, high=0.0),
                ),
            ),
        ),
        pushes=(PushTold(check="nominal: ripple", verdict="pass", by=("a dry capacitor",)),),
        unseen=("varistor has drifted",),
        cautions=("Mains can kill.",),
    )
    return told.model_copy(update=changed)
