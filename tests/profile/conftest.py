"""Profiles and bench files to begin with, and a way to write changed ones."""

from __future__ import annotations

from collections.abc import Callable

import pytest

from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.profile.schema import Profile

#: A whole profile in the shortest form.
DC_PROFILE = """\
title = "Mount controller board, 24 V DC in, 5 V DC out"

[unit]
input  = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A", \
bulk_capacitance = "470 uF", idle_power = "0.6 W" }
output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }
protection_class = "III"

[envelope]
voltage = "26.4 V"
current = "1.5 A"
power   = "36 W"

[[steps]]
kind = "start"
levels = ["10 %", "25 %", "50 %", "75 %", "100 %"]
current_limit = "0.30 A"
dwell = "1 s"

[[steps.checks]]
name = "idle current"
measure = "supply.current"
high = "80 mA"

[[steps]]
kind = "nominal"
dwell = "5 s"

[[steps.checks]]
name = "5 V rail"
measure = "meter.voltage_dc"
low = "4.90 V"
high = "5.10 V"
rule = "guarded"          # or "simple"; default guarded
"""

#: One with an AC input and a load step.
AC_PROFILE = """\
title = "Dome-shutter power unit"

[unit]
input  = { kind = "ac", nominal = "120 V", tolerance = "10 %", frequency = ["50 Hz", "60 Hz"], \
current = "1.2 A", bulk_capacitance = "150 uF", idle_power = "2 W", start_threshold = "55 V" }
output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A" } }
protection_class = "II"

[envelope]
voltage = "132 V"
current = "1.5 A"
power = "90 W"

[[steps]]
kind = "start"
levels = ["25 %", "50 %", "100 %"]
current_limit = "0.5 A"
dwell = "1 s"

[[steps]]
kind = "nominal"
frequency = "60 Hz"       # left out: the first of the unit's
dwell = "2 s"

[[steps]]
kind = "load"
currents = ["0 A", "1.25 A", "2.5 A"]
dwell = "1 s"
[[steps.checks]]
name = "24 V rail"        # judged at every load point
measure = "meter.voltage_dc"
low = "23.3 V"
high = "24.7 V"
[[steps.checks]]
name = "efficiency at full load"
measure = "efficiency"
at = "2.5 A"              # only at this load point
low = "80 %"
"""

#: A bench with a supply and a meter.
BENCH = """\
name = "Dome workshop, bench 2"
visa = "@py"              # a PyVISA library: "" system VISA, "@py", or "FILE.yaml@sim"

[supply]
kind = "dc"               # dc or ac
resource = "TCPIP0::127.0.0.1::5025::SOCKET"
dialect = "scpi-dc-supply"
identity = "PS-200"       # optional: text *IDN? must contain, or the run is refused
range = { voltage = "60 V", current = "10 A" }
accuracy = { voltage = "0.05 % + 10 mV", current = "0.2 % + 5 mA" }   # of reading + fixed
calibration_due = 2027-05-01

[meter]
resource = "TCPIP0::127.0.0.1::5026::SOCKET"
dialect = "scpi-meter"
accuracy = { voltage_dc = "0.02 % + 2 mV" }
"""

LOAD = """
[load]
resource = "TCPIP0::127.0.0.1::5027::SOCKET"
dialect = "scpi-load"
range = { voltage = "80 V", current = "10 A", power = "100 W" }
"""


def changed(text: str, *changes: tuple[str, str]) -> str:
    """Return a text with parts of it replaced; each part must be there."""
    for old, new in changes:
        assert old in text, old
        text = text.replace(old, new, 1)
    return text


@pytest.fixture
def profile_of(written: Callable[[str | bytes], str]) -> Callable[..., Profile]:
    """Return a function that loads the profile ``dc`` or ``ac`` with parts of it replaced."""
    texts = {"dc": DC_PROFILE, "ac": AC_PROFILE}
    return lambda kind, *changes: load_profile(written(changed(texts[kind], *changes)))


@pytest.fixture
def bench_of(written: Callable[[str | bytes], str]) -> Callable[..., BenchFile]:
    """Return a function that loads the bench file, with a load, with parts of it replaced."""
    return lambda *changes: load_bench(written(changed(BENCH + LOAD, *changes)))
