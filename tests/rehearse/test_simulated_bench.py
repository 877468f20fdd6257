from __future__ import annotations

import itertools

import pytest
import pyvisa

from harness.errors import Refused
from harness.profile.instruments import Range
from harness.profile.load import load_bench, load_profile
from harness.rehearse.circuit import DC_SUPPLY
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model

SUPPLY = "TCPIP0::127.0.0.1::5025::SOCKET"
METER = "TCPIP0::127.0.0.1::5026::SOCKET"
LOAD = "TCPIP0::127.0.0.1::5027::SOCKET"


class Talk:
    """A hand-written PyVISA program on a simulated bench."""

    def __init__(self, profile: str, bench: str, seed: int = 1) -> None:
        self.clock = SimulatedClock()
        file = load_bench(bench)
        unit = load_profile(profile).unit
        self.bench = SimulatedBench(typical_model(unit), file, self.clock, seed=seed)
        self._manager = pyvisa.ResourceManager(self.bench.library())

    def open(self, resource: str) -> pyvisa.resources.MessageBasedResource:
        """Open one instrument."""
        session = self._manager.open_resource(
            resource, read_termination="\n", write_termination="\n"
        )
        assert isinstance(session, pyvisa.resources.MessageBasedResource)
        return session


@pytest.fixture
def dc() -> Talk:
    """Unit A on its bench."""
    return Talk("mount-controller-board", "bench-simulated-dc")


@pytest.fixture
def ac() -> Talk:
    """Unit B on its bench."""
    return Talk("dome-shutter-power-unit", "bench-simulated-ac")


class TestPeakCurrent:
    def test_it_is_held(self, ac: Talk) -> None:
        """An AC source tells the highest current since its output came on, long after it flowed."""
        supply = ac.open(SUPPLY)
        supply.write("VOLT 12;CURR 8;FREQ 60;OUTP 1")
        ac.clock.sleep_s(1.0)
        first_a = float(supply.query("MEAS:CURR:AMPL:MAX?"))
        ac.clock.sleep_s(1.0)

        assert float(supply.query("MEAS:CURR:AMPL:MAX?")) == first_a > 0.1
        assert float(supply.query("MEAS:CURR?")) < 0.1


class TestStatusModel:
    """IEEE 488.2-1992 clauses 10 and 11, SCPI-1999 volume 2 SYSTem:ERRor."""

    def test_one_bad_header_shows_in_byte_register_and_queue(self, dc: Talk) -> None:
        """*CLS; *ESE 32; *SRE 32 and a bad header: *STB? 100, *ESR? 32 then 0, -113 then 0."""
        supply = dc.open(SUPPLY)
        for message in ("*CLS", "*ESE 32", "*SRE 32", "FOO"):
            supply.write(message)

        # 100 = 4 (queue) + 32 (event summary) + 64 (master summary): weights of IEEE 488.2, 11.2
        assert supply.query("*STB?") == "100"
        assert [supply.query("*ESR?") for _ in range(2)] == ["32", "0"]
        assert supply.query("SYST:ERR?") == '-113,"Undefined header"'
        assert supply.query("SYST:ERR?") == '0,"No error"'

    def test_bit_six_of_the_service_mask_is_ignored(self, dc: Talk) -> None:
        """*SRE 255 reads back 191 (IEEE 488.2, 11.3; from memory)."""
        supply = dc.open(SUPPLY)
        supply.write("*SRE 255")

        assert supply.query("*SRE?") == "191"

    def test_reset_clears_neither_queue_nor_registers(self, dc: Talk) -> None:
        """*RST leaves the error queue as it is (IEEE 488.2, 10.32; from memory)."""
        supply = dc.open(SUPPLY)
        supply.write("FOO")
        supply.write("*RST")

        assert supply.query("SYST:ERR?").startswith("-113")

    def test_clear_empties_the_queue(self, dc: Talk) -> None:
        """*CLS empties the queue and the event register."""
        supply = dc.open(SUPPLY)
        supply.write("FOO")
        supply.write("*CLS")

        assert supply.query("SYST:ERR?") == '0,"No error"'
        assert supply.query("*ESR?") == "0"

    def test_an_overflowing_queue_ends_in_minus_350(self, dc: Talk) -> None:
        """The queue is first in, first out; the last entry turns into -350, earlier ones stay."""
        supply = dc.open(SUPPLY)
        supply.write("VOLT 99")
        for _ in range(40):
            supply.write("FOO")
        entries = list(
            itertools.takewhile(
                lambda entry: not entry.startswith("0,"),
                (supply.query("SYST:ERR?") for _ in range(100)),
            )
        )

        assert entries[0] == '-222,"Data out of range"'
        assert entries[-1] == '-350,"Queue overflow"'
        assert set(entries[1:-1]) == {'-113,"Undefined header"'}

    @pytest.mark.parametrize(
        ("message", "code", "weight"),
        [
            ("VOLT 61", -222, 16),  # execution error
            ("VOLT -1", -222, 16),
            ("VOLT ABC", -104, 32),  # command error
            ("OUTP MAYBE", -224, 16),
            ("SYSTE:ERR", -113, 32),  # an in-between spelling is no spelling
        ],
    )
    def test_each_error_class_has_its_bit(
        self, dc: Talk, message: str, code: int, weight: int
    ) -> None:
        """Codes -1xx set the command error bit, codes -2xx the execution error bit."""
        supply = dc.open(SUPPLY)
        supply.write("*CLS")
        supply.write(message)

        assert supply.query("*ESR?") == str(weight)
        assert supply.query("SYST:ERR?").split(",")[0] == str(code)

    def test_a_new_message_before_the_answer_was_fetched_is_an_interrupted_query(
        self, dc: Talk
    ) -> None:
        """An answer nobody fetched is thrown away and reported as -410."""
        supply = dc.open(SUPPLY)
        supply.write("VOLT?")
        supply.write("*WAI")

        assert supply.query("SYST:ERR?").startswith("-410")

    def test_a_refused_setting_changes_nothing(self, dc: Talk) -> None:
        """A value out of range is reported and the setting stays."""
        supply = dc.open(SUPPLY)
        supply.write("VOLT 12")
        supply.write("VOLT 61")

        assert float(supply.query("VOLT?")) == 12.0


