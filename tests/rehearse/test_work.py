"""A board that boots and works in phases: what it draws, and when that changes."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from harness.profile.load import load_profile
from harness.rehearse.circuit import DC_SUPPLY, circuit_of
from harness.rehearse.circuit.converter import Mode
from harness.rehearse.unit_model import UnitModel, typical_model
from harness.rehearse.work import Work, usual_work

WORK = Work(
    reset_s=0.5,
    boot_w=2.0,
    boot_s=3.0,
    steady_w=1.0,
    burst_w=0.5,
    burst_s=0.1,
    period_s=1.0,
)


def rotator() -> UnitModel:
    """Return the simulated rotator controller board."""
    return typical_model(load_profile("rotator-controller-board").unit)


class TestPhases:
    @pytest.mark.parametrize(
        ("since_s", "power_w", "even_s"),
        [
            (0.0, 0.0, 0.5),  # in reset
            (0.4, 0.0, 0.1),
            (0.5, 2.0, 2.5),  # boots
            (3.0, 1.5, 0.1),  # a burst
            (3.25, 1.0, 0.75),  # at work
            (7.05, 1.5, 0.05),
        ],
    )
    def test_one_after_the_other(self, since_s: float, power_w: float, even_s: float) -> None:
        """Reset, boot, and bursts in each period; what it draws is even in between."""
        assert WORK.power_w(since_s) == pytest.approx(power_w)
        assert WORK.even_s(since_s) == pytest.approx(even_s)

    @pytest.mark.parametrize(
        ("changed", "since_s", "power_w", "even_s"),
        [
            ({"wakes": False}, 9.0, 0.0, math.inf),
            ({"finishes": False}, 9.0, 2.0, math.inf),
            ({"restart_s": 4.0}, 8.2, 0.0, 0.3),  # in reset for the third time
            ({"restart_s": 4.0}, 3.95, 1.0, 0.05),
        ],
    )
    def test_what_is_wrong_with_it(
        self, changed: dict[str, float], since_s: float, power_w: float, even_s: float
    ) -> None:
        """It stays in reset, never gets through its boot, or boots again and again."""
        faulty = replace(WORK, **changed)

        assert faulty.power_w(since_s) == pytest.approx(power_w)
        assert faulty.even_s(since_s) == pytest.approx(even_s)

    def test_only_a_nameplate_with_a_busy_power_has_it(self) -> None:
        """The board of unit A draws evenly, as before; unit E has phases of its own."""
        board = load_profile("mount-controller-board").unit

        assert usual_work(board.input) is None
        assert typical_model(board).work is None
        assert rotator().work is not None


class TestOnASupply:
    def test_what_the_supply_reads_follows_it(self) -> None:
        """Held at 12 V the supply gives idle power and each phase's own, at its time."""
        model = rotator()
        assert model.work is not None
        circuit = circuit_of(model, DC_SUPPLY)
        circuit.set_source(voltage_v=12.0, current_limit_a=3.0, on=True)
        while circuit.converter.mode is Mode.OFF:
            circuit.advance_to(circuit.time_s + 1e-3)
        begun_s, idle_w = circuit.time_s, model.converter.idle_power_w
        work = model.work

        for since_s in (0.3 * work.boot_s, 0.9 * work.boot_s, work.boot_s + 0.3, 9.3):
            circuit.advance_to(begun_s + since_s)
            expected_w = idle_w + work.power_w(since_s)
            # on top comes what the path loses: under a tenth at 12 V
            assert expected_w <= circuit.source_power_w(0.01) <= 1.1 * expected_w
