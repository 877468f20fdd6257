"""The two units of the demo, as short as a profile's head can be; the profiles that are shipped."""

from __future__ import annotations

from harness.shipped import shipped_names

#: Each shipped profile: one that is added is held to the same rules.
SHIPPED_PROFILES = [
    name.removesuffix(".toml")
    for name in shipped_names("profiles")
    if "/" not in name and not name.startswith("bench-")
]

BOARD = """\
title = "Mount controller board"
[unit]
protection_class = "III"
input  = { kind = "dc", nominal = "24 V", tolerance = "10 %", current = "1.2 A", \
bulk_capacitance = "470 uF", idle_power = "0.6 W", start_threshold = "8 V" }
output = { main = { kind = "dc", nominal = "5 V", current = "2 A", limit = "2.4 A" } }
[envelope]
voltage = "26.4 V"
current = "1.5 A"
power   = "36 W"
"""
#: Its start in three levels, and its output at nominal voltage.
BOARD_STEPS = """
[[steps]]
kind          = "start"
levels        = ["10 %", "50 %", "100 %"]
current_limit = "0.3 A"
dwell         = "100 ms"

[[steps]]
kind  = "nominal"
dwell = "100 ms"

[[steps.checks]]
name    = "5 V rail"
measure = "meter.voltage_dc"
low     = "4.90 V"
high    = "5.10 V"
"""
SHUTTER = """\
title = "Dome-shutter power unit"
[unit]
protection_class = "II"
input  = { kind = "ac", nominal = "120 V", tolerance = "10 %", frequency = ["60 Hz", "50 Hz"], \
current = "1.2 A", bulk_capacitance = "150 uF", idle_power = "2 W", start_threshold = "55 V" }
output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A", limit = "2.8 A" } }
[envelope]
voltage = "132 V"
current = "1.5 A"
power   = "90 W"
"""

#: The head of a unit file of the dome-shutter power unit: what its nameplate says.
SHUTTER_PLATE = """\
title  = "Dome-shutter power unit"
serial = "HRW-0007"

[unit]
protection_class = "II"

[unit.input]
kind      = "ac"
nominal   = "120 V"
tolerance = "10 %"
frequency = ["60 Hz", "50 Hz"]
current   = "1.2 A"

[unit.output.main]
kind    = "dc"
nominal = "24 V"
current = "2.5 A"
"""

#: A battery charger.
CHARGER = """
title = "Lamp battery charger"
[unit]
protection_class = "II"
[unit.input]
kind = "ac"
nominal = "100 V"
tolerance = "10 %"
frequency = ["50 Hz", "60 Hz"]
current = "1 A"
bulk_capacitance = "120 uF"
idle_power = "1.5 W"
start_threshold = "45 V"
[unit.output.main]
kind = "charger"
range = ["7.2 V", "18 V"]
current = "2 A"
limit = "2.3 A"
wake = "5 V"
end_current = "0.2 A"
drain = "5 mA"
[envelope]
voltage = "110 V"
current = "1.5 A"
power = "80 W"
"""

#: A supply with main, standby and negative outputs, a power-good signal and an enable pin, up to
#: nominal voltage.
RAILS = """
title = "Dome control supply"
purpose = "pre-check"

[unit]
protection_class = "II"
total_power = "60 W"

[unit.input]
kind = "ac"
nominal = "120 V"
tolerance = "10 %"
frequency = ["60 Hz", "50 Hz"]
current = "1.3 A"
bulk_capacitance = "150 uF"
idle_power = "3 W"
start_threshold = "55 V"

[unit.output.main]
kind = "dc"
nominal = "24 V"
current = "2 A"

[unit.output.standby]
kind = "dc"
nominal = "5 V"
current = "1 A"
standby = true

[unit.output.minus]
kind = "dc"
nominal = "12 V"
current = "0.3 A"
polarity = "negative"

[unit.output.power_good]
kind = "logic"
nominal = "5 V"
current = "1 mA"

[unit.enable]
pin = "ON, pin 4 of J2"
nominal = "5 V"

[envelope]
voltage = "132 V"
current = "1.8 A"
power = "110 W"
aux = { voltage = "5.5 V", current = "5 mA" }

[[steps]]
kind = "start"
levels = ["10 %", "25 %", "50 %", "75 %", "100 %"]
current_limit = "0.5 A"
dwell = "0.3 s"
"""
