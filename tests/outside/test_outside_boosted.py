"""The boosted supply of the outside bench against ngspice (Debian package) and closed formulas."""

from __future__ import annotations

import math
import re
from collections.abc import Callable
from typing import Any

import pytest

from tests.outside.bench import make_circuit
from tests.outside.boosted import T25_K, BoostedCircuit, BoostedParts

#: Mains, limiter, bridge, and behind it a boost stage: a conductance, whose power less 4 % fills
#: the bulk capacitor, beside a diode from the bridge. What the converters take is a constant power.
BOOSTED = """boost stage behind a bridge
Vline live neutral SIN(0 {peak} {hz})
Vshunt live a 0
Rfeed a t 0.3
Cfilter t neutral 330n
Rlimiter t b 13.06
Vdrop rect r 1.7
D1 b rect dbr
D2 neutral rect dbr
D3 0 b dbr
D4 0 neutral dbr
.model dbr D(IS=1e-9 N=0.05 RS=0.001)
Rfloat neutral 0 10meg
Rzero r 0 1meg
Bboost r 0 I = {conductance} * max(0, V(r))
Rchoke r d 0.3
D5 d pos dbr
Bgive 0 pos I = 0.96 * {conductance} * max(0, V(r))^2 / max(V(pos), 10)
Bload pos 0 I = {load_w} / max(V(pos), 10)
Rbleed pos 0 660k
Cbulk pos 0 82u IC={bulk_v}
.options method=gear
.tran 5u {end_s} 0 5u UIC
.control
run
let power = (V(t) - V(neutral))*I(Vshunt)
meas tran bulk_mean AVG V(pos) from={from_s} to={end_s}
meas tran bulk_high MAX V(pos) from={from_s} to={end_s}
meas tran bulk_low MIN V(pos) from={from_s} to={end_s}
meas tran current_rms RMS I(Vshunt) from={from_s} to={end_s}
meas tran power_mean AVG power from={from_s} to={end_s}
.endc
.end
"""


def supply(rails: dict[str, Any] | None = None, **unit: Any) -> BoostedCircuit:
    """Return the supply, its limiter at one temperature: what is compared has no heat in it."""
    config = {"kind": "ac", "camera": rails or {}, "unit": {"limiter_j_k": 1e9, **unit}}
    circuit = make_circuit(config, 0.0)
    assert isinstance(circuit, BoostedCircuit)
    return circuit


def loaded(circuit: BoostedCircuit, *, main_a: float = 2.5, standby_a: float = 1.0) -> None:
    """Enable it, and draw from both rails."""
    circuit.converter.aux_v = 5.0
    circuit.converter.main.load_a = lambda volts: main_a if volts > 1.0 else 0.0
    circuit.converter.standby.load_a = lambda volts: standby_a if volts > 1.0 else 0.0


def on_line(circuit: BoostedCircuit, volts: float, hz: float, for_s: float) -> None:
    circuit.set_v, circuit.limit_a, circuit.frequency_hz = volts, 8.0, hz
    circuit.switch(on=True)
    circuit.advance(circuit.now_s + for_s)


