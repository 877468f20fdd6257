from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.bench.sample import SupplySample
from harness.power.inrush_monitor import LevelWatch
from harness.profile.allowance import InrushAllowance
from harness.profile.level import Level
from harness.rehearse.circuit import AC_SOURCE, DC_SUPPLY, Circuit, circuit_of
from harness.rehearse.unit_model import typical_model
from harness.unit.nameplate import Unit

LEVELS = (0.1, 0.25, 0.5, 0.75, 1.0)


def unit(line: dict[str, Any], output: dict[str, Any] | None) -> Unit:
    """A unit with that input and, unless None, that output."""
    return Unit.model_validate(
        {
            "input": {"tolerance": "10 %", **line},
            "output": {} if output is None else {"main": {"kind": "dc", **output}},
            "protection_class": "II",
        }
    )


DC_LINES = st.fixed_dictionaries(
    {
        "kind": st.just("dc"),
        "nominal": st.floats(5.0, 60.0).map("{:.3f} V".format),
        "current": st.floats(0.1, 5.0).map("{:.3f} A".format),
    }
)
AC_LINES = st.fixed_dictionaries(
    {
        "kind": st.just("ac"),
        "nominal": st.sampled_from(["100 V", "120 V", "200 V", "230 V"]),
        "frequency": st.sampled_from([["50 Hz"], ["60 Hz", "50 Hz"]]),
        "current": st.floats(0.2, 3.0).map("{:.3f} A".format),
    }
)


@st.composite
def units(draw: st.DrawFn) -> Unit:
    """Any unit whose output takes a quarter to half of what its input may."""
    line = draw(st.one_of(DC_LINES, AC_LINES))
    nominal_v = float(line["nominal"].split()[0])
    power_w = draw(st.floats(0.25, 0.5)) * nominal_v * float(line["current"].split()[0])
    output_v = draw(st.floats(0.1, 0.5)) * nominal_v
    output = {"nominal": f"{output_v:.4f} V", "current": f"{power_w / output_v:.4f} A"}
    return unit(line, draw(st.sampled_from([output, None])))


def powered(subject: Unit, *, limit_a: float) -> Circuit:
    """The unit on its source, off."""
    source = DC_SUPPLY if subject.input.kind == "dc" else AC_SOURCE
    circuit = circuit_of(typical_model(subject), source)
    circuit.set_source(current_limit_a=limit_a, frequency_hz=60.0)
    return circuit


@given(subject=units())
def test_any_nameplate_makes_a_unit_that_works(subject: Unit) -> None:
    """From the nameplate alone comes a unit within it: idle power, fuse, output, full load."""
    model = typical_model(subject)
    circuit = powered(subject, limit_a=4.0 * subject.input.current_a)
    circuit.set_source(voltage_v=subject.input.nominal_v, on=True)
    circuit.advance_to(3.0)
    idle_w = circuit.source_power_w(0.1)
    idle_v = circuit.output_voltage_v()
    circuit.set_load(value=model.converter.output_nominal_a, on=True)
    circuit.advance_to(6.0)
    nominal_v = model.converter.output_v

    assert 0.0 < idle_w <= subject.input.idle_power_w
    assert idle_v == pytest.approx(nominal_v, rel=0.01)
    assert circuit.output_voltage_v() == pytest.approx(nominal_v, rel=0.01)
    assert not circuit.fuse.is_open


@pytest.mark.parametrize(
    ("line", "output", "limit_a"),
    [
        (
            {
                "kind": "dc",
                "nominal": "24 V",
                "current": "1.2 A",
                "bulk_capacitance": "470 uF",
                "idle_power": "0.6 W",
            },
            {"nominal": "5 V", "current": "2 A"},
            0.3,
        ),
        (
            {
                "kind": "ac",
                "nominal": "120 V",
                "current": "1.2 A",
                "bulk_capacitance": "150 uF",
                "idle_power": "2 W",
                "start_threshold": "55 V",
                "frequency": ["60 Hz"],
            },
            {"nominal": "24 V", "current": "2.5 A"},
            0.5,
        ),
    ],
    ids=["dc", "ac"],
)
@pytest.mark.parametrize("gap_s", [0.006, 0.03, 0.1])
def test_a_healthy_start_stays_inside_its_budget(
    line: dict[str, Any], output: dict[str, Any], limit_a: float, gap_s: float
) -> None:
    """At every start level a healthy unit explains its charge or energy (safety rule 6)."""
    subject = unit(line, output)
    circuit = powered(subject, limit_a=limit_a)
    window_s = 0.0 if line["kind"] == "dc" else 2 / 60
    shares = []
    reached_v, time_s = 0.0, 0.0
    for share in LEVELS:
        level_v = share * subject.input.nominal_v
        watch = LevelWatch(level(subject, reached_v, level_v, limit_a, window_s))
        circuit.set_source(voltage_v=level_v, on=True)
        for _ in range(round(1.5 / gap_s)):
            time_s += gap_s
            circuit.advance_to(time_s)
            found = watch.add(
                SupplySample(
                    time_s,
                    circuit.source_voltage_v(window_s),
                    circuit.source_current_a(window_s),
                    circuit.source_power_w(window_s),
                    limiting=circuit.source_limiting(),
                    protection=False,
                )
            )
            shares.append(watch.used / watch.allowed)

            assert found is None
        reached_v = level_v
    # Not by a hair: a unit a little out of the ordinary must start as well.
    assert max(shares) < 0.8


def level(subject: Unit, from_v: float, to_v: float, limit_a: float, window_s: float) -> Level:
    """A start level with its budget, for exact instruments."""
    line = subject.input
    assert line.bulk_capacitance_f is not None
    budget = InrushAllowance(
        kind="charge" if line.kind == "dc" else "energy",
        capacitance_f=line.bulk_capacitance_f,
        peak_factor=line.peak_factor,
        charge_factor=2.0,
        from_v=from_v,
        to_v=to_v,
        idle_power_w=line.idle_power_w,
        threshold_v=line.start_threshold_v,
        leakage_a=line.leakage_a,
        window_s=window_s,
    )
    return Level(label="", voltage_v=to_v, current_limit_a=limit_a, dwell_s=1.0, budget=budget)


@pytest.mark.parametrize(
    ("current", "rating_a"), [("1.2 A", 2.0), ("0.1 A", 0.16), ("2 A", 3.15), ("4 A", 6.3)]
)
def test_fuse_rating(current: str, rating_a: float) -> None:
    """The fuse is the smallest preferred rating at or above one and a half times the current."""
    subject = unit({"kind": "dc", "nominal": "24 V", "current": current}, None)

    assert typical_model(subject).fuse.rating_a == pytest.approx(rating_a)


def test_varistor_clears_the_highest_line() -> None:
    """A 120 V unit gets a varistor of the 200 V class, above its highest peak."""
    line = {"kind": "ac", "nominal": "120 V", "current": "1.2 A", "frequency": ["60 Hz"]}
    varistor = typical_model(unit(line, None)).varistor

    assert varistor is not None
    assert varistor.voltage_at_1ma_v == pytest.approx(200.0, rel=0.1)
    assert varistor.voltage_at_1ma_v > 1.05 * 132.0 * 2**0.5
