"""Units that work and are worn: what the two full releases make of them."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest

from harness.api import rehearse_profile
from harness.profile.load import load_profile
from harness.qualify.population import Mix
from harness.qualify.unit_result import End, UnitResult
from harness.qualify.worker import Job, run_units
from harness.record.run_summary import Outcome
from harness.rehearse.faults import FAULTS, faults_of
from harness.rehearse.laws import LAWS, Laws
from harness.rehearse.worn_faults import WORN_FAULTS
from tests.repeats import repeats

PROFILES = {"dc": "mount-controller-full-release", "ac": "dome-shutter-full-release"}
#: What finds each fault, by the kind of input: checks that do not pass, or reasons of a trip; one
#: of them for every unit.
FOUND = {
    ("dc", "leaky-varistor"): {"line, no load: rise of the idle power"},
    ("ac", "leaky-varistor"): {"line, no load: rise of the idle power"},
    ("ac", "inrush-limiter-bridged"): {"cold: inrush limiter"},
    ("dc", "gives-in-at-low-line"): {"unsettled"},
    ("ac", "gives-in-at-low-line"): {"unsettled", "line, full load: 24 V rail at 90 %, 50 Hz"},
    ("dc", "gives-in-at-high-line"): {"unsettled"},
    ("ac", "gives-in-at-high-line"): {"unsettled"},
    ("dc", "output-unlimited"): {"current limit: 5 V rail gives way at resistor 1.6 ohm"},
    ("ac", "output-unlimited"): {
        *("current limit: 24 V rail gives way at 3.75 A", "over_power", "over_current")
    },
    ("dc", "sagging-output"): {"full load: 5 V rail at resistor 2.5 ohm"},
    ("ac", "sagging-output"): {"load: load regulation"},
    ("dc", "lost-efficiency"): {"full load: input power at resistor 2.5 ohm"},
    ("ac", "lost-efficiency"): {"load: efficiency at full load", "over_power", "over_current"},
    ("ac", "stuck-fan"): {"cold: fan turns by hand", "soak: air at the outlet"},
    ("ac", "dead-fan"): {"soak: air at the outlet"},
    ("dc", "resistive-bulk-capacitor"): {"cold: bulk capacitor's series resistance"},
    ("ac", "resistive-bulk-capacitor"): {"cold: bulk capacitor's series resistance"},
    ("dc", "rippling-output"): {"full load: 5 V ripple at resistor 2.5 ohm"},
    ("ac", "rippling-output"): {"load: 24 V ripple without load"},
}
#: What no reading of theirs tells, as docs/qualify.md says.
UNSEEN = {("dc", "drifted-varistor"), ("ac", "drifted-varistor")}
#: What shows to a person where it is bad, and else after half an hour under load.
LATE = {("ac", "blocked-air")}
UNITS = 6


def carried_out(kind: str, mix: Mix, units: int, faults: tuple[str, ...] = ()) -> list[UnitResult]:
    """Carry the first so many clearly faulty units, or healthy ones, through the full release."""
    job = Job(profile=load_profile(PROFILES[kind]), seed=11, faults=faults, mix=mix)
    drawn = map(job.population().draw, itertools.count())
    wanted = (one.index for one in drawn if one.clear or mix is Mix.HEALTHY)
    numbers = list(itertools.islice(wanted, units))
    return [UnitResult.from_line(line) for line in run_units(job, numbers)]


def model(folder: Path, kind: str, fault: str, severity: float | str) -> Path:
    path = folder / "unit.toml"
    path.write_text(
        f'title = "Worn"\ninput = "{kind}"\n[[faults]]\nkind = "{fault}"\n'
        f"severity = {severity if isinstance(severity, float) else repr(severity)}\n",
        encoding="utf-8",
    )
    return path


class TestWornUnits:
    def test_the_tables_name_every_worn_fault(self) -> None:
        """Of each fault it is known what finds it, or that nothing does, or only time."""
        every = {(kind, fault.name) for fault in WORN_FAULTS for kind in fault.kinds}

        assert {*FOUND} | UNSEEN | LATE == every

    @pytest.mark.parametrize("units", repeats([1, UNITS]))
    @pytest.mark.parametrize(("kind", "fault"), FOUND)
    def test_no_clearly_faulty_unit_is_released(self, kind: str, fault: str, units: int) -> None:
        """Units drawn from mild to severe: a clearly faulty one is never released, and found by
        the reading that is meant to.
        """
        clear = carried_out(kind, Mix.FAULTY, units, (fault,))

        assert [one.clear for one in clear] == [True] * units
        assert [one.severity for one in clear if one.end is End.RELEASED] == []
        assert all(FOUND[kind, fault] & {*one.caught_by} for one in clear)

    @pytest.mark.parametrize(("kind", "fault"), repeats(FOUND, first=2))
    @pytest.mark.parametrize("severity", repeats(["usual", "severe"]))
    def test_the_typical_unit_with_it_is_not_released(
        self, kind: str, fault: str, severity: str, tmp_path: Path
    ) -> None:
        """The unit of the nameplate with this fault alone is not released."""
        result = rehearse_profile(PROFILES[kind], model=model(tmp_path, kind, fault, severity))

        assert not result.released
        assert result.outcome is not Outcome.INTERRUPTED

    @pytest.mark.parametrize("units", repeats([2, 12]))
    @pytest.mark.parametrize("kind", PROFILES)
    def test_healthy_units_are_not_held(self, kind: str, units: int) -> None:
        """Units inside their tolerances pass the same limits: none of them is held."""
        healthy = carried_out(kind, Mix.HEALTHY, units)

        assert [(one.end, one.caught_by) for one in healthy if one.end is not End.RELEASED] == []

    def test_the_healthy_unit_nearest_to_a_limit_is_not_held(self) -> None:
        """Of 450 healthy units the one that shows most ripple without load clears the limit by U.

        Its ripple is 11.1 mV, and its meter shows 1.1 mV more.
        """
        job = Job(profile=load_profile(PROFILES["ac"]), seed=2, mix=Mix.HEALTHY)
        (line,) = run_units(job, [68])
        one = UnitResult.from_line(line)
        (ripple,) = [check for check in one.checks if check.check == "24 V ripple without load"]

        assert ripple.value == pytest.approx(12.2e-3, abs=0.1e-3)
        assert (one.end, one.caught_by) == (End.RELEASED, ())

    @pytest.mark.parametrize(("kind", "fault"), sorted(UNSEEN))
    def test_what_no_reading_tells_is_said(self, kind: str, fault: str) -> None:
        """A fault that no reading tells names what does, and the page of campaigns lists it."""
        page = (Path(__file__).parents[2] / "docs" / "qualify.md").read_text(encoding="utf-8")

        assert fault in faults_of(kind)
        assert FAULTS[fault].shown_by in page


class TestCooling:
    @pytest.mark.parametrize(
        ("fault", "verdict"),
        repeats([("dead-fan", "fail"), (None, "pass"), ("blocked-air", "fail")]),
    )
    def test_half_an_hour_under_load_shows_it(
        self, fault: str | None, verdict: str, tmp_path: Path
    ) -> None:
        """Held fully loaded for half an hour, as on a real unit, it is too warm; a sound one not.

        Source: T = Ta + R P (1 - exp(-t / R C)): first-order heating, textbook.
        """
        profile = load_profile(PROFILES["ac"])
        steps = [
            step.model_copy(update={"duration_s": 1800.0}) if step.kind == "soak" else step
            for step in profile.steps
            if step.kind in {"start", "nominal", "soak"}
        ]
        long = profile.model_copy(update={"steps": tuple(steps)})
        unit = model(tmp_path, "ac", fault, "mild") if fault else None
        result = rehearse_profile(long, model=unit)
        assert result.record is not None
        checks = result.record.checks.set_index("check")

        assert checks.loc["case temperature", "verdict"] == verdict

    def test_too_little_air_for_a_hand_is_left_to_the_temperature(self) -> None:
        """What is felt as air is no finding; a finer hand, by the law, finds the same unit."""
        ends = {}
        for felt in (LAWS["felt_air"].least, LAWS["felt_air"].most):
            laws = Laws().but("felt_air", felt).but("overlooked", 0.0)
            job = Job(
                profile=load_profile(PROFILES["ac"]),
                seed=11,
                faults=("blocked-air",),
                mix=Mix.FAULTY,
                laws=laws,
            )
            (line,) = run_units(job, [2])
            ends[felt] = UnitResult.from_line(line)
        least, most = ends.values()

        assert 0.1 < least.severity < 0.4
        assert (least.end, most.end) == (End.RELEASED, End.REJECTED)
        assert most.caught_by == ("soak: air at the outlet",)