class TestBoostedSupply:
    @pytest.mark.parametrize(
        ("volts", "hz", "works"),
        [
            (90.0, 50.0, True),
            pytest.param(264.0, 60.0, True, marks=pytest.mark.torture),
            (240.0, 50.0, False),
        ],
    )
    def test_power_current_and_bulk_voltage(
        self, spice: Callable[[str], str], volts: float, hz: float, *, works: bool
    ) -> None:
        """At full load, the stage at work or dead, all follow ngspice within 2 %."""
        circuit = supply(works=works)
        loaded(circuit)
        on_line(circuit, volts, hz, 2.0)
        period_s = 1.0 / hz
        seen = []
        for _ in range(200):
            circuit.advance(circuit.now_s + 5 * period_s / 200)
            seen.append(circuit.bulk_v)
        _, current_a, power_w = circuit.means()
        printed = spice(
            BOOSTED.format(
                peak=math.sqrt(2.0) * volts,
                hz=hz,
                conductance=circuit.conductance_s,
                load_w=circuit.converter.taken_w,
                bulk_v=sum(seen) / len(seen),
                from_s=5 * period_s,
                end_s=10 * period_s,
            )
        )
        found = {
            key: float(value)
            for key, value in re.findall(r"^(\w+)\s*=\s*(\S+)", printed, re.MULTILINE)
        }

        assert power_w == pytest.approx(found["power_mean"], rel=0.02)
        assert current_a == pytest.approx(found["current_rms"], rel=0.02)
        assert sum(seen) / len(seen) == pytest.approx(found["bulk_mean"], rel=0.02)
        swing_v = found["bulk_high"] - found["bulk_low"]
        assert max(seen) - min(seen) == pytest.approx(swing_v, rel=0.1)

    def test_ripple_of_the_bulk_capacitor(self) -> None:
        """Twice the line's frequency, P / (2 pi f C V) from valley to peak (textbook)."""
        circuit = supply()
        loaded(circuit)
        on_line(circuit, 240.0, 50.0, 2.0)
        seen = []
        for _ in range(400):
            circuit.advance(circuit.now_s + 1e-4)
            seen.append(circuit.bulk_v)
        expected_v = circuit.converter.taken_w / (2.0 * math.pi * 50.0 * 82e-6 * 390.0)

        assert max(seen) - min(seen) == pytest.approx(expected_v, rel=0.05)

    def test_hold_up(self) -> None:
        """From power off to the stop of the converter: C (V^2 - Vs^2) / (2 P) (textbook)."""
        circuit = supply()
        loaded(circuit)
        on_line(circuit, 100.0, 50.0, 2.0)
        taken_w, from_v = circuit.converter.taken_w, circuit.bulk_v
        stop_v = circuit.converter.main.parts.stop_v
        circuit.switch(on=False)
        began_s = circuit.now_s
        while circuit.converter.main.running:
            circuit.advance(circuit.now_s + 1e-4)
        expected_s = 82e-6 * (from_v**2 - stop_v**2) / (2.0 * taken_w)

        assert circuit.now_s - began_s == pytest.approx(expected_s, rel=0.03)

    def test_the_limiter_warms_to_where_it_gives_off_what_it_takes(self) -> None:
        """I^2 R(T) = D (T - Ta), with R by the beta equation (IEC 60539-1, from memory)."""
        circuit = supply(limiter_j_k=0.02)
        loaded(circuit)
        on_line(circuit, 100.0, 50.0, 6.0)
        parts, current_a = circuit.boosted, circuit.means()[1]
        low_k, high_k = T25_K, 600.0
        for _ in range(50):
            middle_k = 0.5 * (low_k + high_k)
            ohm = parts.limiter_ohm * math.exp(parts.limiter_b_k * (1 / middle_k - 1 / T25_K))
            if current_a**2 * ohm > parts.limiter_w_k * (middle_k - parts.room_k):
                low_k = middle_k
            else:
                high_k = middle_k

        assert circuit.limiter_k == pytest.approx(low_k, abs=3.0)

    def test_the_source_holds_its_limit(self) -> None:
        """Where the capacitor asks for more than it, the rms current is the limit."""
        circuit = supply(bulk_f=2e-3)
        circuit.set_v, circuit.limit_a, circuit.frequency_hz = 75.0, 0.3, 50.0
        circuit.switch(on=True)
        circuit.advance(0.1)
        for _ in range(3):
            circuit.advance(circuit.now_s + 0.05)

            assert circuit.limiting
            assert circuit.means()[1] == pytest.approx(0.3, rel=0.05)

    def test_steps_do_not_matter(self) -> None:
        """Looked at each 50 us, and each 20 ms: the same start."""
        often, seldom = supply(), supply()
        for circuit, steps in ((often, 8000), (seldom, 20)):
            loaded(circuit)
            on_line(circuit, 100.0, 60.0, 1e-6)
            for _ in range(steps):
                circuit.advance(circuit.now_s + 0.4 / steps)

        assert often.bulk_v == pytest.approx(seldom.bulk_v, rel=0.01)
        assert often.ledger.energy_j == pytest.approx(seldom.ledger.energy_j, rel=0.01)

    def test_energy_is_kept(self) -> None:
        """What came in is in the capacitors, was given to the loads, or lost where it says."""
        circuit = supply(loss_frac=0.0, drop_v=0.0, limiter_ohm=0.0, fuse_ohm=0.0, choke_ohm=1e-3)
        on_line(circuit, 100.0, 50.0, 1.0)
        taken_j = 0.35 * 1.0  # the standby converter's own
        held_j = 0.5 * 82e-6 * circuit.bulk_v**2
        lost_j = 1.0 * 390.0**2 / 660e3 + 100.0**2 / 1e6

        assert circuit.ledger.energy_j == pytest.approx(held_j + taken_j + lost_j, rel=0.02)
        assert BoostedParts().held_v == pytest.approx(circuit.bulk_v, rel=0.03)
