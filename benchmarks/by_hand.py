"""What a technician's own short script does, written as fairly as can be: PyVISA alone.

These are the other side of the ratios. They judge nothing, so they are for simulated units alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TextIO

from harness.bench.clock import Clock

__all__ = ["POLL_EVERY_S", "BringUp", "bring_up", "log_samples", "open_session"]

#: How often the bring-up looks at the current.
POLL_EVERY_S = 0.1


def open_session(library: Any, resource: str) -> Any:
    """Open an instrument whose messages end in a line feed, and return PyVISA's resource."""
    import pyvisa

    return pyvisa.ResourceManager(library).open_resource(
        resource, read_termination="\n", write_termination="\n"
    )


def log_samples(session: Any, file: TextIO, clock: Clock, count: int) -> None:
    """Read voltage, current and status one after the other, a CSV line a sample."""
    for _ in range(count):
        voltage_v = float(session.query("MEAS:VOLT?"))
        current_a = float(session.query("MEAS:CURR?"))
        status = int(session.query("STAT:QUES:COND?"))
        file.write(f"{clock.now_s()},{voltage_v},{current_a},{status}\n")


@dataclass(frozen=True, slots=True, kw_only=True)
class BringUp:
    """How the bring-up by hand is set.

    Attributes:
        voltage_v: Voltage that is set at once.
        current_limit_a: Limit of the supply.
        trip_a: Current above which the output is switched off.
        first_poll_s: Time from output on to the first look.
        longest_s: After this time the technician switches off in any case.
    """

    voltage_v: float
    current_limit_a: float
    trip_a: float
    first_poll_s: float = POLL_EVERY_S
    longest_s: float = 10.0


def bring_up(session: Any, clock: Clock, how: BringUp) -> float:
    """Switch nominal voltage on, look every 100 ms, switch off at too much current.

    Returns:
        Time the output was on, in seconds.
    """
    session.write("*RST")
    session.write(f"VOLT {how.voltage_v}")
    session.write(f"CURR {how.current_limit_a}")
    session.write("OUTP ON")
    on_s = clock.now_s()
    clock.sleep_s(how.first_poll_s)
    while float(session.query("MEAS:CURR?")) <= how.trip_a:
        if clock.now_s() - on_s > how.longest_s:
            break
        clock.sleep_s(POLL_EVERY_S)
    session.write("OUTP OFF")
    return clock.now_s() - on_s
