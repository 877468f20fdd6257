"""The outside bench's solver against ngspice, an independent circuit simulator (Debian package).

The netlists are this file's own and are run each time; where ngspice is missing the tests skip.
"""

from __future__ import annotations

import ast
import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.outside.bench import make_circuit

HERE = Path(__file__).parent

#: A supply in constant voltage or current, its output capacitor, leads, diode, bulk capacitor, and
#: a converter that starts at 8 V, ramps its rail in 20 ms and then takes its idle power.
DC_START = """start of a 24 V unit
Breg 0 reg I = max(0, min({limit_a}, (24 - V(out))/0.02))
Vshunt reg out 0
Cout out 0 220u IC=0
Rfeed out anode 0.26
D1 anode pos dfeed
.model dfeed D(IS=1e-9 N=1 RS=0)
Resr pos plate 0.1
Cbulk plate 0 470u IC=0
Rleak plate 0 100k
Brun run 0 V = (V(plate) > 8) || ((V(mem) > 0.5) && (V(plate) > 6.5)) ? 1 : 0
Rmem run mem 1k
Cmem mem 0 1n IC=0
Bchg 0 cv I = ((V(mem) > 0.5) && (V(cv) < 5.02)) ? 470u*5.02/0.02 : 0
Ccv cv 0 470u IC=0
Bpo po 0 V = ((V(mem) > 0.5) && (V(cv) < 5.02)) ? V(cv)*470u*5.02/0.02 : 0
Bin plate 0 I = V(mem) > 0.5 ? (0.6 + V(po)*1.12)/max(V(plate), 1) : 0
.tran 10u 120m 0 10u UIC
.control
run
linearize V(out) V(plate) I(Vshunt)
set wr_singlescale
wrdata curve.txt V(out) V(plate) I(Vshunt)
.endc
.end
"""

#: A bridge on 120 V, 60 Hz, 150 uF, constant power.
RECTIFIER = """rectifier with a constant-power load
Vline live neutral SIN(0 169.706 60)
Vshunt live a 0
Rfeed a b 1.5
D1 b pos dbr
D2 neutral pos dbr
D3 0 b dbr
D4 0 neutral dbr
.model dbr D(IS=1e-9 N=1.7 RS=0.01)
Rfloat neutral 0 10meg
Cbulk pos 0 150u IC=160
Bload pos 0 I = {power_w}/max(V(pos), 20)
.options method=gear
.tran 5u 600m 500m 5u UIC
.control
run
let power = (V(live) - V(neutral))*I(Vshunt)
meas tran bulk_mean AVG V(pos) from=500m to=600m
meas tran current_rms RMS I(Vshunt) from=500m to=600m
meas tran power_mean AVG power from=500m to=600m
.endc
.end
"""

Spice = Callable[[str], str]


