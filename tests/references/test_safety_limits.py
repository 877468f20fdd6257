"""The limit table against the standards it is taken from.

Each figure names its source; "from memory" where the text could not be looked up again.
"""

from __future__ import annotations

import pytest

from harness.judge.propagate import Estimate, average
from harness.unit.limits import shipped_limits
from harness.unit.nameplate import Unit


def unit(protection_class: str, volts: float = 24.0, amps: float = 2.5, outputs: int = 1) -> Unit:
    output = {"kind": "dc", "nominal": f"{volts} V", "current": f"{amps!r} A"}
    line = {
        "kind": "ac",
        "nominal": "120 V",
        "tolerance": "10 %",
        "frequency": ["60 Hz"],
        "current": "1.2 A",
    }
    return Unit.model_validate(
        {
            "input": line,
            "output": {f"out{number}": output for number in range(outputs)},
            "protection_class": protection_class,
        }
    )


class TestAfterRepair:
    @pytest.mark.parametrize(
        ("name", "protection_class", "low", "high"),
        [
            # EN 50678 and EN 50699: 0.3 ohm for a cord to 5 m and 1.5 mm2, 0.1 ohm for each
            # further 7.5 m, never above 1.0 ohm
            ("protective-conductor resistance", "I", None, 0.3),
            ("protective-conductor resistance, cord to 12.5 m", "I", None, 0.4),
            ("protective-conductor resistance, cord to 20 m", "I", None, 0.5),
            ("protective-conductor resistance, any cord", "I", None, 1.0),
            # DIN VDE 0701-0702:2008 at 500 V DC; kept by EN 50678: from memory
            ("insulation resistance", "I", 1.0e6, None),
            ("insulation resistance, heating elements", "I", 0.3e6, None),
            ("insulation resistance", "II", 2.0e6, None),
            ("insulation resistance", "III", 0.25e6, None),
            ("insulation resistance, separation of the output", "II", 2.0e6, None),
            ("protective-conductor current", "I", None, 3.5e-3),
            ("touch current", "I", None, 0.5e-3),
            ("touch current", "II", None, 0.5e-3),
            ("accessible output, DC", "II", None, 60.0),
        ],
    )
    def test_limits_are_those_of_the_standard(
        self, name: str, protection_class: str, low: float | None, high: float | None
    ) -> None:
        """Each limit for each class is the figure its source prints."""
        found = shipped_limits().of_check(name, unit(protection_class))

        assert (found.low, found.high) == (low, high)

    @pytest.mark.parametrize(
        ("name", "below_v", "within_s"),
        [
            ("plug pins", 34.0, 1.0),  # IEC 60335-1, 22.5
            ("connector", 60.0, 2.0),  # IEC 62368-1, 5.5.2.2: 2 s; 60 V (ES1) from memory
        ],
    )
    def test_stored_charge(self, name: str, below_v: float, within_s: float) -> None:
        """Voltage and time after disconnection are those of the standard."""
        found = shipped_limits().of_discharge(name, unit("II"))

        assert (found.below_v, found.within_s) == (below_v, within_s)


#: EU 2019/1782, Annex II, worked from its formulas by hand to four digits.
WORKED = {
    "ac-dc": (
        (0.5, 0.4100),
        (1, 0.6600),
        (5, 0.7773),
        (10, 0.8195),
        (12, 0.8296),
        (18, 0.8500),
        (24, 0.8620),
        (36, 0.8740),
        (45, 0.8773),
        (49, 0.8777),
        (60, 0.8800),
    ),
    "low voltage": ((2.5, 0.6819), (5, 0.7362), (10, 0.7870), (18, 0.8249)),
    "multi-output": ((10, 0.7337), (24, 0.7994), (45, 0.8465)),
}


class TestExternalSupplies:
    @pytest.mark.parametrize(
        ("kind", "power_w", "limit"),
        [(kind, power_w, limit) for kind, rows in WORKED.items() for power_w, limit in rows],
    )
    def test_efficiency(self, kind: str, power_w: float, limit: float) -> None:
        """The limit for a nameplate is the formula's value to its printed digits."""
        volts = 4.0 if kind == "low voltage" else 24.0
        outputs = 2 if kind == "multi-output" else 1
        found = shipped_limits().of_check(
            "EU 2019/1782 efficiency", unit("II", volts, power_w / volts / outputs, outputs)
        )

        assert found.low == pytest.approx(limit, abs=5e-5)
        assert found.unit == "%"

    @pytest.mark.parametrize(
        ("kind", "power_w", "limit_w"),
        [
            ("ac-dc", 49.0, 0.10),
            ("ac-dc", 60.0, 0.21),
            ("low voltage", 10.0, 0.10),
            ("multi-output", 20.0, 0.30),
            ("multi-output", 100.0, 0.30),
        ],
    )
    def test_no_load_power(self, kind: str, power_w: float, limit_w: float) -> None:
        """Power without load to 49 W and above (EU 2019/1782, Annex II; heads from memory)."""
        volts = 4.0 if kind == "low voltage" else 24.0
        outputs = 2 if kind == "multi-output" else 1
        found = shipped_limits().of_check(
            "EU 2019/1782 no-load power", unit("II", volts, power_w / volts / outputs, outputs)
        )

        assert found.high == limit_w

    def test_the_average_is_the_mean_of_four(self) -> None:
        """0.862, 0.872, 0.868 and 0.856 have the mean 0.8645 (average active efficiency)."""
        points = [Estimate(value=value) for value in (0.862, 0.872, 0.868, 0.856)]

        assert average(points).value == pytest.approx(0.8645)
