"""A look at the instruments of a bench, on simulated ones and on a peer that misbehaves."""

from __future__ import annotations

import datetime as dt
import socket
from collections.abc import Callable
from typing import Any

import pytest

from harness.api import simulated_unit
from harness.bench import selfcheck
from harness.bench.clock import SystemClock
from harness.bench.dialect import load_dialect
from harness.bench.finding import Finding, Inspection, Mark
from harness.bench.link import VisaLink, open_visa
from harness.bench.roles import Instrument
from harness.bench.selfcheck import inspect_bench
from harness.bench.trial import try_questions
from harness.errors import LinkError
from harness.profile.bench_file import BenchFile
from harness.profile.instruments import Meter as MeterTable
from harness.profile.load import load_bench, load_profile
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench

TODAY = dt.date(2026, 11, 25)
IDENTITY = "Harrow Point Workshop,PS-200,SIM-0001,1.0"

Serve = Callable[[Callable[[socket.socket], None]], int]


def changed(file: BenchFile, role: str, **values: Any) -> BenchFile:
    """Return a bench file with another value in one of its tables."""
    table = file.instruments[role].model_copy(update=values)
    return file.model_copy(update={role: table})


def by_check(inspection: Inspection) -> dict[str, Finding]:
    return {finding.check: finding for finding in inspection.findings}


@pytest.fixture
def file() -> BenchFile:
    """The simulated bench for DC units."""
    return load_bench("bench-simulated-dc")


@pytest.fixture
def simulated(file: BenchFile) -> SimulatedBench:
    """Its instruments, with a healthy unit on them."""
    unit = simulated_unit(load_profile("mount-controller-board"))
    return SimulatedBench(unit, file, SimulatedClock())


def look(file: BenchFile, simulated: SimulatedBench) -> dict[str, Inspection]:
    library = simulated.library()
    seen = inspect_bench(file, SimulatedClock(), today=TODAY, library=library)
    return {inspection.role: inspection for inspection in seen}


