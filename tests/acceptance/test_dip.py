"""A dip in a run of two processes: the keeper's own times it, whatever the engine does."""

from __future__ import annotations

from typing import TYPE_CHECKING

import pytest

from harness.record import load
from tests.units import BOARD

if TYPE_CHECKING:
    from tests.acceptance.conftest import Campaign

#: Unit A, nominal voltage, two drops of 60 ms with its load.
PROFILE = f"""{BOARD}
[[steps]]
kind          = "start"
levels        = ["50 %", "100 %"]
current_limit = "0.3 A"
dwell         = "100 ms"

[[steps]]
kind     = "dip"
residual = "0 %"
duration = "60 ms"
times    = 2
current  = "0.5 A"
dwell    = "100 ms"

[[steps.checks]]
name    = "time"
measure = "dip.duration"
low     = "40 ms"
high    = "80 ms"

[[steps.checks]]
name    = "5 V rail comes back"
measure = "meter.voltage_dc"
low     = "4.90 V"
high    = "5.10 V"
"""


def test_it_lasts_as_long_as_is_asked_for(campaign: Campaign) -> None:
    """60 ms are 60 ms within a few: through engine and pipe they were 98 ms to 253 ms."""
    with campaign.bench(PROFILE) as bench, campaign.run(bench) as running:
        ended = running.end()
        supply = [said for said in bench.spoken["supply"] if said.message.startswith("VOLT ")]
    assert ended.record is not None, ended.screen
    checks = load(ended.record).checks.set_index("check")
    times = checks.loc[checks["quantity"] == "dip.duration"]
    assert list(times["value"]) == pytest.approx([0.060, 0.060], abs=0.010)
    assert set(times["verdict"]) == {"pass"}
    down = [at for at, said in enumerate(supply) if float(said.message.split()[1]) == 0.0]
    apart = [supply[at + 1].time_s - supply[at].time_s for at in down]
    assert apart == pytest.approx(list(times["value"]), abs=0.010)
