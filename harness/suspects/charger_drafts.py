"""What a bench can do with a battery charger that the profile of its run does not."""

from __future__ import annotations

from harness.profile.bench_file import BenchFile
from harness.profile.load_step import LoadStep
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.quantity import format_quantity
from harness.suspects.step_drafts import (
    MOVE_MIN,
    NOMINAL,
    STORED,
    WIRE_MIN,
    Draft,
    Make,
    amps,
    ends,
    has,
)
from harness.unit.charger_output import ChargerOutput

#: How long a battery that is nearly full is charged for what is seen at the end (assumption).
_CHARGE_S = 600.0
#: Shares of a charger's range that a load stands for a battery at; the taper begins above.
_OF_RANGE = (0.0, 0.5, 0.9)
#: Suspects with which no battery is connected: it may be charged until it bursts.
NO_BATTERY = frozenset({"charge-current-high", "charge-voltage-high", "taper-never-ends"})
#: Limit of what nothing is to fail, of the nominal value.
_FAR = 3.0


def _charger(profile: Profile) -> ChargerOutput | None:
    first = next(iter(profile.unit.output.values()), None)
    return first if isinstance(first, ChargerOutput) else None


def _charge_current(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """The current of a charge into a load that holds the voltage of batteries."""
    output = _charger(profile)
    held = any(isinstance(one, LoadStep) and one.mode == "voltage" for one in profile.steps)
    if output is None or held or not bench.all_loads:
        return None
    least, most = output.range_v
    volts = [format_quantity(least + share * (most - least), "V", 3) for share in _OF_RANGE]
    check = {"name": "current of the charge", "measure": "load.current"}
    step = {
        "kind": "load",
        "mode": "voltage",
        "voltages": volts,
        "wake": format_quantity(output.wake_v, "V"),
        "dwell": "2 s",
        "checks": [check | {"high": amps(_FAR * output.current_a)}],
    }
    return Draft(
        name="charge current",
        how="the load holds the voltage of a battery, from the least to nearly the highest",
        work_min=WIRE_MIN + MOVE_MIN,
        danger=NOMINAL,
        steps=(step,),
    )


def _charge_end(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """A battery charged to the end, and what the charger draws from it with power off."""
    output = _charger(profile)
    if output is None or has(profile, "soak") or not bench.all_meters:
        return None
    high = amps(_FAR * output.current_a)
    current = {"name": "current of the charge", "measure": "meter.current_dc", "low": f"-{high}"}
    volts = {"name": "highest voltage", "measure": "meter.voltage_dc"}
    back = {"name": "reverse leakage", "measure": "meter.current_dc"}
    soak = {"kind": "soak", "duration": format_quantity(_CHARGE_S, "s"), "load": "battery"}
    full = {"kind": "load", "title": "full battery", "load": "battery", "dwell": "3 s"}
    most = format_quantity(2.0 * output.nominal_v, "V")
    return Draft(
        name="end of the charge",
        how="a battery that is nearly full, charged to the end; then power off, the battery left on"
        "; somebody stays with it",
        work_min=WIRE_MIN + 3.0 * MOVE_MIN,
        danger=STORED,
        never_with=NO_BATTERY,
        steps=(
            soak | {"checks": [current | {"high": high, "figure": "end"}]},
            full | {"checks": [volts | {"high": most}]},
            {"kind": "drain", "checks": [back | {"low": f"-{high}", "high": high}]},
        ),
    )


def _line_charging(profile: Profile, bench: BenchFile, _start: StartStep) -> Draft | None:
    """Both ends of the line while a battery is charged."""
    output = _charger(profile)
    if output is None or has(profile, "line", loaded=True) or not bench.all_meters:
        return None
    high = amps(_FAR * output.current_a)
    check = {"name": "current of the charge", "measure": "meter.current_dc", "low": f"-{high}"}
    step = {
        "kind": "line",
        "voltages": ends(profile),
        "load": "battery",
        "dwell": "2 s",
        "checks": [check | {"high": high}],
    }
    return Draft(
        name="line while it charges",
        how="both ends of the line voltage, a battery at the output",
        work_min=WIRE_MIN + MOVE_MIN,
        danger=STORED,
        never_with=NO_BATTERY,
        steps=(step,),
    )


#: Every one.
CHARGER_DRAFTS: tuple[Make, ...] = (_charge_current, _line_charging, _charge_end)
