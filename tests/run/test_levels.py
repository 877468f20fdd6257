"""Looking ahead: the current to be ready for at the next level (safety rule 7)."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.power.trip import TripReason
from harness.profile.start_levels import suggest_start
from harness.run.levels import expected_current_a
from harness.unit.nameplate import DcInput
from tests.run.conftest import LIMITS

#: Voltage and current of each level held, and of the next.
Held = list[tuple[float, float]]

THRESHOLD_V = 8.0


def looked_ahead(voltage_v: float, held: Held, *, idle_power_w: float = 0.6) -> float:
    """Look ahead for a unit that works from 8 V on."""
    return expected_current_a(voltage_v, held, threshold_v=THRESHOLD_V, idle_power_w=idle_power_w)


def stopped_at(
    draw_a: Callable[[float], float],
    levels_v: list[float],
    limit_a: float,
    *,
    threshold_v: float,
    idle_power_w: float,
) -> float | None:
    """Return the first level that is not entered, or None where all are."""
    held: Held = []
    for voltage_v in levels_v:
        expected_a = expected_current_a(
            voltage_v, held, threshold_v=threshold_v, idle_power_w=idle_power_w
        )
        if held and expected_a > limit_a:
            return voltage_v
        held.append((voltage_v, draw_a(voltage_v)))
    return None


class TestExpectedCurrent:
    @pytest.mark.parametrize(
        ("held", "voltage_v", "expected_a"),
        [
            pytest.param([(2.4, 0.048)], 6.0, 0.120, id="one level: a resistor of 50 ohm"),
            pytest.param([(2.4, 0.048), (6.0, 0.12)], 24.0, 0.480, id="two levels: the same"),
            pytest.param(
                [(12.0, 0.377)], 24.0, 0.377, id="a converter at the first level, not 754 mA"
            ),
            pytest.param(
                [(2.4, 0.048), (6.0, 0.12), (12.0, 0.24), (18.0, 0.36)],
                24.0,
                0.480,
                id="a resistor, across the threshold",
            ),
            pytest.param(
                [(12.0, 0.357), (18.0, 0.232)], 24.0, 0.232, id="a converter draws less, not 714 mA"
            ),
            pytest.param(
                [(2.4, 0.001), (6.0, 0.0025), (12.0, 0.357)],
                18.0,
                0.357 + 0.0025,
                id="a converter that has just begun to work, and its leak",
            ),
            pytest.param(
                [(6.0, 0.0025), (12.0, 0.357)],
                18.0,
                0.357 + 0.0025,
                id="one level below the threshold: the leak from zero",
            ),
            pytest.param(
                [(2.4, 0.0), (6.0, 0.0), (12.0, 0.1), (18.0, 0.15)],
                24.0,
                0.2,
                id="a resistor that the threshold lets in, from the second level on",
            ),
            pytest.param(
                [(12.0, 0.20), (18.0, 0.23)],
                24.0,
                0.26,
                id="a regulator's steady 140 mA, and a resistor of 200 ohm",
            ),
            pytest.param(
                [(6.0, 0.5), (9.0, 0.65), (12.0, 0.76)],
                24.0,
                0.76 + 12 * 0.11 / 3,
                id="a lamp: less and less for each volt, and the last trend counts",
            ),
            pytest.param(
                [(2.4, 0.5), (12.0, 0.05), (18.0, 0.04)],
                24.0,
                0.04,
                id="what a superseded level drew is over",
            ),
            pytest.param([(6.0, 0.0)], 7.9, 0.0, id="below the threshold no idle power"),
            pytest.param([(6.0, 0.0)], 8.0, 0.6 / 8.0, id="from the threshold on the idle power"),
            pytest.param([(12.0, 0.01), (12.0, 0.02)], 24.0, 0.025, id="a level held twice"),
            pytest.param([], 12.0, 0.05, id="nothing held: the idle power"),
        ],
    )
    def test_it_follows_from_what_was_held(
        self, held: Held, voltage_v: float, expected_a: float
    ) -> None:
        """The last level, the trend of the last two of one law, the idle power: the highest."""
        assert looked_ahead(voltage_v, held) == pytest.approx(expected_a, rel=1e-12)

    def test_the_idle_power_is_taken_at_the_power_factor(self) -> None:
        """At half the power factor the same power draws twice the current: I = P / (k V)."""
        expected_a = expected_current_a(
            120.0, [(30.0, 0.0)], threshold_v=55.0, idle_power_w=6.0, power_factor=0.5
        )

        assert expected_a == pytest.approx(0.1)

    def test_an_ac_unit_is_looked_ahead_for_at_its_power_factor(
        self, run_steps: Callable[..., Any], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """Idle power that half its apparent power carries cuts a start whose limit is less."""
        monkeypatch.setitem(LIMITS, "ac", "60 mA")
        ran = run_steps("ac")

        assert ran.result.trip is not None
        assert ran.result.trip.reason is TripReason.EXPECTED_OVER_LIMIT
        assert ran.result.trip.detail == "66.7 mA expected at 50 %, the limit is 60 mA"


#: Nameplates as drafts have them, with a converter whose idle power is inside the nameplate's.
inputs = st.builds(
    lambda nominal_v, current_a, idle_frac, share, bulk: DcInput.model_validate(
        {
            "kind": "dc",
            "nominal": f"{nominal_v:.3g} V",
            "tolerance": "10 %",
            "current": f"{current_a:.3g} A",
            "bulk_capacitance": f"{bulk * 400 * current_a:.3g} uF",
            "idle_power": f"{idle_frac * nominal_v * current_a:.3g} W",
            "start_threshold": f"{share * nominal_v:.3g} V",
        }
    ),
    st.floats(5.0, 60.0),
    st.floats(0.1, 20.0),
    st.floats(0.005, 0.4),
    st.floats(0.2, 0.85),
    st.floats(0.2, 5.0),
)


class TestLaws:
    @given(line=inputs, part=st.floats(0.1, 1.0), sample_s=st.floats(0.001, 0.1))
    def test_a_converter_inside_the_limit_is_never_stopped(
        self, line: DcInput, part: float, sample_s: float
    ) -> None:
        """On any levels a draft makes, and with no more limit than it draws at its highest."""
        threshold_v, idle_w = line.start_threshold_v, part * line.idle_power_w
        levels_v = [
            share * line.nominal_v for share in suggest_start(line, sample_s=sample_s).levels_frac
        ]
        works_v = min(v for v in levels_v if v >= threshold_v)

        stopped_v = stopped_at(
            lambda v: idle_w / v if v >= threshold_v else 0.0,
            levels_v,
            idle_w / works_v,
            threshold_v=threshold_v,
            idle_power_w=idle_w,
        )

        assert levels_v[0] < threshold_v
        assert stopped_v is None

    @given(
        first_v=st.floats(1.0, 5.0),
        rise_v=st.floats(0.5, 10.0),
        count=st.integers(3, 12),
        share=st.floats(0.0, 1.0),
        power_w=st.floats(0.01, 100.0),
    )
    def test_a_converter_held_under_a_limit_is_not_stopped_by_it(
        self, first_v: float, rise_v: float, count: int, share: float, power_w: float
    ) -> None:
        """On equally spaced levels, whichever of them but the first it begins to work at."""
        levels_v = [first_v + number * rise_v for number in range(count)]
        threshold_v = levels_v[1] + share * (levels_v[-1] - levels_v[1])
        works_v = min(v for v in (*levels_v, threshold_v) if v >= threshold_v)

        assert (
            stopped_at(
                lambda v: power_w / v if v >= threshold_v else 0.0,
                levels_v,
                power_w / works_v,
                threshold_v=threshold_v,
                idle_power_w=power_w,
            )
            is None
        )

    @given(
        levels_v=st.lists(st.integers(10, 1000), min_size=2, max_size=10, unique=True).map(
            lambda tenths: [tenth / 10 for tenth in sorted(tenths)]
        ),
        number=st.integers(1, 9),
        resistance_ohm=st.floats(0.1, 1e4),
        above=st.floats(0.001, 1.0),
        room=st.floats(0.0, 1.0, exclude_min=True, exclude_max=True),
    )
    def test_a_resistor_is_stopped_before_the_level_it_would_exceed_the_limit_at(
        self,
        levels_v: list[float],
        number: int,
        resistance_ohm: float,
        above: float,
        room: float,
    ) -> None:
        """With the threshold anywhere above the first level: not entered there, and no earlier."""
        number = min(number, len(levels_v) - 1)
        threshold_v = levels_v[0] + above * 120.0
        below_a, over_a = (v / resistance_ohm for v in levels_v[number - 1 : number + 1])
        limit_a = below_a + room * (over_a - below_a)
        close = min(limit_a - below_a, over_a - limit_a) < 1e-6 * limit_a

        stopped_v = stopped_at(
            lambda v: v / resistance_ohm,
            levels_v,
            limit_a,
            threshold_v=threshold_v,
            idle_power_w=0.0,
        )

        assert close or stopped_v == levels_v[number]
