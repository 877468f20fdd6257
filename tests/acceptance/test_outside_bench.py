"""Whole runs on the outside bench: instruments and unit that were not written by the product.

What is right is passed, what misbehaves is seen. Each case names how the run has to end (the exit
codes of README.md), and for how long power may stay on once it went wrong; the outside bench's own
log tells when it was on.
"""

from __future__ import annotations

import re
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

from tests.outside.partner import OutsideBench
from tests.outside.runs import FIVE, TWO, Running, one_run, profile_text

RELEASED, CUT, UNDECIDED, REFUSED, LEFT_ON = 0, 3, 4, 5, 6

#: When a thing begins to misbehave: this long after the nominal step raised the current limit.
IN_THE_HOLD = {"limit_a": 1.5, "after_s": 1.0}

torture = pytest.mark.torture


@dataclass(frozen=True, kw_only=True)
class Case:
    """A bench that misbehaves.

    Attributes:
        what: The misbehaviours; the last one counts for ``off_within_s``.
        code: How the run has to end.
        reason: The trip's reason, or None where it is no trip.
        says: A word that the screen has to say.
        let_through_a2s: The most that may have gone through its input (I2t).
        off_within_s: For how long power may stay on after it began; None: never on at all.
        nominal: Dwell of the hold at nominal voltage.
        load: Whether there is a load on the bench.
    """

    what: tuple[dict[str, Any], ...]
    code: int
    reason: str | None = None
    says: str = ""
    off_within_s: float | None = None
    let_through_a2s: float | None = None
    nominal: str = "300 ms"
    load: bool = False


def odd(name: str, **keys: Any) -> tuple[dict[str, Any], ...]:
    return ({"name": name, **keys},)


class TestHealthyUnits:
    """A unit that is well is released."""

    def test_dc_with_meters_and_switch(self, tmp_path: Path) -> None:
        """A DC unit behind switch and power meter is released, and power is off at the end."""
        profile = profile_text(load=False, levels=TWO)
        config = {"load": False, "power_meter": True, "switch": True}
        ended, bench = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == RELEASED, ended.screen
        assert ended.released
        assert not bench.left_on
        assert bench.events("interrupted") == []
        moves = [(move["closed"], move["live"]) for move in bench.events("contact")]
        assert moves[0] == (True, False)
        assert moves[-1] == (False, False)

    @torture
    def test_ac_with_all_instruments(self, tmp_path: Path) -> None:
        """An AC unit on a bench with every role is released, its load off at the end."""
        config = {"kind": "ac", "power_meter": True, "switch": True}
        ended, bench = one_run(tmp_path / "run", config)

        assert ended.code == RELEASED, ended.screen
        assert ended.released
        assert not bench.left_on
        assert bench.events("load")[-1]["on"] is False

    @torture
    @pytest.mark.parametrize("levels", [FIVE, ("25 %", "50 %", "100 %")], ids=["five", "three"])
    def test_current_falls_as_voltage_rises(self, tmp_path: Path, levels: tuple[str, ...]) -> None:
        """A unit of constant power, 360 mA at 12 V and 180 mA at 24 V, meets a 500 mA limit."""
        config = {"load": False, "unit": {"idle_w": 4.3, "start_v": 9.0, "stop_v": 7.0}}
        profile = profile_text(load=False, levels=levels, idle_w=4.3, limit="500 mA")
        ended, _ = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == RELEASED, ended.screen

    @torture
    @pytest.mark.parametrize(
        ("bulk", "unit", "ends"),
        [
            (
                "6.8 mF",
                {"bulk_f": 6.8e-3, "rail_f": 12e-3, "start_v": 8.2, "stop_v": 4.9},
                RELEASED,
            ),
            ("15 mF", {"bulk_f": 15e-3, "rail_f": 17e-3, "start_v": 8.2, "stop_v": 5.5}, RELEASED),
            # its output takes 0.25 J, and 0.23 J are there: it begins and stops for ever
            ("15 mF", {"bulk_f": 15e-3, "rail_f": 17e-3, "start_v": 8.2, "stop_v": 6.5}, CUT),
        ],
    )
    def test_a_large_capacitor_behind_a_low_limit(
        self, tmp_path: Path, bulk: str, unit: dict[str, float], ends: int
    ) -> None:
        """The rail takes a twentieth of the bulk's energy and more: the input sags at 300 mA."""
        profile = profile_text(load=False).replace("470 uF", bulk)
        config = {"load": False, "unit": unit | {"soft_start_s": 0.02}}
        ended, _ = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == ends, ended.screen
        assert ended.reason == "charge_budget" or ends == RELEASED

    @torture
    def test_one_slow_answer(self, tmp_path: Path) -> None:
        """One answer of the supply that comes 0.3 s late in a hold cuts nothing."""
        late = odd("slow-answer-once", late_s=0.3, when=IN_THE_HOLD)
        config = {"load": False, "misbehaviours": late}
        profile = profile_text(load=False, nominal="2 s", levels=TWO)
        ended, _ = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == RELEASED, ended.screen

    @torture
    @pytest.mark.parametrize("weight", [1, 2, 3])
    def test_status_bits_in_constant_current(self, tmp_path: Path, weight: int) -> None:
        """A supply that sets QUEStionable bit 0 or 1 in constant current cuts no healthy unit."""
        bits = odd("questionable-bit-in-constant-current", bits=weight)
        ended, _ = one_run(tmp_path / "run", {"load": False, "misbehaviours": bits})

        assert ended.code == RELEASED, ended.screen

    @torture
    @pytest.mark.parametrize("burst_w", [0.0, 0.3])
    def test_a_digital_board_that_never_rests(self, tmp_path: Path, burst_w: float) -> None:
        """A board that draws 4 W +- 0.2 W by random telegraph, or bursts, rests in the mean."""
        board = {"idle_w": 0.05, "board_w": 4.0, "board_step_w": 0.2, "burst_w": burst_w}
        config = {"load": False, "unit": {**board, "start_v": 9.0, "stop_v": 7.0}}
        profile = profile_text(load=False, idle_w=4.1, limit="600 mA", nominal="1 s")
        ended, _ = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == RELEASED, ended.screen

    @torture
    def test_a_state_in_quotes(self, tmp_path: Path) -> None:
        """A supply that answers OUTP? with "OFF", in quotes, is understood."""
        config = {"load": False, "misbehaviours": odd("quoted-state")}
        ended, bench = one_run(tmp_path / "run", config)

        assert ended.code == RELEASED, ended.screen
        assert not bench.left_on


