"""The shipped supply with two rails, an enable input, a boost stage: healthy, and with faults."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.api import plan_for, rehearse_profile, simulated_bench_file
from harness.profile.allowance import InrushAllowance
from harness.profile.load import load_profile
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit

if TYPE_CHECKING:
    from harness.profile.schema import Profile
    from harness.run.result import RunResult

SHORT, FULL = "guide-camera-supply", "guide-camera-supply-full-release"
UNIT = "guide-camera-supply-HRW-0021"


def last_level(result: RunResult) -> str:
    """Return the level at which a run ended."""
    readings = result.record.readings
    return str(readings[readings["source"] == "supply"]["level"].iloc[-1])


@pytest.fixture(scope="module")
def full() -> RunResult:
    """The full release, carried out once."""
    return rehearse_profile(FULL, model=UNIT)


def test_every_check_passes(full: RunResult) -> None:
    """Both starts, both rails at both ends of the line, dips, current limit, soak, discharge."""
    assert (full.verdict, full.trip) == ("pass", None)


def test_the_power_factor_is_judged_at_both_ends(full: RunResult) -> None:
    """At full load it is above 0.9 in every corner."""
    checks = full.record.checks
    values = checks.loc[checks["quantity"] == "power_factor", "value"]

    assert len(values) == 13
    assert values.min() > 0.98


def test_each_end_of_the_line_has_its_own_start(full: RunResult) -> None:
    """Power comes on twice, and never but by a start's levels; what is left is measured before.

    The meter stays across the bulk capacitor from the second start to the discharge.
    """
    events = full.record.events
    on = events.loc[events["kind"] == "power on", "step"]
    residual = events.loc[events["kind"] == "residual", "step"]

    assert list(on) == ["start", "start at high line"]
    assert set(residual) == {"start at high line"}


def test_the_plan_says_so_too() -> None:
    """One move of the meter under way, and power is on already where the discharge begins."""
    profile = load_profile(FULL)
    plan = plan_for(profile, simulated_bench_file(profile))

    assert [step.name for step in plan.steps if step.moves] == ["start at high line"]
    assert not plan.steps[-1].restart
    assert not [note for note in plan.notes if "meter is moved" in note]


def test_both_rails_are_judged_in_every_corner(full: RunResult) -> None:
    """Twelve corners of the line, the 24 V rail and the standby rail in each."""
    checks = full.record.checks
    corners = checks.loc[checks["step"].isin(["low line, full load", "high line, full load"])]

    assert (corners["check"].str.startswith("24 V rail")).sum() == 12
    assert (corners["check"].str.startswith("5 V standby")).sum() == 12


def test_the_enable_input_is_obeyed_at_both_ends(full: RunResult) -> None:
    """Let go the 24 V rail is off and the standby rail stays: at the beginning and at the end."""
    checks = full.record.checks.set_index(["step", "check"])["verdict"]

    for step, standby in (("disabled", "5 V standby"), ("disabled again", "5 V standby stays")):
        assert checks[step, "24 V rail is off"] == "pass"
        assert checks[step, standby] == "pass"


def test_hold_up_weighs_the_bulk_capacitor_at_low_line(full: RunResult) -> None:
    """82 uF from 390 V bridge 65 W for some 80 ms, by the readings of the load."""
    row = full.record.checks.set_index("quantity").loc["dip.hold_up"]

    assert row["value"] == pytest.approx(0.08, rel=0.25)


def test_the_unit_file_is_in_order() -> None:
    """The replacement is acceptable, and the bulk capacitor is held against 390 V."""
    assert assess(load_unit(UNIT)).acceptable


@pytest.mark.parametrize(("warm", "verdict"), [(True, "pass"), (False, "undecided")])
def test_efficiency_is_judged_once_the_inrush_limiter_is_warm(*, warm: bool, verdict: str) -> None:
    """Cold its 13 ohm take a tenth of the power at low line: I^2 R = (0.9 A)^2 x 13 ohm = 10 W."""
    profile = load_profile(FULL)
    numbered = {step.title or step.kind: step for step in profile.steps}
    names = ["start", "enabled", *(["warming up"] if warm else []), "low line, full load"]
    steps = tuple(numbered[name] for name in names)
    result = rehearse_profile(profile.model_copy(update={"steps": steps}), model=UNIT)
    checks = result.record.checks
    lowest = checks.loc[checks["check"] == "efficiency at 90 %, 50 Hz", "verdict"]

    assert list(lowest) == [verdict]


class TestAllowance:
    """What a boost stage takes is allowed, and hides nothing."""

    @pytest.mark.parametrize(
        "fault", ["shorted-switch", "shorted-varistor", "leaky-bulk-capacitor"]
    )
    def test_shorts_and_leaks_are_found_at_the_level_they_are_without_it(
        self, fault: str, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """The same level, the same reason."""
        with_it = rehearse_profile(SHORT, fault=fault)
        monkeypatch.setattr(InrushAllowance, "boost_j", lambda *_: 0.0)
        without = rehearse_profile(SHORT, fault=fault)

        assert with_it.trip is not None
        assert without.trip is not None
        assert with_it.trip.reason is without.trip.reason
        assert last_level(with_it) == last_level(without)

    def test_a_closer_limit_needs_it(self, monkeypatch: pytest.MonkeyPatch) -> None:
        """At 0.8 A the energy of a boost stage is more than the readings leave open."""
        profile = load_profile(SHORT)
        first, *others = profile.steps
        closer = first.model_copy(update={"current_limit_a": 0.8})
        profile = profile.model_copy(update={"steps": (closer, *others)})

        assert rehearse_profile(profile).verdict == "pass"
        monkeypatch.setattr(InrushAllowance, "boost_j", lambda *_: 0.0)
        result = rehearse_profile(profile)
        assert result.trip is not None
        assert result.trip.reason == "energy_budget"
        assert last_level(result) == "100 %"


@pytest.fixture(scope="module")
def starts() -> Profile:
    """Both starts of the full release and what stands between them, none cold or loaded."""
    profile = load_profile(FULL)
    steps = [step for step in profile.steps if step.kind in ("start", "nominal")][:4]
    return profile.model_copy(update={"steps": tuple(steps)})


@pytest.mark.parametrize(
    ("fault", "verdict"),
    [(None, "pass"), ("boost-voltage-high", "fail"), ("boost-voltage-low", "fail")],
)
def test_the_boosted_voltage_is_judged(starts: Profile, fault: str | None, verdict: str) -> None:
    """The usual drift fails either way; the meter knows the voltage far better than that."""
    result = rehearse_profile(starts, fault=fault)
    row = result.record.checks.set_index("check").loc["boosted voltage"]

    assert (row["verdict"], result.trip) == (verdict, None)
    assert row["uncertainty"] < 0.5


def test_the_meter_is_moved_with_a_warning(monkeypatch: pytest.MonkeyPatch) -> None:
    """Who moves a lead to the bulk capacitor is told of the boosted voltage, there alone."""
    told: list[tuple[str, str]] = []
    place = SimulatedOperator.place_meter

    def listening(self: SimulatedOperator, where: str, text: str) -> bool:
        told.append((where, text))
        return place(self, where, text)

    monkeypatch.setattr(SimulatedOperator, "place_meter", listening)
    rehearse_profile(FULL, fault="open-fuse")
    warned = {where for where, text in told if "UP TO 390 V DC MAY STAND ACROSS IT" in text}

    assert warned == {where for where, _ in told if where == "bulk"} == {"bulk"}
