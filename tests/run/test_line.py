from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from harness.record.run_summary import Outcome

LINE = """
[[steps]]
kind = "line"
voltages = ["90 %", "100 %", "110 %"]
frequencies = ["50 Hz", "60 Hz"]
dwell = "0.3 s"
LOAD
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "23.3 V"
high = "24.7 V"
[[steps.checks]]
name = "regulation"
measure = "line_regulation"
high = "0.5 %"
"""
DC_LINE = """
[[steps]]
kind = "line"
voltages = ["110 %", "90 %"]
dwell = "0.3 s"
[[steps.checks]]
name = "rail"
measure = "meter.voltage_dc"
low = "4.9 V"
high = "5.1 V"
[[steps.checks]]
name = "regulation"
measure = "line_regulation"
high = "0.5 %"
"""


class TestCorners:
    def test_every_corner_is_judged_by_its_name(self, run_steps: Callable[..., Any]) -> None:
        """Three voltages at two frequencies are six corners, and regulation one a frequency."""
        ran = run_steps("ac", after=LINE.replace("LOAD", ""))

        assert set(ran.checks["verdict"]) == {"pass"}
        assert list(ran.checks["check"]) == [
            "rail at 90 %, 50 Hz",
            "rail at 100 %, 50 Hz",
            "rail at 110 %, 50 Hz",
            "rail at 90 %, 60 Hz",
            "rail at 100 %, 60 Hz",
            "rail at 110 %, 60 Hz",
            "regulation at 50 Hz",
            "regulation at 60 Hz",
        ]

    @pytest.mark.parametrize("seed", range(1, 5))
    def test_a_corner_at_the_envelopes_edge_trips_no_healthy_unit(
        self, run_steps: Callable[..., Any], seed: int
    ) -> None:
        """A supply within its accuracy may read above the envelope it stands at: no trip."""
        ran = run_steps("ac", after=LINE.replace("LOAD", ""), seed=seed)

        assert ran.result.outcome is Outcome.COMPLETED

    def test_the_source_stands_at_each_corner(self, run_steps: Callable[..., Any]) -> None:
        """Line voltage at a corner is its share of nominal, read back by the source itself."""
        ran = run_steps("ac", after=LINE.replace("LOAD", ""))
        line = ran.readings[(ran.readings["step"] == "line") & (ran.readings["source"] == "supply")]
        last = line[line["quantity"] == "voltage"].groupby("level")["value"].last()

        for level, voltage_v in (("90 %", 108.0), ("100 %", 120.0), ("110 %", 132.0)):
            assert last[f"{level}, 50 Hz"] == pytest.approx(voltage_v, rel=0.005)

    def test_a_loaded_line_walk_loads_every_corner_and_ends_unloaded(
        self, run_steps: Callable[..., Any]
    ) -> None:
        """With a current the load is on from the first corner to the last, and off after it."""
        ran = run_steps("ac", after=LINE.replace("LOAD", 'current = "1.25 A"'))
        line = ran.readings[(ran.readings["step"] == "line") & (ran.readings["source"] == "supply")]
        power = line[line["quantity"] == "power"].groupby("level")["value"].last()

        assert (power > 30.0).all()
        assert not ran.bench.circuit.load.on
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_a_dc_unit_has_one_regulation(self, run_steps: Callable[..., Any]) -> None:
        """Without frequencies the corners are the voltages alone, in whatever order."""
        ran = run_steps("dc", after=DC_LINE)

        assert list(ran.checks["check"]) == ["rail at 110 %", "rail at 90 %", "regulation"]
        assert set(ran.checks["verdict"]) == {"pass"}

    def test_a_faulty_unit_fails_at_every_corner(self, run_steps: Callable[..., Any]) -> None:
        """A rail that is 6 % low fails wherever the line stands."""
        ran = run_steps("ac", after=LINE.replace("LOAD", ""), fault="output-low")
        rails = ran.checks[ran.checks["check"].str.startswith("rail")]

        assert set(rails["verdict"]) == {"fail"}