class TestDcStart:
    @pytest.mark.parametrize("limit_a", [0.1, 0.3, 1.5])
    def test_charge_curve_and_current(self, spice: Spice, tmp_path: Path, limit_a: float) -> None:
        """Terminal and bulk voltage, current and charge of a start follow ngspice."""
        spice(DC_START.replace("{limit_a}", str(limit_a)))
        circuit = make_circuit({}, 0.0)
        circuit.set_v, circuit.limit_a = 24.0, limit_a
        circuit.switch(on=True)
        charges = [0.0, 0.0]
        before_s = 0.0
        for line in (tmp_path / "curve.txt").read_text(encoding="utf-8").splitlines()[100::25]:
            time_s, terminal_v, bulk_v, current_a = map(float, line.split())
            circuit.advance(time_s)

            assert circuit.terminal_v == pytest.approx(terminal_v, abs=0.025 * 24.0), time_s
            assert circuit.bulk_v == pytest.approx(bulk_v, abs=0.025 * 24.0), time_s
            charges[0] += current_a * (time_s - before_s)
            charges[1] += circuit.current_a * (time_s - before_s)
            before_s = time_s
        assert charges[1] == pytest.approx(charges[0], rel=0.03)
        assert circuit.current_a == pytest.approx(current_a, rel=0.03, abs=1e-4)

    def test_steps_do_not_matter(self) -> None:
        """A start looked at each 50 us and one looked at once end in the same state."""
        often, once = make_circuit({}, 0.0), make_circuit({}, 0.0)
        for circuit in (often, once):
            circuit.set_v, circuit.limit_a = 24.0, 0.3
            circuit.switch(on=True)
        for index in range(1, 801):
            often.advance(index * 50e-6)
        once.advance(0.04)

        assert once.bulk_v == pytest.approx(often.bulk_v, rel=5e-3)
        assert once.ledger.charge_c == pytest.approx(often.ledger.charge_c, rel=5e-3)
        assert once.ledger.i2t_a2s == pytest.approx(often.ledger.i2t_a2s, rel=2e-2)

    def test_a_step_that_could_swing(self) -> None:
        """A small series resistance at a low voltage, looked at seldom, ends where it must."""
        ohms = {"line_ohm": 0.018, "series_ohm": 0.018, "bulk_ohm": 0.018}
        circuit = make_circuit({"unit": {**ohms, "bulk_f": 5.42e-3, "diode_v": 0.1}}, 0.0)
        circuit.set_v, circuit.limit_a = 0.6, 0.41
        circuit.switch(on=True)
        for index in range(1, 13):
            circuit.advance(0.0025 * index)

        assert circuit.terminal_v == pytest.approx(0.6, abs=1e-3)
        assert circuit.bulk_v == pytest.approx(0.5, abs=1e-3)

    @pytest.mark.parametrize("set_v", [0.6, 24.0])
    @pytest.mark.parametrize("bulk_f", [50e-6, 470e-6, 6e-3])
    @pytest.mark.parametrize("end_s", [0.03, 0.5])
    def test_charge_is_kept(self, set_v: float, bulk_f: float, end_s: float) -> None:
        """What the regulator gave is in the two capacitors, whatever the step between looks."""
        unit = {"start_v": 100.0, "leak_ohm": 1e9, "bulk_f": bulk_f, "diode_v": 0.1}
        circuit = make_circuit({"unit": unit}, 0.0)
        circuit.set_v, circuit.limit_a = set_v, 0.3
        circuit.switch(on=True)
        given_c, steps = 0.0, 2000
        for index in range(1, steps + 1):
            before_a = circuit.current_a
            circuit.advance(end_s * index / steps)
            given_c += 0.5 * (before_a + circuit.current_a) * end_s / steps

        assert circuit.ledger.charge_c == pytest.approx(bulk_f * circuit.bulk_v, rel=0.01)
        held_c = bulk_f * circuit.bulk_v + 220e-6 * circuit.terminal_v
        assert given_c == pytest.approx(held_c, rel=0.02, abs=0.3 * end_s / steps)


class TestRectifier:
    @pytest.mark.parametrize("power_w", [pytest.param(20.0, marks=pytest.mark.torture), 70.0])
    def test_power_current_and_bulk_voltage(self, spice: Spice, power_w: float) -> None:
        """Real power, rms current and bulk voltage under load are good enough: within 12 %."""
        printed = spice(RECTIFIER.replace("{power_w}", str(power_w)))
        found = {
            key: float(value)
            for key, value in re.findall(r"^(\w+)\s*=\s*(\S+) from", printed, re.MULTILINE)
        }
        unit = {"idle_w": power_w, "soft_start_s": 1e-3, "rail_f": 1e-9}
        circuit = make_circuit({"kind": "ac", "unit": unit}, 0.0)
        circuit.set_v, circuit.limit_a = 120.0, 8.0
        circuit.switch(on=True)
        circuit.advance(0.6)
        _, current_a, source_w = circuit.means()

        assert source_w == pytest.approx(found["power_mean"], rel=0.05)
        assert circuit.bulk_v == pytest.approx(found["bulk_mean"], rel=0.05)
        assert current_a == pytest.approx(found["current_rms"], rel=0.12)

    def test_current_limit(self) -> None:
        """A source in current limit holds its limit, rms, whatever the capacitor's voltage."""
        circuit = make_circuit({"kind": "ac"}, 0.0)
        circuit.set_v, circuit.limit_a = 60.0, 0.2
        circuit.switch(on=True)
        for index in range(1, 4):
            circuit.advance(0.05 * index)

            assert circuit.limiting
            assert circuit.means()[1] == pytest.approx(0.2, rel=0.03)


class TestIndependence:
    @pytest.mark.parametrize("path", sorted(HERE.glob("*.py")), ids=lambda path: path.name)
    def test_nothing_of_the_product_is_imported(self, path: Path) -> None:
        """No module of the outside bench imports the product it is there to test."""
        tree = ast.parse(path.read_text(encoding="utf-8"))
        imported = set()
        for node in ast.walk(tree):
            match node:
                case ast.Import(names=aliases):
                    imported |= {alias.name for alias in aliases}
                case ast.ImportFrom(module=module):
                    imported.add(module or "")

        assert [name for name in imported if name.split(".")[0] == "harness"] == []
