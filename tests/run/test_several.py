"""Whole runs on a unit with two rails: each meter and load on its own, or moved with power off."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from pathlib import Path

import pandas as pd

from harness.api import plan_for, simulated_unit
from harness.power.local_bench import open_bench
from harness.profile.load import load_bench, load_profile
from harness.record.recorder import MemoryRecorder
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.simulated_operator import SimulatedOperator
from harness.run.engine import carry_out
from harness.run.result import RunInfo, RunResult
from harness.shipped import shipped
from tests.profile.test_wiring import (
    APART,
    BOTH_RAILS,
    CURRENT,
    HEAD,
    LOADED,
    ON_STANDBY,
    TWO_METERS,
)

STARTED = dt.datetime(2026, 11, 25, 8, 0, tzinfo=dt.UTC)


class Asked(SimulatedOperator):
    """A person who notes what is asked, and with which output on; who may refuse to move."""

    refuses = ""

    def _asked(self, text: str) -> None:
        self.__dict__.setdefault("texts", []).append((text, self._bench.circuit.source_on))

    def place_meter(self, where: str, text: str) -> bool:
        """Note and move."""
        self._asked(text)
        return self.refuses not in text if self.refuses else super().place_meter(where, text)

    def move_load(self, output: str, text: str) -> bool:
        """Note and connect."""
        self._asked(text)
        return self.refuses not in text if self.refuses else super().move_load(output, text)


@dataclass
class Ran:
    """One run, what was asked of the person at the bench, and every message by role."""

    result: RunResult
    checks: pd.DataFrame
    asked: list[tuple[str, bool]]
    said: dict[str, list[str]] = field(default_factory=dict)

    def verdicts(self) -> dict[str, str]:
        """Return the verdicts by check."""
        return dict(zip(self.checks["check"], self.checks["verdict"], strict=True))


def run(folder: Path, steps: str, tables: str = "", refuses: str = "") -> Ran:
    source = shipped("profiles", "bench-simulated-dc.toml")
    assert source is not None
    (folder / "profile.toml").write_text(HEAD + steps, encoding="utf-8")
    text = source.read_text(encoding="utf-8")
    (folder / "bench.toml").write_text(text + tables, encoding="utf-8")
    profile, file = load_profile(folder / "profile.toml"), load_bench(folder / "bench.toml")
    clock = SimulatedClock()
    bench = SimulatedBench(simulated_unit(profile), file, clock)
    said: dict[str, list[str]] = {}
    for key, table in file.instruments.items():
        device, log = bench.devices[table.resource], said.setdefault(key, [])

        def ask(message: str, true=device.ask, log: list[str] = log) -> str:  # noqa: ANN001
            log.append(message)
            return str(true(message))

        device.ask = ask
    operator = Asked(bench, profile.unit)
    operator.refuses = refuses
    sink = MemoryRecorder(serial="HRW-0007", started=STARTED)
    result = carry_out(
        plan_for(profile, file),
        connect=lambda: open_bench(file, clock, library=bench.library()),
        clock=clock,
        sink=sink,
        info=RunInfo(serial="HRW-0007", started=STARTED, rehearsal=True),
        operator=operator,
    )
    return Ran(result, sink.frames().checks, operator.__dict__.get("texts", []), said)


class TestMeters:
    def test_two_meters_read_two_rails_and_nobody_moves_anything(self, tmp_path: Path) -> None:
        """The one that is moved by hand is asked to the first rail once, before power."""
        ran = run(tmp_path, BOTH_RAILS, TWO_METERS.replace("5126", "5126"))

        assert ran.verdicts() == {"main": "pass", "standby": "pass"}
        assert [on for _, on in ran.asked] == [False]
        assert "MEAS:VOLT:DC?" in ran.said["meter standby"]

    def test_one_meter_is_moved_with_power_off(self, tmp_path: Path) -> None:
        """Each move is asked for with the output off; power comes back by the start's levels."""
        ran = run(tmp_path, APART)

        assert ran.verdicts() == {"main": "pass", "standby": "pass"}
        assert [(text.rpartition("across ")[2], on) for text, on in ran.asked] == [
            ("the output main: red on plus, black on minus.", False),
            ("the output standby: red on plus, black on minus.", False),
        ]

    def test_what_nobody_moves_is_not_judged(self, tmp_path: Path) -> None:
        """A rail that nobody put the meter on stays undecided: never read on the other one."""
        ran = run(tmp_path, APART, refuses="standby")

        assert ran.verdicts() == {"main": "pass", "standby": "undecided"}
        assert ran.result.exit_code == 4

    def test_current_comes_with_the_caution_and_the_way_back_too(self, tmp_path: Path) -> None:
        """Into series and out of it again: the current terminals are a short."""
        series = CURRENT.split('\n[[steps.checks]]\nname = "amps"')
        amps = '\n[[steps]]\nkind = "soak"\nduration = "0.3 s"\n\n[[steps.checks]]\nname = "amps"'
        back = BOTH_RAILS.split('\n[[steps.checks]]\nname = "standby"', maxsplit=1)[0]
        back = back.replace('kind = "nominal"\ndwell', 'kind = "soak"\nduration')
        ran = run(tmp_path, amps.join(series) + back)

        assert not any(on for _, on in ran.asked)
        texts = [text for text, _ in ran.asked]
        assert len(texts) == 3
        assert "THE CURRENT TERMINALS OF A METER ARE A SHORT" in texts[1]
        assert "Put the red lead back into the meter's voltage terminal first" in texts[2]
        assert set(ran.verdicts().values()) == {"pass"}


class TestLoads:
    def test_the_load_of_the_output_draws_and_the_other_never_does(self, tmp_path: Path) -> None:
        """Two loads on two rails: only the one on the rail that the step names is switched on."""
        main = ON_STANDBY.replace("loads.standby", "loads.main").replace('"standby"', '"main"')
        both = ON_STANDBY + main.replace("5127", "5128")
        ran = run(tmp_path, LOADED, both)

        assert ran.verdicts() == {"drawn": "pass"}
        assert "INP ON" in ran.said["load standby"]
        assert "INP ON" not in ran.said["load main"] + ran.said["load"]
        for key in ("load", "load main", "load standby"):
            switched = [said for said in ran.said[key] if said.startswith("INP O")]
            assert switched[-1] == "INP OFF"

    def test_one_load_is_connected_with_power_off_to_a_rated_output(self, tmp_path: Path) -> None:
        """The question names the output, its volts and amperes, and no other."""
        ran = run(tmp_path, LOADED)

        assert ran.verdicts() == {"drawn": "pass"}
        ((text, on),) = [each for each in ran.asked if "electronic load" in each[0]]
        assert not on
        assert "Connect the electronic load to output standby (12 V DC, 200 mA)" in text

    def test_a_load_that_nobody_connects_is_never_switched_on(self, tmp_path: Path) -> None:
        """It may be anywhere, so its step is not carried out, and its checks are undecided."""
        ran = run(tmp_path, LOADED, refuses="electronic load")

        assert ran.verdicts() == {"drawn": "undecided"}
        assert ran.result.exit_code == 4
        assert "INP ON" not in ran.said["load"]
