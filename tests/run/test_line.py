from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.api import rehearse_profile
from harness.power.commands import Command, Set
from harness.record.run_summary import Outcome
from harness.run.context import Context
from tests.run.conftest import START
from tests.units import BOARD

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

    @pytest.mark.parametrize("voltages", ['["90 %", "110 %"]', '["110 %", "90 %"]'])
    def test_the_frequency_moves_at_the_lower_voltage(
        self, run_steps: Callable[..., Any], monkeypatch: pytest.MonkeyPatch, voltages: str
    ) -> None:
        """Down from the envelope's edge the voltage goes first, up to it the frequency.

        While both frequencies are in the time that a source averages over, its rms is off: at 50 Hz
        by up to 1.6 ms of 50 ms of its square (integral of the squared sine, textbook).
        """
        stood_v, stood_hz, changed_at = 0.0, 0.0, []
        command = Context.command

        def noted(context: Context, *commands: Command) -> None:
            nonlocal stood_v, stood_hz
            for each in commands:
                if isinstance(each, Set) and each.quantity == "voltage":
                    stood_v = each.value
                elif isinstance(each, Set) and each.quantity == "frequency":
                    if stood_hz and each.value != stood_hz:
                        changed_at.append(stood_v)
                    stood_hz = each.value
            command(context, *commands)

        monkeypatch.setattr(Context, "command", noted)
        text = LINE.replace("LOAD", "").replace('["90 %", "100 %", "110 %"]', voltages)
        ran = run_steps("ac", after=text)

        assert ran.result.trip is None
        assert changed_at == [pytest.approx(108.0)]

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


RISE = """
[[steps]]
kind = "line"
voltages = ["100 %", "110 %"]
dwell = "0.3 s"
[[steps.checks]]
name = "rise"
measure = "input_power_rise"
high = "HIGH"
"""


class TestInputPowerRise:
    @pytest.mark.parametrize(("kind", "high"), [("dc", "0.13 W"), ("ac", "0.5 W")])
    def test_a_converter_without_load_draws_about_the_same(
        self, run_steps: Callable[..., Any], kind: str, high: str
    ) -> None:
        """A healthy unit's idle power hardly rises with the line, whatever it is itself."""
        ran = run_steps(kind, after=RISE.replace("HIGH", high))

        assert set(ran.checks["verdict"]) == {"pass"}
        assert ran.checks["value"].abs().max() < 0.1

    def test_a_unit_without_outputs_has_one_too(self, tmp_path: Path) -> None:
        """The figure is about the input: it needs no output on the nameplate."""
        text = (BOARD + START.replace("LIMIT", "0.3 A") + RISE.replace("HIGH", "0.2 W")).split("\n")
        lines = [line for line in text if not line.startswith("output")]
        path = tmp_path / "profile.toml"
        path.write_text("\n".join(lines), encoding="utf-8")
        result = rehearse_profile(path)

        assert result.record is not None
        assert list(result.record.checks["verdict"]) == ["pass"]

    def test_a_leak_shows_as_what_it_takes_more(self, tmp_path: Path) -> None:
        """A leak of R across the bulk capacitor adds (V2^2 - V1^2) / R, whatever else is drawn.

        Source: P = V^2 / R, textbook; 1 % of 11.5 W at 23.55 V are 4.8 kohm, and the bulk capacitor
        goes from there to 25.9 V.
        """
        model = tmp_path / "unit.toml"
        model.write_text(
            'title = "Leaks"\ninput = "dc"\n[[faults]]\nkind = "leaky-bulk-capacitor"\n'
            'severity = "1 %"\n',
            encoding="utf-8",
        )
        path = tmp_path / "profile.toml"
        text = BOARD + START.replace("LIMIT", "0.3 A") + RISE.replace("HIGH", "0.2 W")
        path.write_text(text, encoding="utf-8")
        rises = [rehearse_profile(path, model=one).record for one in (model, None)]
        leaking_w, sound_w = (one.checks["value"].iloc[0] for one in rises if one is not None)

        assert leaking_w - sound_w == pytest.approx((25.9**2 - 23.55**2) / 4.8e3, rel=0.1)
