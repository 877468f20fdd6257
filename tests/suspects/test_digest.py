"""What a run comes to in figures."""

from __future__ import annotations

import pytest

from harness.api import rehearse_profile
from harness.judge.verdict import Verdict
from harness.profile.load import load_profile
from harness.qualify.population import Drawn
from harness.qualify.worker import Place
from harness.record.sink import CheckRow
from harness.rehearse.faults import FAULTS
from harness.rehearse.laws import Laws
from harness.rehearse.unit_model import typical_model
from harness.suspects.digest import REACHED, SIDE, TRIP, Digest, digest_of


def _digest(*, current: list[float], step: float = 0.1) -> Digest:
    digest = Digest()
    for index, value in enumerate(current):
        values = (("voltage", 10.0, "V"), ("current", value, "A"))
        digest.sample(index * step, "start", "50 %", values, "supply")
    return digest


class TestFeatures:
    def test_end_peak_and_what_went_in(self) -> None:
        """A hold gives its end, its peak, and the integral of what exceeded its end."""
        found = _digest(current=[0.5, 0.5, *[0.1] * 10]).features()

        assert found["start, 50 %: current"].value == pytest.approx(0.1)
        assert found["start, 50 %: current, highest"].value == 0.5
        # trapezoids: 0.4 A for 0.1 s, then half of that
        assert found["start, 50 %: current, filled"].value == pytest.approx(0.06)
        assert found["start, 50 %: conductance"].value == pytest.approx(0.01)

    def test_a_trip_is_a_figure(self) -> None:
        """The reason of a trip and how far the run came are figures."""
        digest = _digest(current=[0.1] * 4)
        digest.finish({"trip": "charge_budget", "outcome": "tripped"})
        found = digest.features()

        assert found[f"{TRIP}charge_budget"].value == 1.0
        assert found[REACHED].value == 1.0

    @pytest.mark.parametrize(
        ("value", "verdict", "side"),
        [(4.7, Verdict.FAIL, -1.0), (5.3, Verdict.FAIL, 1.0), (5.1, Verdict.UNDECIDED, 0.0)],
    )
    def test_the_side_on_which_a_check_failed(
        self, value: float, verdict: Verdict, side: float
    ) -> None:
        """A check that failed says on which side; one that is not decided failed on none."""
        digest = Digest()
        told = {"unit": "V", "low": 4.9, "high": 5.1, "uncertainty": 0.02, "rule": "guarded"}
        digest.check(
            CheckRow(
                **{"step": "nominal", "check": "rail", "quantity": "meter.voltage_dc", **told},
                value=value,
                verdict=verdict,
                margin=-0.1,
            )
        )

        assert digest.features()[f"check nominal: rail{SIDE}"].value == side

    def test_while_a_hand_turns_nothing_counts(self) -> None:
        """Readings from turn to turned are left out; a turn that never ended is told as it was."""
        digest = _digest(current=[5.0, 5.0, 5.0, 0.2, 0.2, 0.2])
        digest.event(-0.05, "turn", "start", "to 10 V")
        digest.event(0.25, "turned", "start", "10 V")
        cut_short = _digest(current=[5.0, 5.0, 5.0])
        cut_short.event(-0.05, "turn", "start", "to 10 V")

        assert digest.features()["start, 50 %: current, highest"].value == 0.2
        assert cut_short.features()["start, 50 %: current, highest"].value == 5.0

    def test_a_power_meter_tells_of_the_feed(self) -> None:
        """What a power meter reads has its conductance and power factor, as the supply's has."""
        digest = Digest()
        for index in range(4):
            values = (("voltage", 100.0, "V"), ("current", 0.5, "A"), ("power", 30.0, "W"))
            digest.sample(0.1 * index, "load", "1 A", values, "power_meter")
        found = digest.features()

        assert found["load, 1 A: power_meter.conductance"].value == pytest.approx(5e-3)
        assert found["load, 1 A: power_meter.power factor"].value == pytest.approx(0.6)
        assert found["last hold: power_meter.power"].value == pytest.approx(30.0)

    def test_what_was_not_read_is_left_out(self) -> None:
        """A figure that is not a number is none."""
        assert "start, 50 %: current, scatter" not in _digest(current=[0.1, 0.1]).features()


def test_a_record_comes_to_what_its_run_came_to() -> None:
    """A record, told again, has the figures of the same unit carried out for a library."""
    profile = load_profile("mount-controller-board")
    kind = "output-low"
    record = rehearse_profile(profile, fault=kind, seed=3).record
    digest = Digest("unit")
    model = FAULTS[kind].apply(typical_model(profile.unit))
    drawn = Drawn(index=0, kind=kind, severity=0.06, clear=True, seed=3, model=model)
    Place(profile).carry_out(drawn, digest, laws=Laws())
    told, own = digest_of(record).features(), digest.features()

    assert told.keys() == own.keys()
    for name, one in own.items():
        assert told[name].value == pytest.approx(one.value, rel=1e-9, abs=1e-12), name
