"""Every benchmark runs and tells a figure; none of them is timed here."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import astuple
from functools import partial
from typing import Any, get_args

import pytest

from benchmarks.break_over_energy import break_over_energy
from benchmarks.campaign_speed import campaign_speed
from benchmarks.figure import Figure, Goal
from benchmarks.help_start import help_start
from benchmarks.kept_sample_time import kept_sample_time
from benchmarks.live_unit import Wire
from benchmarks.messages_to_off import messages_to_off
from benchmarks.rehearsal_speed import UNIT_A, UNIT_B, rehearsal_speed
from benchmarks.sample_parts import sample_parts
from benchmarks.sample_time import sample_time
from benchmarks.short_let_through import short_let_through
from benchmarks.suspects_time import answer_start, library_speed
from benchmarks.table import machine, print_figures, print_parts
from benchmarks.turns import in_turns
from benchmarks.viewers import watched_samples
from tests.repeats import repeats

WIRES: tuple[Wire, ...] = get_args(Wire)
#: What takes long, or other wires of the same: `make repeats`, and CI.
again = partial(pytest.param, marks=(pytest.mark.repeat, pytest.mark.torture))


@pytest.mark.parametrize(
    "benchmark",
    [
        pytest.param(lambda: sample_time("in process", samples=5, rounds=1), id="in process"),
        pytest.param(lambda: rehearsal_speed(UNIT_A, rounds=1), id="rehearsal A"),
        pytest.param(lambda: help_start(rounds=1), id="help"),
        pytest.param(lambda: short_let_through("envelope"), id="short, gentle script"),
        again(lambda: sample_time("loopback TCP", samples=5, rounds=1), id="TCP"),
        again(lambda: kept_sample_time(samples=5, rounds=1), id="keeper process"),
        again(lambda: watched_samples(seconds=0.2, viewers=2, rounds=1), id="viewers"),
        again(lambda: rehearsal_speed(UNIT_B, nominal_dwell_s=3.0, rounds=1), id="rehearsal B"),
        again(lambda: campaign_speed(UNIT_A, units=4), id="campaign"),
        again(lambda: library_speed(UNIT_A, classes=2), id="library"),
        again(lambda: answer_start(UNIT_A, rounds=1), id="answer"),
    ],
)
def test_each_benchmark_tells_a_positive_figure(benchmark: Callable[[], Figure]) -> None:
    """A benchmark with the smallest counts returns a finite figure above zero, and its story."""
    figure = benchmark()

    assert math.isfinite(figure.value)
    assert figure.value > 0
    assert figure.told
    assert figure.conditions


@pytest.mark.parametrize("wire", repeats(WIRES))
def test_each_part_of_a_sample_takes_time(wire: Wire) -> None:
    """The parts of a sample are finite, and the query and the whole take time."""
    parts = sample_parts(wire, samples=5, rounds=1)

    assert all(math.isfinite(part) for part in astuple(parts)[1:])
    assert min(parts.query_us, parts.whole_us) > 0


def test_no_message_goes_before_output_off() -> None:
    """Simulated time leaves nothing to chance, so this goal holds wherever it is measured."""
    figure = messages_to_off(positions=1)

    assert figure.value == 0
    assert figure.met


def test_a_short_gets_less_than_by_hand() -> None:
    """The goal for I2t into a short is reached in simulated time, on any machine."""
    assert short_let_through().met


def test_what_the_supply_adds_is_less_than_by_hand() -> None:
    """The goal for a part that breaks over is reached for what the supply adds, on any machine."""
    assert break_over_energy("from the supply").met


def test_the_capacitors_share_is_told() -> None:
    """The energy of all sources is at least what the capacitors held, and the row says so."""
    figure = break_over_energy()

    assert math.isfinite(figure.value)
    assert "the capacitors held" in figure.told


class TestGoal:
    @pytest.mark.parametrize(
        ("goal", "value", "met"),
        [
            (Goal("<=", 1.0), 1.0, True),
            (Goal("<=", 1.0), 1.01, False),
            (Goal("<", 2.0), 2.0, False),
            (Goal(">=", 600), 600.0, True),
            (Goal(">=", 600), 599.0, False),
            (Goal(">=", 600), math.nan, False),
            (Goal("<=", 0), math.inf, False),
        ],
    )
    def test_a_goal_is_met_or_not(self, goal: Goal, value: float, met: bool) -> None:
        """A goal includes its bound unless it is strict; no number never meets one."""
        assert goal.met_by(value) is met

    def test_a_figure_without_a_goal_is_neither(self) -> None:
        """A figure for comparison has no goal to meet."""
        assert Figure(name="x", value=1.0, told="t", conditions="c").met is None


def test_turns_compare_within_a_round() -> None:
    """The ratio is the median of the rounds' own: what slows both sides of a round is no matter."""
    ours, theirs = iter([9.0, 1.0, 100.0, 3.0]), iter([1.0, 2.0, 200.0, 2.0])

    both = in_turns(lambda: next(ours), lambda: next(theirs), rounds=3)

    assert (both.ours_s, both.theirs_s, both.ratio) == (3.0, 2.0, 0.5)


def test_a_pipe_gets_a_line_a_figure(capsys: Any) -> None:
    """Printed to a pipe, each figure is one line of tab-separated fields that says met or not."""
    told = {"told": "1 against 2", "conditions": "here"}
    print_figures(
        [
            Figure(name="first", value=0.5, goal=Goal("<=", 1.0), **told),
            Figure(name="second", value=0.5, goal=Goal(">=", 1.0), **told),
        ]
    )

    lines = capsys.readouterr().out.splitlines()
    assert [line.split("\t")[:4] for line in lines[1:]] == [
        ["first", "0.5", "<= 1", "yes"],
        ["second", "0.5", ">= 1", "no"],
    ]


def test_the_parts_are_printed_for_each_wire(capsys: Any) -> None:
    """The breakdown has a column for each wire, and its last row is the whole."""
    print_parts([sample_parts("in process", samples=5, rounds=1)])

    lines = capsys.readouterr().out.splitlines()
    assert "in process" in lines[0]
    assert lines[-1].startswith("whole")


def test_the_machine_is_named() -> None:
    """What was measured on stands above the table."""
    assert "Python" in machine()