class TestSimulatedBench:
    def test_all_is_well(self, file: BenchFile, simulated: SimulatedBench) -> None:
        """A bench in order is in order: identity, self-test, errors, reading, calibration."""
        seen = look(file, simulated)

        assert list(seen) == ["supply", "meter", "load"]
        assert all(
            finding.mark is Mark.OK
            for inspection in seen.values()
            for finding in inspection.findings
        )
        assert [finding.check for finding in seen["supply"].findings] == [
            "identity",
            "output",
            "error queue",
            "self-test",
            "reading",
            "questions",
            "calibration",
            "accuracy",
        ]

    def test_nothing_is_set_and_nothing_is_switched(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """Everything that is sent is a question."""
        sent: list[str] = []
        for device in simulated.devices.values():
            real = device.write

            def write(message: bytes, real: Callable[[bytes], Any] = real) -> Any:
                sent.extend(message.decode().strip().split(";"))
                return real(message)

            device.write = write  # type: ignore[method-assign]

        look(file, simulated)

        assert sent
        assert [message for message in sent if not message.endswith("?")] == []

    @pytest.mark.parametrize(
        ("values", "mark", "text"),
        [
            ({"calibration_due": TODAY}, Mark.OK, "due 2026-11-25"),
            ({"calibration_due": dt.date(2026, 11, 24)}, Mark.WRONG, "overdue since 2026-11-24"),
            (
                {"calibration_due": dt.date(2026, 11, 24), "allow_overdue": True},
                Mark.NOTE,
                "overdue since 2026-11-24; the bench file allows it",
            ),
            (
                {"calibration_due": None},
                Mark.NOTE,
                "the bench file gives no date (calibration_due)",
            ),
        ],
    )
    def test_calibration_is_looked_at(
        self,
        file: BenchFile,
        simulated: SimulatedBench,
        values: dict[str, Any],
        mark: Mark,
        text: str,
    ) -> None:
        """A date that has passed is wrong, as a run would be refused; its own day still counts."""
        finding = by_check(look(changed(file, "meter", **values), simulated)["meter"])[
            "calibration"
        ]

        assert (finding.mark, finding.text) == (mark, text)

    def test_a_bench_without_accuracies_is_told(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """Without an accuracy nothing can be decided; that is a note, not a fault."""
        finding = by_check(look(changed(file, "meter", accuracy={}), simulated)["meter"])[
            "accuracy"
        ]

        assert finding.mark is Mark.NOTE

    def test_an_instrument_at_the_wrong_address_is_asked_no_more(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """Where somebody else answers, it is told and left alone."""
        seen = by_check(look(changed(file, "supply", identity="DM-60"), simulated)["supply"])

        assert seen["identity"].mark is Mark.WRONG
        assert "self-test" not in seen

    def test_exchanged_instruments_are_told(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """Where supply and meter are exchanged, the next step says so."""
        assert file.meter is not None
        exchanged = changed(file, "supply", resource=file.meter.resource)

        finding = by_check(look(exchanged, simulated)["supply"])["identity"]

        assert finding.remedy == "exchange the resources of supply and meter in the bench file"

    def test_an_output_that_is_on_is_wrong_and_not_tested(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """An output that is on is told, left on, and no self-test disturbs it."""
        device = simulated.devices[file.supply.resource]
        device.write(b"OUTP ON\n")

        seen = by_check(look(file, simulated)["supply"])

        assert seen["output"].mark is Mark.WRONG
        assert seen["self-test"].text == "left out: its output is on"
        assert simulated.circuit.source_on

    def test_old_errors_are_read_out_and_told(
        self, file: BenchFile, simulated: SimulatedBench
    ) -> None:
        """What stands in the error queue is a note: it is older than this look."""
        simulated.devices[file.supply.resource].write(b"NONSENSE 1\n")
        simulated.devices[file.supply.resource].take()

        seen = by_check(look(file, simulated)["supply"])

        assert seen["error queue"].mark is Mark.NOTE
        # -113: SCPI-1999 volume 2, 21.8.9, "Undefined header"
        assert "-113" in seen["error queue"].text
        assert seen["reading"].mark is Mark.OK


def instrument(answers: dict[str, str]) -> Callable[[socket.socket], None]:
    """Return an instrument that gives these answers, and none to other questions."""

    def behaviour(connection: socket.socket) -> None:
        for line in connection.makefile("rb"):
            answer = answers.get(line.decode().strip())
            if answer is not None:
                connection.sendall(answer.encode() + b"\n")

    return behaviour


#: A supply in order.
WELL = {
    "*IDN?": IDENTITY,
    "*OPC?": "1",
    "OUTP?": "0",
    "SYST:ERR?": '0,"No error"',
    "*TST?": "0",
    "VOLT?": "0.000",
    "CURR?": "0.1000",
    "VOLT:PROT?": "30.000",
    "MEAS:VOLT?;:MEAS:CURR?": "0.001;0.0",
}


#: A meter in order.
METER_WELL = {
    "*IDN?": "Harrow Point Workshop,DM-60,SIM-0003,1.0",
    "*OPC?": "1",
    "SYST:ERR?": '0,"No error"',
    "*TST?": "0",
    "MEAS:VOLT:DC?": "0.001",
    "MEAS:VOLT:AC?": "0.001",
    "MEAS:CURR:DC?": "0.0",
    "MEAS:RES?": "9.9E37",
    "MEAS:TEMP?": "23.0",
}


def bench_at(resource: str, **values: Any) -> BenchFile:
    supply = {
        "kind": "dc",
        "resource": resource,
        "dialect": "scpi-dc-supply",
        "timeout": "200 ms",
        **values,
    }
    return BenchFile.model_validate({"name": "bench", "visa": "@py", "supply": supply})


def look_at(port: int) -> dict[str, Finding]:
    file = bench_at(f"TCPIP0::127.0.0.1::{port}::SOCKET")
    [inspection] = inspect_bench(file, SystemClock(), today=TODAY)
    return by_check(inspection)


def meter_at(port: int) -> Instrument:
    table = MeterTable.model_validate(
        {"resource": f"TCPIP0::127.0.0.1::{port}::SOCKET", "dialect": "scpi-meter"}
    )
    dialect = load_dialect("scpi-meter")
    link = VisaLink(open_visa("@py"), "meter", table, dialect)
    return Instrument(link, dialect, SystemClock())


class TestMisbehaviour:
    def test_a_peer_in_order_is_well(self, peer: Serve) -> None:
        """The answers the other tests spoil are well as they are."""
        seen = look_at(peer(instrument(WELL)))

        assert [each for each in seen.values() if each.mark is Mark.WRONG] == []

    @pytest.mark.parametrize(
        ("question", "answer", "check", "text"),
        [
            ("*TST?", "3", "self-test", "failed with 3"),
            ("*TST?", "fine", "self-test", "'fine' is not a number, and holds none"),
            ("VOLT?", "VOLT 0.000", "questions", "'VOLT 0.000' is not a number alone at 'VOLT?'"),
            ("OUTP?", "2", "output", "'2' is neither 0 nor 1 at 'OUTP?'"),
            ("SYST:ERR?", "-100,x", "error queue", "its error queue does not run empty"),
            ("SYST:ERR?", "none", "error queue", "'none' is no entry of an error queue"),
            # overload, SCPI-1999 volume 1, 7.2.1.4
            (
                "MEAS:VOLT?;:MEAS:CURR?",
                "9.9E37;0",
                "reading",
                "the instrument answered overload",
            ),
            ("*IDN?", "HTTP/1.1 400 Bad Request", "identity", "does not say what it is"),
            ("*IDN?", "*IDN?", "identity", "it sends the message back: an echo"),
            ("*IDN?", "", "identity", "its answer is empty"),
        ],
    )
    def test_each_wrong_answer_is_told_where_it_was_given(
        self, peer: Serve, question: str, answer: str, check: str, text: str
    ) -> None:
        """An answer that cannot be right is wrong at its own check; the others go on."""
        seen = look_at(peer(instrument({**WELL, question: answer})))

        assert seen[check].mark is Mark.WRONG
        assert text in seen[check].text

    def test_a_missed_answer_costs_only_its_own_check(self, peer: Serve) -> None:
        """After a question without an answer the conversation starts over."""
        silent_once = {name: each for name, each in WELL.items() if name != "OUTP?"}

        seen = look_at(peer(instrument(silent_once)))

        assert seen["output"].mark is Mark.WRONG
        assert seen["output"].text == "no answer in time at 'OUTP?'"
        assert seen["self-test"].mark is Mark.OK

    def test_a_greeting_is_told_as_one(self, peer: Serve) -> None:
        """Words in the place of an identity may be a greeting, for which a dialect has a line."""
        finding = look_at(peer(instrument({**WELL, "*IDN?": "Welcome"})))["identity"]

        assert finding.remedy.startswith("if this is a greeting, its dialect must say so")

    @pytest.mark.parametrize(("question", "mark"), [("*IDN?", Mark.WRONG), ("ID", Mark.NOTE)])
    def test_an_identity_of_its_own_is_taken_as_it_is(self, question: str, mark: Mark) -> None:
        """IEEE 488.2 says what `*IDN?` is answered; letters are answered as they are."""
        file = bench_at("TCPIP0::127.0.0.1::1::SOCKET")

        assert selfcheck._identity(file, "supply", "PS200", question).mark is mark

    def test_the_line_for_its_dialect_stands_by_itself(self, peer: Serve) -> None:
        """What the dialect must say is a line to copy."""
        seen = look_at(peer(instrument({**WELL, "CURR?": "0.1 A"})))

        assert seen["questions"].write == ('current_limit_setting = "{value} A"',)

    def test_an_operation_that_is_never_complete_is_a_note(self, peer: Serve) -> None:
        """`*OPC?` is asked in the bench check alone (IEEE 488.2, 10.19): no run needs it."""
        seen = look_at(peer(instrument({**WELL, "*OPC?": "busy"})))

        assert (seen["questions"].mark, seen["questions"].text) == (
            Mark.NOTE,
            "'busy' is not a number, and holds none apart at '*OPC?'",
        )

    def test_what_no_run_needs_for_sure_is_a_note(self, peer: Serve) -> None:
        """A meter that cannot do all its dialect asks can still serve runs that do not ask it."""
        port = peer(instrument({**METER_WELL, "MEAS:TEMP?": "23 C"}))
        supply = peer(instrument(WELL))
        file = BenchFile.model_validate(
            {
                "name": "bench",
                "visa": "@py",
                "supply": {
                    "kind": "dc",
                    "resource": f"TCPIP0::127.0.0.1::{supply}::SOCKET",
                    "dialect": "scpi-dc-supply",
                },
                "meter": {
                    "resource": f"TCPIP0::127.0.0.1::{port}::SOCKET",
                    "dialect": "scpi-meter",
                },
            }
        )

        [_, inspection] = inspect_bench(file, SystemClock(), today=TODAY)
        finding = by_check(inspection)["questions"]

        assert (finding.mark, finding.write) == (
            Mark.NOTE,
            ('measure_temperature = "{value} C"',),
        )
        assert inspection.well

    def test_an_ohmmeter_across_a_voltage_is_not_tried(self, peer: Serve) -> None:
        """Where the meter reads a voltage, nothing asks it for a resistance."""
        asked: list[str] = []
        answers = {**METER_WELL, "MEAS:VOLT:DC?": "311.0"}

        def behaviour(connection: socket.socket) -> None:
            for line in connection.makefile("rb"):
                asked.append(line.decode().strip())
                connection.sendall(answers[asked[-1]].encode() + b"\n")

        meter = meter_at(peer(behaviour))
        assert try_questions(meter, ("measure_resistance", "measure_voltage_dc")) == ()
        meter.link.close()

        assert "MEAS:RES?" not in asked

    def test_an_instrument_that_is_not_there_is_searched_for(self) -> None:
        """A link that cannot be opened names the cause and the next step."""
        with socket.create_server(("127.0.0.1", 0)) as server:
            port = server.getsockname()[1]

        seen = look_at(port)

        assert seen["link"].mark is Mark.WRONG
        assert "is closed" in seen["link"].text
        assert seen["link"].remedy

    def test_a_library_that_is_not_there_ends_the_look(self) -> None:
        """Without its VISA library a bench cannot be looked at; the next step stands with it."""
        file = bench_at("GPIB0::5::INSTR").model_copy(update={"visa": "@nowhere"})

        with pytest.raises(LinkError) as caught:
            next(inspect_bench(file, SystemClock(), today=TODAY))

        assert str(caught.value).endswith('visa = "@py"')
