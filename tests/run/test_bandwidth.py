"""A ripple is judged by an instrument that is known to read its frequencies, or by none.

Source: ripple and noise of a supply are stated for 20 Hz to 20 MHz; a figure without a bandwidth
means nothing (common practice, data sheets and manuals of bench supplies).
"""

from __future__ import annotations

import re
from collections.abc import Callable

import pytest

from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from tests.run.conftest import RunSteps

RIPPLE = """
[[steps]]
kind = "nominal"
dwell = "0.5 s"
[[steps.checks]]
name = "ripple"
measure = "meter.voltage_ac"
high = "1 V"
"""
COLD = """
[[steps]]
kind = "cold"
[[steps.checks]]
name = "no voltage"
measure = "meter.voltage_ac"
high = "1 V"
"""


def reading(*texts: str) -> Callable[[BenchFile], BenchFile]:
    """Return what gives the meter these accuracies of an AC voltage, by range if several."""
    stated: object = texts[0]
    if len(texts) > 1:
        stated = dict(zip(("1 uV", "1 V"), texts, strict=True))

    def changed(file: BenchFile) -> BenchFile:
        assert file.meter is not None
        kept = {name: one for name, one in file.meter.accuracy.items() if name != "voltage_ac"}
        raw = {"resource": "M", "dialect": "scpi-meter", "accuracy": {"voltage_ac": stated}}
        given = type(file.meter).model_validate(raw).accuracy
        meter = file.meter.model_copy(update={"accuracy": {**kept, **given}})
        return file.model_copy(update={"meter": meter})

    return changed


@pytest.mark.parametrize(
    ("stated", "needed", "verdict", "why"),
    [
        ("1 mV, 20 Hz to 20 MHz", "", "pass", ""),
        ("1 mV, 20 Hz to 20 MHz", "20 Hz to 20 MHz", "pass", ""),
        ("1 mV, 10 Hz to 30 MHz", "20 Hz to 20 MHz", "pass", ""),
        ("1 mV", "", "undecided", "no bandwidth stated"),
        ("1 mV", "20 Hz to 20 MHz", "undecided", "no bandwidth stated"),
        (
            "1 mV, 20 Hz to 300 kHz",
            "20 Hz to 20 MHz",
            "undecided",
            "read from 20 Hz to 300 kHz, where 20 Hz to 20 MHz is needed",
        ),
        (
            "1 mV, 40 Hz to 20 MHz",
            "20 Hz to 20 MHz",
            "undecided",
            "read from 40 Hz to 20 MHz, where 20 Hz to 20 MHz is needed",
        ),
    ],
)
@pytest.mark.parametrize("rule", ["guarded", "simple"])
def test_a_ripple_needs_its_band(
    run_steps: RunSteps, stated: str, needed: str, verdict: str, why: str, rule: str
) -> None:
    """Without a bandwidth, or with less than the check needs, a ripple is undecided, with why."""
    asked = f'rule = "{rule}"\n' + (f'bandwidth = "{needed}"\n' if needed else "")
    ran = run_steps("dc", after=RIPPLE + asked, bench=reading(stated))

    assert ran.verdict("ripple") == verdict
    assert not any("ripple" in warning for warning in ran.result.warnings)  # told before power
    said = re.fullmatch(r"(.+), (4\.2.+ mV) \(at most 1 V\)(.*)", *ran.said("check"))
    assert said is not None
    told, _, unknown = said.groups()
    assert (told, unknown) == (f"ripple: {verdict}", f"; meter voltage_ac: {why}" if why else "")


def test_without_power_it_needs_its_band_too(run_steps: RunSteps) -> None:
    """A cold check of an AC voltage is no other."""
    assert run_steps("dc", cold=COLD, bench=reading("1 mV")).verdict("no voltage") == "undecided"
    known = reading("1 mV, 40 Hz to 1 kHz")
    assert run_steps("dc", cold=COLD, bench=known).verdict("no voltage") == "pass"


def test_the_band_is_that_of_the_range_in_use(run_steps: RunSteps) -> None:
    """Of a meter's ranges the one that holds the reading counts."""
    banded, none = "1 mV, 20 Hz to 20 MHz", "1 mV"

    assert run_steps("dc", after=RIPPLE, bench=reading(none, banded)).verdict("ripple") == "pass"
    unknown = run_steps("dc", after=RIPPLE, bench=reading(banded, none))
    assert unknown.verdict("ripple") == "undecided"


def test_accuracy_keeps_its_band_by_range() -> None:
    """Each range has a band of its own."""
    table = {"0.1 V": "1 mV, 20 Hz to 1 MHz", "1 V": "5 mV, 20 Hz to 300 kHz"}
    low, high = Accuracy.by_range(table, "V", banded=True).by_range_up()

    assert (str(low.band), str(high.band)) == ("20 Hz to 1 MHz", "20 Hz to 300 kHz")
    assert (low.bound(0.05), low.bound(0.5), low.bound(5.0)) == (0.001, 0.005, 0.005)
