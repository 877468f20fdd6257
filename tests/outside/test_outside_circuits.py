"""The outside bench's solver against ngspice, an independent circuit simulator (Debian package).

The netlists are this file's own and are run each time; where ngspice is missing the tests skip.
"""

from __future__ import annotations

import ast
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar

import pytest

from tests.outside.bench import make_circuit
from tests.outside.controller import Controller

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

#: A digital board on 12 V, whose input falls to nothing for 20 ms and for 80 ms; a buck converter
#: with its rail, and a processor that is in reset for 50 ms, boots at 1.4 W and then at 2.2 W.
BOARD_DIPS = """start of a board, and two short interruptions
Vset set 0 PWL(0 12 0.15 12 0.150001 0 0.17 0 0.170001 12 0.3 12 0.300001 0 0.38 0 0.380001 12)
Breg 0 reg I = max(0, min(0.7, (V(set) - V(out))/0.02))
Vshunt reg out 0
Cout out 0 220u IC=0
Bbleed out 0 I = V(out) > V(set) ? V(out)/500 : 0
Rfeed out anode 0.26
D1 anode pos dfeed
.model dfeed D(IS=1e-9 N=0.8 RS=0)
Resr pos plate 0.06
Cbulk plate 0 1020u IC=0
Rleak plate 0 100k
Brun run 0 V = (V(plate) > 6.8) || ((V(mem) > 0.5) && (V(plate) > 5.2)) ? 1 : 0
Rmem run mem 1k
Cmem mem 0 1n IC=0
Bref 0 ref I = V(mem) > 0.5 ? (V(ref) < 3.3 ? 1u*3.3/8m : 0) : (V(rail) - V(ref))*0.1
Cref ref 0 1u IC=0
Bbuck 0 rail I = V(mem) > 0.5 ? max(0, (V(ref) - V(rail))/0.002) : 0
Crail rail 0 220u IC=0
Bgood 0 good I = V(rail) > 3.05 ? 1 : 0
Blost good 0 I = V(rail) < 2.95 ? V(good)*1e6 : 0
Cgood good 0 1 IC=0
Bwatt watt 0 V = V(good) < 0.05 ? V(rail)^2/330 : (V(good) < 0.1 ? 1.4 : 2.2)
Btaken rail 0 I = V(watt)/max(V(rail), 0.1)
Bgiven given 0 V = V(rail)*max(0, (V(ref) - V(rail))/0.002)
Bin plate 0 I = V(mem) > 0.5 ? (0.42 + 1.18*V(given))/max(V(plate), 1) : 0
.options method=gear
.tran 20u 0.5 0 20u UIC
.control
run
linearize V(out) V(plate) V(rail) I(Vshunt)
set wr_singlescale
wrdata curve.txt V(out) V(plate) V(rail) I(Vshunt)
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

    @pytest.mark.parametrize("set_v", [0.6, 3.0, 24.0])
    def test_a_supply_that_nothing_loads_is_at_rest(self, set_v: float) -> None:
        """Where a charged capacitor blocks the diode, it holds its voltage and gives nothing."""
        circuit = make_circuit({"unit": {"start_v": 100.0}}, 0.0)
        circuit.bulk_v, circuit.set_v, circuit.limit_a = 30.0, set_v, 0.3
        circuit.switch(on=True)
        circuit.advance(0.5)
        for index in range(1, 200):
            circuit.advance(0.5 + 0.002 * index)

            assert circuit.terminal_v == pytest.approx(set_v, rel=1e-4)
            assert circuit.current_a < 1e-6

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


class TestBoard:
    """A digital board: what it draws, what it bridges, and when it starts again."""

    #: As in the netlist: nothing in it is drawn by lot, and it boots for as long as is looked at.
    CONFIG: ClassVar = {
        "unit": {"diode_v": 0.4},
        "controller": {"boot": [[0.05, 1.4], [9.0, 2.2]], "flicker_w": 0.0},
    }

    def test_start_and_interruptions(self, spice: Spice, tmp_path: Path) -> None:
        """Current, charge and voltages follow ngspice; 20 ms are bridged, 80 ms are not."""
        spice(BOARD_DIPS)
        circuit = make_circuit(self.CONFIG, 0.0)
        circuit.limit_a, charges, before_s, boots = 0.7, [0.0, 0.0], 0.0, []
        circuit.switch(on=True)
        for line in (tmp_path / "curve.txt").read_text(encoding="utf-8").splitlines()[::25]:
            time_s, terminal_v, bulk_v, rail_v, current_a = map(float, line.split())
            circuit.set_v = 0.0 if 0.15 < time_s <= 0.17 or 0.3 < time_s <= 0.38 else 12.0
            circuit.advance(time_s)
            board = circuit.converter
            assert isinstance(board, Controller)
            boots.append(board.processor.boots)

            assert circuit.terminal_v == pytest.approx(terminal_v, abs=0.03 * 12.0), time_s
            assert circuit.bulk_v == pytest.approx(bulk_v, abs=0.03 * 12.0), time_s
            charges[0] += current_a * (time_s - before_s)
            charges[1] += circuit.current_a * (time_s - before_s)
            before_s = time_s
            assert board.rail_v == pytest.approx(rail_v, abs=0.15), time_s
        assert charges[1] == pytest.approx(charges[0], rel=0.02)
        assert circuit.current_a == pytest.approx(current_a, rel=0.02)
        assert (boots[len(boots) // 2], boots[-1]) == (1, 2)

    def test_hold_up(self) -> None:
        """Cut off, it works on until the capacitors have given what lies between two voltages.

        Source: t = C (V1^2 - V2^2) / 2 P, energy of a capacitor; textbook.
        """
        circuit = make_circuit(self.CONFIG, 0.0)
        circuit.set_v, circuit.limit_a = 12.0, 0.7
        circuit.switch(on=True)
        circuit.advance(0.5)
        circuit.switch(on=False)
        board = circuit.converter
        assert isinstance(board, Controller)
        before_v, power_w = circuit.bulk_v, board.power_w(0.5)
        while board.running:
            circuit.advance(circuit.now_s + 1e-4)

        # behind the diode the supply's own 220 uF empty as well
        held_j = 0.5 * (1020e-6 + 220e-6) * (before_v**2 - 5.2**2)
        assert circuit.now_s - 0.5 == pytest.approx(held_j / power_w, rel=0.05)

    @pytest.mark.parametrize(
        ("table", "down_s", "after"),
        [
            ({}, 0.02, "work"),
            ({}, 0.08, "boot"),
            ({"brown_out_v": 0.0}, 0.08, "hung"),
            ({"brown_out_v": 0.0}, 0.3, "boot"),  # long enough for a power-on reset
            ({"clock": False}, 0.02, "reset"),
            ({"finishes": False}, 0.02, "boot"),
            ({"supervisor_v": 12.0}, 0.02, "reset"),
        ],
    )
    def test_what_it_does_after_an_interruption(
        self, table: dict[str, object], down_s: float, after: str
    ) -> None:
        """It goes on, boots again, or hangs where its brown-out detector is dead."""
        circuit = make_circuit({"controller": table}, 0.0)
        circuit.set_v, circuit.limit_a = 12.0, 0.7
        circuit.switch(on=True)
        circuit.advance(1.2)
        circuit.set_v = 0.0
        circuit.advance(1.2 + down_s)
        circuit.set_v = 12.0
        circuit.advance(1.4 + down_s)
        board = circuit.converter
        assert isinstance(board, Controller)

        assert board.processor.doing(circuit.now_s) == after

    def test_an_ohmmeter_fills_what_it_stands_across(self) -> None:
        """It reads V / I while the capacitor charges by its test current, and then the leak.

        Source: v = E (1 - exp(-t / R C)), textbook; the leak of 100 kohm at the end.
        """
        circuit = make_circuit({"controller": {}}, 0.0)
        board = circuit.converter
        assert isinstance(board, Controller)
        board.at = "bulk"
        board.ohms = True
        circuit.advance(5.1)  # one time constant of 5 kohm on 1020 uF

        assert circuit.bulk_v == pytest.approx(5.0 * (1.0 - math.exp(-1.0)), rel=0.05)
        assert board.resistance_ohm() == pytest.approx(5e3 * (math.e - 1.0), rel=0.08)
        circuit.advance(60.0)
        assert board.resistance_ohm() == pytest.approx(100e3, rel=0.02)


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
