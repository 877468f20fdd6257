"""Faults of a board that boots and works in phases."""

from __future__ import annotations

from dataclasses import replace

from harness.rehearse.degrees import always
from harness.rehearse.fault import Fault, Remedy, Severity, changed
from harness.rehearse.unit_model import UnitModel


def _restarts(model: UnitModel, times: float) -> UnitModel:
    """Have an unserved watchdog start the board again, so many boot times after the last."""
    assert model.work is not None
    return replace(model, work=replace(model.work, restart_s=times * model.work.boot_s))


WORK_FAULTS = (
    Fault(
        name="boot-hangs",
        summary="board does not get through its boot: it draws as while it boots, for ever",
        border=always("it never does what it is for (common practice)"),
        shown_by="its indicator, its serial port, or a known good memory",
        of="phases",
        change=lambda model, _: changed(model, "work", finishes=False),
        remedies=(
            Remedy("start", "supply.power", "high", "past its boot time it draws as in boot"),
            Remedy("soak", "supply.power", "high", "at work it draws as in boot, without bursts"),
        ),
    ),
    Fault(
        name="restarts",
        summary="board starts again and again: its watchdog is never served",
        border=always("it never does what it is for (common practice)"),
        shown_by="the reset line, by an oscilloscope",
        of="phases",
        severity=Severity(
            what="time from start to start, times the time it boots",
            unit="1",
            levels=(2.5, 1.6, 1.1),
            within=(1.01, 20.0),
        ),
        change=_restarts,
        remedies=(
            Remedy("soak", "supply.power", "low", "while it is in reset it draws hardly anything"),
            Remedy("soak", "supply.power", "high", "now and again it draws as in boot"),
        ),
    ),
    Fault(
        name="stays-in-reset",
        summary="processor never starts: the converter runs, and nothing else",
        border=always("it never does what it is for (common practice)"),
        shown_by="clock and reset line, by an oscilloscope",
        of="phases",
        change=lambda model, _: changed(model, "work", wakes=False),
        remedies=(
            Remedy("start", "supply.power", "low", "it draws no more than in reset"),
            Remedy("soak", "supply.power", "low", "at work it draws no more than in reset"),
        ),
    ),
    Fault(
        name="idles-high",
        summary="a part of the board draws on all the while: a driver or port that is damaged",
        border=always("half as much again as its work takes (common practice)"),
        shown_by="a thermal camera, or each branch lifted in turn",
        of="phases",
        severity=Severity(
            what="power at work, times the usual",
            unit="1",
            levels=(1.5, 2.0, 3.0),
            within=(1.0, 10.0),
        ),
        change=lambda model, times: changed(
            model, "work", steady_w=times * model.work.steady_w if model.work else 0.0
        ),
        remedies=(
            Remedy("soak", "supply.power", "high", "at work it draws more than a healthy board"),
        ),
    ),
)
