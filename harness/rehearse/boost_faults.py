"""Faults of a boost stage."""

from __future__ import annotations

from harness.rehearse.degrees import always
from harness.rehearse.fault import AC, Fault, Remedy, changed
from harness.rehearse.needs import NOMINAL_LOAD

BOOST_FAULTS = (
    Fault(
        name="boost-stage-dead",
        summary="boost stage never runs: the bulk capacitor stays at the peak of the line",
        kinds=AC,
        boosted=True,
        border=always("the nameplate's boosted voltage, and its current at the lowest line"),
        shown_by="DC voltmeter across the bulk capacitor with power on, on a line of the lower end",
        need=NOMINAL_LOAD,
        laws=("boost_distortion", "input_path", "stop_share"),
        change=lambda model, _: changed(model, "boost", works=False),
        remedies=(
            Remedy(
                "load",
                "power_factor",
                "low",
                "at full load current flows at the peaks of the line alone",
            ),
            Remedy(
                "dip", "dip.hold_up", "low", "at low line the capacitor bridges next to nothing"
            ),
            Remedy("line", "supply.current", "high", "at the lowest line it takes far more"),
            Remedy("line", "meter.voltage_dc", "low", "loaded, at the lowest line it gives up"),
        ),
    ),
)
