from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest

from harness.profile.load import load_profile
from harness.profile.schema import Profile
from harness.qualify.bounds import looks_normal
from harness.qualify.suggest import Proposal, propose, toml_of
from harness.qualify.unit_result import HEALTHY, End, Judged, UnitResult


def healthy_rows(units: int, *, skew: bool = False) -> list[UnitResult]:
    """Rows of unit A with drawn values: normal ones, or markedly skewed ones."""
    rng = np.random.default_rng(8)

    def shape(middle: float, scatter: float, count: int) -> np.ndarray:
        noise = rng.exponential(size=count) - 1.0 if skew else rng.normal(size=count)
        return middle + scatter * noise

    drawn = {
        ("start", "idle current", "supply.current", "A"): shape(0.020, 0.001, units),
        ("nominal", "5 V rail", "meter.voltage_dc", "V"): shape(5.01, 0.02, units),
        ("nominal", "5 V ripple", "meter.voltage_ac", "V"): shape(0.005, 0.0005, units),
        ("nominal", "idle power", "supply.power", "W"): shape(0.5, 0.03, units),
    }
    return [
        UnitResult(
            index=2 * number,
            kind=HEALTHY,
            severity=float("nan"),
            clear=False,
            seed=1,
            end=End.RELEASED,
            trip="",
            step="",
            level="",
            reason="",
            duration_s=1.0,
            charge_c=0.0,
            energy_j=0.0,
            i2t_a2s=0.0,
            fuse_open=False,
            checks=tuple(
                Judged(
                    step=step,
                    check=check,
                    quantity=quantity,
                    unit=unit,
                    value=float(values[number]),
                    uncertainty=0.1 * abs(float(values.std())),
                    verdict="pass",
                )
                for (step, check, quantity, unit), values in drawn.items()
            ),
        )
        for number in range(units)
    ]


def by_name(proposals: tuple[Proposal, ...]) -> dict[str, Proposal]:
    return {one.check.name: one for one in proposals}


class TestMethods:
    def test_order_statistics_where_units_suffice(self, profile_a: Profile) -> None:
        """With units enough the limits are order statistics, whatever the distribution."""
        rows = healthy_rows(400, skew=True)
        proposed = by_name(propose(profile_a, rows, false_reject_frac=0.02))
        values = sorted(one.value for row in rows for one in row.checks if one.unit == "W")
        room = max(one.uncertainty for row in rows for one in row.checks if one.unit == "W")
        power = proposed["idle power"]

        assert power.method.startswith("by order statistics: rank 2 of 400")
        assert power.low is not None
        assert power.high is not None
        assert power.low == pytest.approx(values[1] - room, abs=0.01)
        assert power.low <= values[1] - room
        assert power.high == pytest.approx(values[-2] + room, abs=0.01)
        assert power.high >= values[-2] + room

    def test_normal_theory_where_they_do_not(self, profile_a: Profile) -> None:
        """With too few units a normal distribution helps, where nothing speaks against it."""
        rail = by_name(propose(profile_a, healthy_rows(60), false_reject_frac=1e-3))["5 V rail"]

        assert rail.method.startswith("by normal theory: mean and ")
        assert rail.low is not None
        assert rail.high is not None
        assert 4.85 < rail.low < 4.95
        assert 5.07 < rail.high < 5.17

    def test_nothing_where_neither_will_do(self, profile_a: Profile) -> None:
        """Too few units that are not normal give no limit, and the number that is needed."""
        proposed = by_name(propose(profile_a, healthy_rows(60, skew=True), false_reject_frac=1e-3))
        power = proposed["idle power"]

        assert (power.low, power.high) == (None, None)
        assert power.method == "no limit: not normal, and 4742 healthy units are needed, not 60"

    def test_a_side_the_check_has_not_gets_no_limit(self, profile_a: Profile) -> None:
        """A check with an upper limit alone is offered an upper limit alone."""
        proposed = by_name(propose(profile_a, healthy_rows(400), false_reject_frac=0.02))

        assert proposed["idle current"].low is None
        assert proposed["idle current"].high is not None

    def test_faulty_units_do_not_count(self, profile_a: Profile) -> None:
        """Limits come from the healthy units, however many faulty ones there are."""
        rows = healthy_rows(400)
        spoilt = [replace(row, kind="output-low", index=row.index + 1) for row in rows]
        spoilt = [
            replace(row, checks=tuple(replace(one, value=99.0) for one in row.checks))
            for row in spoilt
        ]

        assert propose(profile_a, [*rows, *spoilt], false_reject_frac=0.02) == propose(
            profile_a, rows, false_reject_frac=0.02
        )

    def test_a_higher_rate_gives_closer_limits(self, profile_a: Profile) -> None:
        """Who accepts more false rejects gets a narrower interval."""
        rows = healthy_rows(400)
        strict = by_name(propose(profile_a, rows, false_reject_frac=0.02))["5 V rail"]
        lax = by_name(propose(profile_a, rows, false_reject_frac=0.10))["5 V rail"]

        assert strict.low is not None
        assert lax.low is not None
        assert strict.low < lax.low

    def test_no_units_give_no_limits(self, profile_a: Profile) -> None:
        """Without a healthy unit there is nothing to go by."""
        assert {one.method for one in propose(profile_a, [])} == {"no data"}


class TestNormal:
    def test_a_normal_sample_passes_and_a_skewed_one_does_not(self) -> None:
        """Skewness speaks against a normal distribution, a normal sample does not."""
        rng = np.random.default_rng(3)

        assert looks_normal(list(rng.normal(size=200)))
        assert not looks_normal(list(rng.gumbel(size=200)))
        assert not looks_normal([1.0] * 50)
        assert not looks_normal(list(rng.normal(size=19)))


class TestText:
    def test_it_reads_back_as_checks(self, profile_a: Profile) -> None:
        """What is printed is TOML that can be pasted into a profile."""
        proposals = propose(profile_a, healthy_rows(400), false_reject_frac=0.02)
        text = toml_of(proposals, false_reject_frac=0.02)
        checks = tomllib.loads(text)["steps"]["checks"] if "[steps]" in text else None
        read = tomllib.loads(text.replace("[[steps.checks]]", "[[checks]]"))["checks"]

        assert checks is None
        assert [check["name"] for check in read] == [
            "idle current",
            "5 V rail",
            "5 V ripple",
            "idle power",
        ]
        assert read[1]["low"].endswith(" V")
        assert "at most 2 % of them fail one check" in text
        assert "12 % fail any of" in text

    def test_the_pasted_limits_make_a_profile(self, profile_a: Profile, tmp_path: object) -> None:
        """A shipped profile with the proposed limits in it loads, and keeps its checks."""
        from pathlib import Path

        proposals = by_name(propose(profile_a, healthy_rows(400), false_reject_frac=0.02))
        text = profile_a.text.replace('"4.90 V"', f'"{proposals["5 V rail"].low:.4g} V"')
        path = Path(str(tmp_path)) / "board.toml"
        path.write_text(text, encoding="utf-8")

        assert load_profile(path).steps[1].checks[0].low == pytest.approx(
            proposals["5 V rail"].low, rel=1e-3
        )