class TestAdvice:
    """What a refusal advises is right: with that line in its dialect the bench is understood."""

    @torture
    @pytest.mark.parametrize(
        ("name", "role"),
        [
            ("commas-between-answers", "supply"),
            ("supply-answer-with-unit", "supply"),
            ("answer-with-unit", "meter"),
        ],
    )
    def test_the_line_of_the_dialect(self, tmp_path: Path, name: str, role: str) -> None:
        """The run that was refused is released once the dialect says what the refusal told."""
        config = {"load": False, "misbehaviours": odd(name)}
        refused, _ = one_run(tmp_path / "before", config)
        advice = refused.run["reason"]
        shipped, table, lines = re.search(
            r"\((\S+\.toml)\).* write under \[(\w+)\]:\s(.*)$", advice, re.DOTALL
        ).groups()
        text = Path(shipped).read_text(encoding="utf-8")
        own = text.replace(f"[{table}]\n", f"[{table}]\n{lines}\n")
        if own == text:
            own += f"\n[{table}]\n{lines}\n"
        (tmp_path / "after").mkdir()
        (tmp_path / "after" / "own.toml").write_text(own, encoding="utf-8")
        ended, _ = one_run(tmp_path / "after", config, dialects={role: "own.toml"})

        assert ended.code == RELEASED, ended.screen


