from __future__ import annotations

import json
import math
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.judge.discharge_curve import TOLD
from harness.record.run_summary import Outcome
from harness.run.discharge import Decay
from harness.run.operator import Nobody
from tests.instrument_faults import swap_answers

DISCHARGE = """
[[steps]]
kind = "discharge"
across = "ACROSS"
below = "BELOW"
within = "WITHIN"
"""


def discharge(across: str, below: str, within: str) -> str:
    return DISCHARGE.replace("ACROSS", across).replace("BELOW", below).replace("WITHIN", within)


class TestDischarge:
    @pytest.mark.parametrize(
        ("kind", "across", "below"),
        [("dc", "output", "1 V"), ("dc", "bulk", "5 V"), ("ac", "bulk", "60 V")],
    )
    def test_a_unit_that_drains_in_time_passes(
        self, run_steps: Callable[..., Any], kind: str, across: str, below: str
    ) -> None:
        """Power is off at the end, and the check says at which terminals and below what."""
        ran = run_steps(kind, after=discharge(across, below, "600 s"))
        row = ran.checks.iloc[-1]

        assert ran.result.outcome is Outcome.COMPLETED
        assert (row["check"], row["quantity"]) == (f"{across} below {below}", "discharge_time")
        assert row["verdict"] == "pass"
        assert not ran.bench.circuit.source_on
        assert f"across the {across}" in ran.said("discharge")[0]

    def test_a_unit_that_does_not_drain_in_time_fails(self, run_steps: Callable[..., Any]) -> None:
        """Still above the limit when time is up is a failure; nothing is extrapolated."""
        ran = run_steps("ac", after=discharge("bulk", "34 V", "1 s"))
        row = ran.checks.iloc[-1]

        assert row["verdict"] == "fail"
        assert row["value"] > 1.0
        assert ran.said("discharge")[0].startswith("still ")

    def test_a_meter_out_of_step_proves_nothing(self, run_steps: Callable[..., Any]) -> None:
        """Its answers are looked at before the fall it read is believed: undecided."""
        ran = run_steps(
            "dc",
            after=discharge("output", "1 V", "600 s"),
            bend=lambda on: swap_answers(on["meter"], 3, "MEAS:VOLT:DC?"),
        )

        assert ran.checks.iloc[-1]["verdict"] == "undecided"
        assert "at the start it was" in ran.said("not done")[0]
        assert not ran.result.released

    def test_the_time_is_that_of_the_circuit(self, run_steps: Callable[..., Any]) -> None:
        """The measured time agrees with the recorded voltages: the interval holds the crossing."""
        ran = run_steps("ac", after=discharge("bulk", "60 V", "60 s"))
        off_s = ran.events.loc[ran.events["kind"] == "power off", "time_s"].iloc[-1]
        meter = ran.readings[(ran.readings["source"] == "meter")]
        meter = meter[meter["time_s"] > off_s]
        below = meter[meter["value"] < 60.0]["time_s"].iloc[0] - off_s
        row = ran.checks.iloc[-1]

        assert row["value"] == pytest.approx(below, abs=row["uncertainty"] + 0.02)

    def test_the_meter_is_moved_with_power_off_and_power_comes_back_by_the_start(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Off, leads moved, up through the levels of the start, off again: in this order."""
        ran = run_steps("dc", after=discharge("bulk", "5 V", "600 s"))
        steps = ran.events[ran.events["step"] == "discharge"]
        kinds = [kind for kind in steps["kind"] if kind in {"power off", "meter", "power on"}]

        assert kinds == ["power off", "meter", "power on", "power off"]
        settled = steps.loc[steps["kind"] == "settled", "detail"]
        assert [detail.split(" after")[0] for detail in settled] == [
            "10 %",
            "25 %",
            "50 %",
            "75 %",
            "100 %",
            "nominal",
        ]

    def test_at_the_output_nothing_is_moved(self, run_steps: Callable[..., Any]) -> None:
        """Where the meter stands already, power goes off once."""
        ran = run_steps("dc", after=discharge("output", "1 V", "600 s"))
        kinds = list(ran.events["kind"])

        assert kinds.count("power on") == kinds.count("power off") == 1

    def test_several_places_are_timed_one_after_the_other(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Each discharge step brings power back for itself."""
        ran = run_steps(
            "dc",
            after=discharge("output", "1 V", "600 s") + discharge("bulk", "5 V", "600 s"),
        )

        assert list(ran.checks["check"])[-2:] == ["output below 1 V", "bulk below 5 V"]
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_leads_that_nobody_moves_leave_it_undecided_and_off(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Without a hand at the bench the charge is not measured: undecided, power off."""
        ran = run_steps("dc", after=discharge("bulk", "5 V", "600 s"), operator=lambda _: Nobody())

        assert ran.checks.iloc[-1]["verdict"] == "undecided"
        assert ran.result.outcome is Outcome.COMPLETED
        assert ran.result.exit_code == 4
        assert not ran.bench.circuit.source_on
        assert list(ran.events["kind"]).count("power on") == 1

    def test_a_named_limit_gives_voltage_and_time(self, run_steps: Callable[..., Any]) -> None:
        """The table's connector limit (IEC 62368-1) is 60 V within 2 s."""
        ran = run_steps("dc", after='[[steps]]\nkind = "discharge"\nlimit = "connector"\n')
        row = ran.checks.iloc[-1]

        assert (row["check"], row["high"], row["verdict"]) == ("output below 60 V", 2.0, "pass")


def decay() -> Decay:
    return Decay(below_v=10.0, off_s=0.0, confirmed_s=0.1)


class TestDecay:
    def test_the_crossing_lies_between_two_certain_readings(self) -> None:
        """From the last above (from the confirmation) to the first below (from the message)."""
        found = decay()
        readings = [(0.5, 12.0), (1.0, 10.5), (1.5, 9.5), (2.0, 9.0)]
        done = [found.add(time_s, voltage_v, 0.6) for time_s, voltage_v in readings]

        assert done == [False, False, False, True]
        middle_s, half_s = found.time_s
        assert middle_s - half_s == pytest.approx(0.5 - 0.1)
        assert middle_s + half_s == pytest.approx(2.0)

    def test_below_at_once_took_no_longer_than_the_first_reading(self) -> None:
        """Without a reading above the limit the time begins at zero."""
        found = decay()
        found.add(0.3, 2.0, 0.0)

        assert found.time_s == (0.15, 0.15)

    def test_a_negative_voltage_counts_by_its_size(self) -> None:
        """Leads that are swapped do not make a charged capacitor look empty."""
        assert not decay().add(0.3, -50.0, 0.0)

    def test_an_unknown_accuracy_never_counts_as_below(self) -> None:
        """A meter of which nothing is known proves no discharge."""
        assert not decay().add(0.3, 0.0, math.inf)


@given(
    st.floats(0.2, 20.0),
    st.floats(20.0, 400.0),
    st.floats(0.01, 0.5),
    st.floats(0.0, 0.5),
)
def test_the_interval_always_holds_the_true_time(
    time_constant_s: float, start_v: float, interval_s: float, bound_v: float
) -> None:
    """For any exponential, sampling and meter error, the true crossing lies inside the interval."""
    found = Decay(below_v=10.0, off_s=0.0, confirmed_s=0.02)
    true_s = time_constant_s * math.log(start_v / 10.0)
    time_s = 0.02
    for number in range(100_000):
        time_s += interval_s
        true_v = start_v * math.exp(-time_s / time_constant_s)
        error_v = bound_v if number % 2 else -bound_v
        if found.add(time_s, true_v + error_v, bound_v):
            break
    middle_s, half_s = found.time_s
    assert middle_s - half_s <= true_s + 1e-9
    assert true_s <= middle_s + half_s + 1e-9


RESISTOR = 'resistor = "10 kohm"\nresistor_tolerance = "1 %"\n'
CAPACITANCE = """
[[steps.checks]]
name = "capacitance"
measure = "discharge.bulk_capacitance"
low = "96 uF"
"""


class TestThroughAResistor:
    def test_the_fall_weighs_the_capacitor(self, run_steps: Callable[..., Any]) -> None:
        """Connected with power off, it weighs the capacitor, tells the stop, and is taken off."""
        with_one = discharge("bulk", "60 V", "60 s") + RESISTOR + CAPACITANCE
        ran = run_steps("ac", after=with_one + discharge("bulk", "60 V", "60 s"))
        model = ran.bench.circuit.model

        row = ran.checks[ran.checks["check"] == "capacitance"].iloc[0]
        true_f = model.bulk.capacitance_f
        assert row["verdict"] == "pass"
        assert abs(row["value"] - true_f) <= row["uncertainty"] < 0.06 * true_f

        (detail,) = [text for text in ran.said("figures") if '"discharge"' in text]
        told = {each["measure"]: each for each in json.loads(detail)["figures"]}
        assert set(told) == {*TOLD}
        [curve] = json.loads(detail)["fitted"]
        fall = ran.readings[ran.readings["quantity"] == "voltage_dc"]
        fall = fall[fall["time_s"].between(curve["time_s"][0], curve["time_s"][-1])]
        on_curve = np.interp(fall["time_s"], curve["time_s"], curve["voltage_v"])
        assert len(fall) > 20
        assert fall["value"].to_numpy() == pytest.approx(on_curve, rel=5e-3)
        stop, true_v = told["start.stop_voltage"], (model.converter.stop_v + 1.2) / math.sqrt(2.0)
        assert abs(stop["value"] - true_v) <= stop["expanded"]

        kinds = list(zip(ran.events["kind"], ran.events["detail"], strict=True))
        moved = [n for n, (kind, said) in enumerate(kinds) if kind == "load" and "bulk" in said]
        assert [kinds[n][1] for n in moved] == [
            "resistor across the bulk connected",
            "resistor across the bulk disconnected",
        ]
        for n in moved:
            power = [kind for kind, _ in kinds[:n] if kind in {"power on", "power off"}]
            assert power[-1] == "power off"
        assert ran.bench.circuit._beside_ohm == math.inf

        (asked,) = [text for text in ran.said("question") if "resistor of 10 kohm" in text]
        assert "gets hot" in asked
        assert "discharged and measured" in asked
        assert "rated for 187 V and at least 7 W" in asked

    def test_without_a_resistor_there_is_no_figure(self, run_steps: Callable[..., Any]) -> None:
        """The time constant of the unit's own bleeder tells no capacitance."""
        ran = run_steps("ac", after=discharge("bulk", "60 V", "60 s") + CAPACITANCE)
        row = ran.checks[ran.checks["check"] == "capacitance"].iloc[0]

        assert row["verdict"] == "undecided"
        assert [text for text in ran.said("figures") if '"discharge"' in text] == []

    def test_one_that_nobody_connects_leaves_it_undecided(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """Without the resistor nothing is measured, and power stays off."""

        class NoResistor(Nobody):
            def place_meter(self, where: str, text: str) -> bool:  # noqa: ARG002
                """Move it."""
                return True

        ran = run_steps(
            "ac",
            after=discharge("bulk", "60 V", "60 s") + RESISTOR,
            operator=lambda _: NoResistor(),
        )

        assert ran.checks.iloc[-1]["verdict"] == "undecided"
        assert "nobody connected the resistor" in ran.said("not done")[0]
        assert not ran.bench.circuit.source_on
