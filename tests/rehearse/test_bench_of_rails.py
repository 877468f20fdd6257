"""The simulated bench of a unit with several outputs: as a file somebody could have written."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness.api import plan_for, rehearse_profile, simulated_bench_file
from harness.profile.load import load_bench, load_profile
from harness.profile.preflight import preflight
from tests.run.conftest import STARTED


def test_one_output_needs_nothing_more() -> None:
    """The shipped bench to the last byte."""
    bench = simulated_bench_file(load_profile("dome-shutter-power-unit"))

    assert bench.text == load_bench("bench-simulated-ac").text


@pytest.mark.parametrize("name", ["guide-camera-supply", "guide-camera-supply-full-release"])
def test_its_text_is_the_bench(tmp_path: Path, name: str) -> None:
    """Written into a file it is the same bench, and pre-flight has nothing against it."""
    profile = load_profile(name)
    bench = simulated_bench_file(profile)
    path = tmp_path / "bench.toml"
    path.write_text(bench.text, encoding="utf-8")
    read = load_bench(path)

    assert {*read.all_loads} == {"load", "load standby", "load main"}
    assert {*read.all_meters} == {"meter", "meter standby", "meter main", "meter power_good"}
    assert read.aux == bench.aux
    assert read.meters == bench.meters
    assert preflight(plan_for(profile, read), today=STARTED.date()).reasons == ()


def test_a_check_of_the_switch_on_current_can_be_rehearsed(tmp_path: Path) -> None:
    """The AC source is one that holds its peak then, and what it tells is decided."""
    check = (
        '[[steps.checks]]\nname = "switch-on current"\n'
        'measure = "start.switch_on_current"\nhigh = "5 A"\n\n'
    )
    text = load_profile("dome-shutter-power-unit").text
    start = text.index("[[steps]]", text.index('"start"'))
    path = tmp_path / "profile.toml"
    path.write_text(text[:start] + check + text[start:], encoding="utf-8")

    assert simulated_bench_file(load_profile(path)).supply.dialect == "scpi-ac-source-peak"
    result = rehearse_profile(path)
    checks = result.record.checks.set_index("check")
    assert checks.loc["switch-on current", "verdict"] == "pass"
    # the source clamps at four times its limit of 0.5 A (common practice)
    assert checks.loc["switch-on current", "value"] == pytest.approx(2.0, abs=0.1)
