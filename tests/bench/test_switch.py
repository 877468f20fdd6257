"""A switch as a dialect: in SCPI, in letters without a name, and what is wrong with one."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest

from harness.bench.dialect import load_dialect
from harness.bench.roles import Instrument
from harness.bench.selfcheck import inspect_bench
from harness.errors import FileError, NoReading
from harness.profile.bench_file import BenchFile
from harness.profile.load import load_bench, load_profile
from harness.rehearse.clock import SimulatedClock
from harness.rehearse.simulated_bench import SimulatedBench
from harness.rehearse.unit_model import typical_model
from tests.markdown import fenced, named_files
from tests.power.conftest import WireLink
from tests.run.test_switch import with_switch

PAGE = (Path(__file__).parents[2] / "docs" / "files-by-hand.md").read_text(encoding="utf-8")


class Board(WireLink):
    """A relay board that knows three messages of letters, and no other."""

    closed = False

    def write(self, message: str) -> None:
        """Close or open."""
        assert message in {"A1", "A0"}
        self.closed = message == "A1"
        super().write(message)

    def query(self, message: str) -> str:
        """Tell which."""
        assert message == "A?"
        return f"A:{int(self.closed)}"


@pytest.fixture
def board(tmp_path: Path) -> tuple[Board, Instrument]:
    """The relay board of the guide behind its dialect."""
    text = named_files("files-by-hand", tuple(fenced(PAGE)))["relay-board.toml"]
    path = tmp_path / "relay-board.toml"
    path.write_text(text, encoding="utf-8")
    clock = SimulatedClock()
    link = Board("switch (wire)", clock)
    return link, Instrument(link, load_dialect(str(path)), clock)


class TestLetters:
    def test_it_closes_opens_and_tells(self, board: tuple[Board, Instrument]) -> None:
        """The guide's dialect drives a board of letters, header and all."""
        link, instrument = board
        states = []
        for operation in ("contact_close", "contact_open"):
            instrument.send(operation)
            states.append((link.closed, instrument.state("contact_state")))

        assert states == [(True, True), (False, False)]

    def test_it_need_not_say_its_name(self, board: tuple[Board, Instrument]) -> None:
        """A board without a name is identified as nothing, and is not asked for one later."""
        _, instrument = board

        assert instrument.identify_and_clear() == ""
        instrument.check_in_sync()

    def test_what_is_no_state_is_no_reading(self, board: tuple[Board, Instrument]) -> None:
        """An answer of another form is never taken for open."""
        link, instrument = board
        link.query = lambda _: "0"  # type: ignore[method-assign]

        with pytest.raises(NoReading):
            instrument.state("contact_state")


class TestMistakes:
    def test_what_a_switch_needs_is_told_with_an_example(self, tmp_path: Path) -> None:
        """All that is missing at once; and the beginning of a conversation closes nothing."""
        path = tmp_path / "switch.toml"
        path.write_text(
            'name = "mine"\nrole = "switch"\n'
            'begin = { send = ["ROUT:CLOS (@1)"] }\n'
            '[send]\ncontact_close = "ROUT:CLOS (@1)"\n'
            '[sample]\nask = "ROUT:CLOS? (@1)"\nanswer = ["voltage"]\n',
            encoding="utf-8",
        )
        with pytest.raises(FileError) as caught:
            load_dialect(str(path))

        told = str(caught.value)
        assert "a switch cannot do without contact_open" in told
        assert 'contact_state = "ROUT:CLOS? (@1)"' in told
        assert "holds the message of contact_close: that is the keeper's" in told
        assert "a switch reads nothing: leave this table out" in told

    def test_a_switch_has_no_accuracy(self) -> None:
        """What reads nothing is exact for nothing."""
        with pytest.raises(ValueError, match="a switch reads nothing"):
            with_switch(load_bench("bench-simulated-dc"), accuracy={"voltage": "1 mV"})


class TestBenchCheck:
    @pytest.fixture
    def file(self) -> BenchFile:
        """The simulated bench with a switch."""
        return with_switch(load_bench("bench-simulated-dc"), identity="SU-8")

    @pytest.mark.parametrize(
        ("closed", "told"),
        [(False, "open"), (True, "closed; a run opens it before anything else")],
    )
    def test_it_says_how_the_contact_stands(self, file: BenchFile, closed: bool, told: str) -> None:
        """The check asks and moves nothing; calibration and accuracy are no questions here."""
        clock = SimulatedClock()
        unit = typical_model(load_profile("mount-controller-board").unit)
        simulated = SimulatedBench(unit, file, clock)
        simulated.welded = closed
        library = simulated.library()

        *_, found = inspect_bench(file, clock, today=dt.date(2026, 11, 25), library=library)

        assert found.role == "switch"
        assert found.well
        findings = {each.check: each.text for each in found.findings}
        assert findings["contact"] == told
        assert not {"reading", "calibration", "accuracy"} & findings.keys()