class TestCoupling:
    def test_the_meter_reads_what_the_supply_does_to_the_unit(self, dc: Talk) -> None:
        """Without supply the rail is dead; with 24 V set and the output on it stands at 5 V."""
        supply, meter = dc.open(SUPPLY), dc.open(METER)
        before_v = float(meter.query("MEAS:VOLT:DC?"))
        for message in ("VOLT 24", "CURR 1", "OUTP ON"):
            supply.write(message)
        dc.clock.sleep_s(1.0)

        assert abs(before_v) < 0.01
        assert float(meter.query("MEAS:VOLT:DC?")) == pytest.approx(5.0, rel=0.02)

    def test_the_load_moves_the_supply_s_current(self, ac: Talk) -> None:
        """A load on the output shows in the input power."""
        supply, load = ac.open(SUPPLY), ac.open(LOAD)
        for message in ("VOLT 120", "CURR 4", "FREQ 60", "OUTP ON"):
            supply.write(message)
        ac.clock.sleep_s(1.0)
        idle_w = float(supply.query("MEAS:POW?"))
        for message in ("FUNC CURR", "CURR 2.5", "INP ON"):
            load.write(message)
        ac.clock.sleep_s(1.0)

        assert float(load.query("MEAS:CURR?")) == pytest.approx(2.5, rel=0.01)
        assert float(supply.query("MEAS:POW?")) > idle_w + 55.0

    def test_with_its_input_off_a_load_takes_nothing_of_what_a_resistor_takes(
        self, ac: Talk
    ) -> None:
        """The output's current is not the load's: a resistor by hand hangs beside it."""
        supply, load, meter = ac.open(SUPPLY), ac.open(LOAD), ac.open(METER)
        ac.bench.circuit.connect_resistor(24.0)
        for message in ("VOLT 120", "CURR 4", "FREQ 60", "OUTP ON"):
            supply.write(message)
        ac.clock.sleep_s(1.0)

        assert float(load.query("MEAS:VOLT?")) == pytest.approx(24.0, rel=0.02)
        assert float(load.query("MEAS:CURR?")) == pytest.approx(0.0, abs=0.02)
        assert float(load.query("MEAS:POW?")) == pytest.approx(0.0, abs=0.5)
        assert float(meter.query("MEAS:CURR:DC?")) == pytest.approx(1.0, rel=0.02)
        for message in ("FUNC CURR", "CURR 0.5", "INP ON"):
            load.write(message)
        ac.clock.sleep_s(1.0)

        assert float(load.query("MEAS:CURR?")) == pytest.approx(0.5, rel=0.05)
        assert float(meter.query("MEAS:CURR:DC?")) == pytest.approx(1.5, rel=0.02)

    def test_a_message_costs_its_time(self, dc: Talk) -> None:
        """A setting costs 1 ms of simulated time, a measurement 8 ms more, once a message."""
        supply = dc.open(SUPPLY)
        marks = [dc.clock.now_s()]
        for act in (
            lambda: supply.write("VOLT 1"),
            lambda: supply.query("MEAS:VOLT?"),
            lambda: supply.query("MEAS:VOLT?;:MEAS:CURR?;:STAT:QUES:COND?"),
        ):
            act()
            marks.append(dc.clock.now_s())

        costs = [b - a for a, b in itertools.pairwise(marks)]
        assert costs == pytest.approx([0.001, 0.009, 0.009])

    def test_a_compound_query_answers_in_one_line(self, dc: Talk) -> None:
        """Several queries in one message come back as one line, joined by semicolons."""
        answer = dc.open(SUPPLY).query("VOLT?;:CURR?;:OUTP?")

        assert len(answer.split(";")) == 3

    def test_readings_stay_inside_the_stated_accuracy(self, dc: Talk) -> None:
        """Error and noise of a reading never leave the accuracy of the bench file."""
        supply = dc.open(SUPPLY)
        for message in ("VOLT 20", "CURR 1", "OUTP ON"):
            supply.write(message)
        dc.clock.sleep_s(1.0)
        supply.query("*OPC?")  # a message takes the circuit to the present
        bound_v = load_bench("bench-simulated-dc").supply.accuracy["voltage"].bound(20.0)

        for _ in range(200):
            true_v = dc.bench.circuit.source_voltage_v()
            assert abs(float(supply.query("MEAS:VOLT?")) - true_v) <= bound_v * 1.02

    def test_current_limit_shows_in_the_questionable_register(self, dc: Talk) -> None:
        """While the bulk capacitor is charged at the limit, the register says so."""
        supply = dc.open(SUPPLY)
        for message in ("VOLT 24", "CURR 0.05", "OUTP ON"):
            supply.write(message)

        assert int(supply.query("STAT:QUES:COND?")) & 2

    def test_the_supply_s_own_protection_switches_off(self, dc: Talk) -> None:
        """A voltage above the protection level puts the output off and sets its bit."""
        supply = dc.open(SUPPLY)
        for message in ("VOLT:PROT 10", "VOLT 5", "CURR 1", "OUTP ON", "VOLT 12"):
            supply.write(message)

        assert supply.query("OUTP?") == "0"
        assert int(supply.query("STAT:QUES:COND?")) & 1

    def test_resistance_across_a_live_rail_is_overload(self, dc: Talk) -> None:
        """A meter asked for ohms across a live output answers 9.9E37, never a value."""
        supply, meter = dc.open(SUPPLY), dc.open(METER)
        for message in ("VOLT 24", "CURR 1", "OUTP ON"):
            supply.write(message)
        dc.clock.sleep_s(1.0)

        assert float(meter.query("MEAS:RES?")) == 9.9e37

    def test_instruments_take_what_the_bench_file_says_they_can(self) -> None:
        """A larger supply in the bench file is a larger one on the bench, on thicker leads."""
        profile = load_profile("mount-controller-board")
        usual = load_bench("bench-simulated-dc")
        larger = usual.supply.model_copy(
            update={"range": Range(voltage="80 V", current="30 A", power="1 kW")}
        )
        file = usual.model_copy(update={"supply": larger})
        model, clock = typical_model(profile.unit), SimulatedClock()
        bench = SimulatedBench(model, file, clock)
        device = bench.devices[file.supply.resource]
        for message in ("VOLT 70", "CURR 25", "VOLT:PROT 85", "CURR 31", "VOLT 81"):
            device.write(message.encode() + b"\n")

        assert [float(device.ask(ask)) for ask in ("VOLT?", "CURR?", "VOLT:PROT?")] == [70, 25, 85]
        assert bench.circuit.source.wiring_ohm == pytest.approx(0.02)
        assert bench.circuit.source.output_capacitance_f == pytest.approx(660e-6)
        assert SimulatedBench(model, usual, clock).circuit.source == DC_SUPPLY

    def test_two_benches_in_one_process_do_not_meet(self) -> None:
        """What is set on one simulated bench is not seen on another."""
        one = Talk("mount-controller-board", "bench-simulated-dc")
        other = Talk("mount-controller-board", "bench-simulated-dc")
        one.open(SUPPLY).write("VOLT 24")

        assert float(other.open(SUPPLY).query("VOLT?")) == 0.0

    def test_a_unit_of_the_other_kind_is_refused(self) -> None:
        """An AC unit on a DC bench is refused."""
        unit = load_profile("dome-shutter-power-unit").unit
        with pytest.raises(Refused, match="the unit has AC input, the supply gives DC"):
            SimulatedBench(typical_model(unit), load_bench("bench-simulated-dc"), SimulatedClock())

    def test_the_case_warms_up_with_the_loss(self, ac: Talk) -> None:
        """Ten minutes at full load raise the temperature the meter reads."""
        supply, meter, load = ac.open(SUPPLY), ac.open(METER), ac.open(LOAD)
        for message in ("VOLT 120", "CURR 4", "FREQ 60", "OUTP ON"):
            supply.write(message)
        for message in ("CURR 2.5", "INP ON"):
            load.write(message)
        before_degc = float(meter.query("MEAS:TEMP?"))
        for _ in range(60):
            ac.clock.sleep_s(10.0)
            supply.query("MEAS:VOLT?")

        assert float(meter.query("MEAS:TEMP?")) > before_degc + 5.0
