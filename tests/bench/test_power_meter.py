"""A power meter as a dialect: a numbered list set up once, then one question for all."""

from __future__ import annotations

from pathlib import Path
from typing import ClassVar

import pytest

from harness.bench.dialect import load_dialect
from harness.bench.roles import Instrument
from harness.bench.trial import SAMPLE, try_questions
from harness.errors import FileError
from harness.rehearse.clock import SimulatedClock
from tests.markdown import fenced, named_files
from tests.power.conftest import WireLink

PAGE = (Path(__file__).parents[2] / "docs" / "files-by-hand.md").read_text(encoding="utf-8")


class Listed(WireLink):
    """A power meter that answers what its list holds, in the order of the list."""

    VALUES: ClassVar = {"V": "120.01", "A": "0.1832", "W": "12.41"}

    def __init__(self, clock: SimulatedClock) -> None:
        super().__init__("power_meter (wire)", clock)
        self.items: dict[int, str] = {}

    def write(self, message: str) -> None:
        """Set the list up."""
        super().write(message)
        if message.startswith("LIST:ITEM"):
            number, _, item = message.removeprefix("LIST:ITEM").partition(" ")
            self.items[int(number)] = item

    def query(self, message: str) -> str:
        """Answer what the list holds."""
        if message != "LIST?":
            return super().query(message)
        self.messages.append(message)
        return ",".join(self.VALUES[item] for _, item in sorted(self.items.items()))


@pytest.fixture
def listed(tmp_path: Path) -> tuple[Listed, Instrument]:
    """The power meter of the guide behind its dialect."""
    path = tmp_path / "listed-power-meter.toml"
    text = named_files("files-by-hand", tuple(fenced(PAGE)))[path.name]
    path.write_text(text, encoding="utf-8")
    clock = SimulatedClock()
    link = Listed(clock)
    return link, Instrument(link, load_dialect(str(path)), clock)


class TestList:
    def test_all_comes_with_one_question(self, listed: tuple[Listed, Instrument]) -> None:
        """The list is set up once, and each reading is one round trip."""
        link, instrument = listed

        for _ in range(2):
            values = instrument.read("voltage", "current", "power")

        assert values == {"voltage": 120.01, "current": 0.1832, "power": 12.41}
        assert link.messages.count("LIST:ITEM1 V") == 1
        assert link.messages[-2:] == ["LIST?", "LIST?"]

    def test_one_of_them_by_itself(self, listed: tuple[Listed, Instrument]) -> None:
        """The same question, and the part that is asked for."""
        assert listed[1].read("current") == {"current": 0.1832}

    def test_after_a_lost_link_the_list_is_set_up_again(
        self, listed: tuple[Listed, Instrument]
    ) -> None:
        """An instrument that was switched off and on has forgotten it."""
        link, instrument = listed
        instrument.read("voltage", "current", "power")
        link.items.clear()

        instrument.reopen()

        assert instrument.read("voltage", "current", "power")["power"] == 12.41


class TestBeforePower:
    @pytest.fixture
    def meter(self) -> tuple[WireLink, Instrument]:
        """A power meter in SCPI, with no power to measure."""
        clock = SimulatedClock()
        link = WireLink("power_meter (wire)", clock)
        link.answers["MEAS:VOLT?;:MEAS:CURR?;:MEAS:POW?"] = lambda: "0.01;0.0;0.0"
        link.answers |= dict.fromkeys(("MEAS:POW:PFAC?", "MEAS:FREQ?"), lambda: "9.91E37")
        return link, Instrument(link, load_dialect("scpi-power-meter"), clock)

    def test_a_factor_of_no_power_is_no_mistake(self, meter: tuple[WireLink, Instrument]) -> None:
        """Not-a-number is right where nothing flows."""
        asked = (SAMPLE, "measure_power_factor", "measure_frequency")

        assert try_questions(meter[1], asked) == ()

    @pytest.mark.parametrize("answer", ["none", "0.0 PF", ""])
    def test_what_cannot_be_read_is_told(
        self, meter: tuple[WireLink, Instrument], answer: str
    ) -> None:
        """An answer that is neither a number nor its marker is refused before power."""
        meter[0].answers["MEAS:POW:PFAC?"] = lambda: answer

        assert len(try_questions(meter[1], ("measure_power_factor",))) == 1

    def test_power_that_is_no_number_is_told(self, meter: tuple[WireLink, Instrument]) -> None:
        """Of what is held against the envelope each must be a number, with power or without."""
        meter[0].answers["MEAS:VOLT?;:MEAS:CURR?;:MEAS:POW?"] = lambda: "0.01;0.0;9.91E37"

        assert len(try_questions(meter[1], (SAMPLE,))) == 1


def test_a_sample_without_power_is_none(tmp_path: Path) -> None:
    """What a power meter's sample must hold is told with an example."""
    path = tmp_path / "mine.toml"
    path.write_text(
        'name = "mine"\nrole = "power_meter"\n'
        '[ask]\nidentify = "*IDN?"\nmeasure_voltage = "V?"\nmeasure_current = "A?"\n'
        'measure_power = "W?"\n[sample]\nask = "V?;A?"\nanswer = ["voltage", "current"]\n',
        encoding="utf-8",
    )
    with pytest.raises(FileError) as caught:
        load_dialect(str(path))

    assert "a power meter's sample cannot do without power" in str(caught.value)
    assert 'answer = ["voltage", "current", "power"]' in str(caught.value)