CASES = {
    # point by point: readings, settings, states, answers
    "short, sign reversed": Case(
        what=(*odd("short-circuit"), *odd("current-sign-reversed")),
        code=CUT,
        reason="reversed_current",
        let_through_a2s=5e-3,
    ),
    "short": Case(
        what=odd("short-circuit"), code=CUT, reason="charge_budget", let_through_a2s=2e-2
    ),
    # answers that cannot be read are found with the output off
    "commas between answers": Case(
        what=odd("commas-between-answers"), code=REFUSED, says='separator = ","'
    ),
    "meter answers with its unit": Case(
        what=odd("answer-with-unit"), code=REFUSED, says='measure_voltage_dc = "{value},VDC"'
    ),
    "supply answers with its unit": Case(
        what=odd("supply-answer-with-unit"), code=REFUSED, says='measure_voltage = "{value}V"'
    ),
    "says on while it is off": Case(
        what=odd("output-state-contradicts"), code=LEFT_ON, says="CUT THE MAINS"
    ),
    "says off while it is on": Case(
        what=odd("output-state-contradicts", when=IN_THE_HOLD),
        code=LEFT_ON,
        says="CUT THE MAINS",
        off_within_s=1.0,
        nominal="10 s",
    ),
    # readings that stand still
    "supply's readings stand still": Case(
        what=odd("supply-readings-frozen", when=IN_THE_HOLD),
        code=CUT,
        reason="frozen_readings",
        nominal="3 s",
    ),
    "meter's readings stand still": Case(
        what=odd("meter-readings-frozen", when=IN_THE_HOLD), code=UNDECIDED, nominal="3 s"
    ),
    "rail falls behind a meter that stands still": Case(
        what=odd("rail-falls-behind-frozen-meter", when=IN_THE_HOLD), code=UNDECIDED, nominal="3 s"
    ),
    # power that stays on
    "relay sticks": Case(what=odd("relay-sticks"), code=LEFT_ON, says="CUT THE MAINS"),
    "meter falls silent": Case(
        what=odd("silent", who="meter", when=IN_THE_HOLD),
        code=CUT,
        reason="instrument_silent",
        off_within_s=2.5,
        nominal="10 s",
    ),
    "supply falls silent": Case(
        what=odd("silent", when=IN_THE_HOLD), code=LEFT_ON, says="CUT THE MAINS", nominal="3 s"
    ),
    "limit changes": Case(
        what=odd("limit-changes", to_a=5.0, when=IN_THE_HOLD),
        code=CUT,
        reason="setting_changed",
        off_within_s=1.0,
        nominal="10 s",
    ),
    "setting changes": Case(
        what=odd("setting-changes", to_v=23.9, when=IN_THE_HOLD),
        code=CUT,
        reason="setting_changed",
        off_within_s=1.0,
        nominal="10 s",
    ),
    "voltage drifts up": Case(
        what=odd("voltage-drifts", to_v=26.2, over_s=0.5, when=IN_THE_HOLD),
        code=CUT,
        reason="voltage_not_reached",
        off_within_s=2.5,
        nominal="20 s",
    ),
    "voltage drifts down": Case(
        what=odd("voltage-drifts", to_v=20.0, over_s=0.5, when=IN_THE_HOLD),
        code=CUT,
        reason="voltage_not_reached",
        off_within_s=2.5,
        nominal="20 s",
    ),
}
#: What is held in each run of the suite; the others need `make torture`.
QUICK = {"short, sign reversed", "commas between answers"}


@pytest.mark.parametrize(
    "case",
    [
        pytest.param(case, id=name, marks=() if name in QUICK else torture)
        for name, case in CASES.items()
    ],
)
class TestMisbehaviour:
    def test_ending(self, tmp_path: Path, case: Case) -> None:
        """The run ends as it has to, with power off in time, and releases nothing."""
        config = {"load": case.load, "misbehaviours": list(case.what)}
        profile = profile_text(load=case.load, nominal=case.nominal, levels=TWO)
        ended, bench = one_run(tmp_path / "run", config, profile=profile)

        assert ended.code == case.code, ended.screen
        assert not ended.released
        assert case.reason is None or ended.reason == case.reason
        # the console breaks its lines
        assert "".join(case.says.split()) in "".join(ended.screen.split())
        if case.code == REFUSED:
            assert not bench.was_on
        if case.let_through_a2s is not None:
            assert bench.events("power", on=False)[-1]["i2t_a2s"] < case.let_through_a2s
        if case.off_within_s is not None:
            assert bench.on_after_s(case.what[-1]["name"]) < case.off_within_s


class TestSecondClient:
    @torture
    def test_a_second_client(self, tmp_path: Path) -> None:
        """Another program that raises the current limit in a hold is noticed within a second."""
        profile = profile_text(load=False, nominal="10 s", levels=TWO)
        with (
            OutsideBench(tmp_path / "run", {"load": False}) as bench,
            Running(bench, profile) as running,
        ):
            assert bench.wait(lambda state: state["said_on"] and state["set_v"] == 24.0)
            time.sleep(1.0)
            answered = bench.say("supply", "CURR 5", "*OPC?")
            ended = running.end()

        changed_s = bench.events("set", limit_a=5.0)[0]["t"]
        off_s = bench.events("power", on=False)[0]["t"]
        assert answered == ["1"]
        assert ended.code == CUT, ended.screen
        assert ended.reason == "setting_changed"
        assert off_s - changed_s < 1.0
