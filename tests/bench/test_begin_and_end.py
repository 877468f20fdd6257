"""What a dialect says first and last, and that nothing else comes before or after it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

import harness
from harness.bench.dialect import Dialect, load_dialect
from harness.bench.roles import Instrument
from harness.errors import LinkError, LinkTimeout, ReportedError
from harness.power.commands import Arm, SwitchOn
from harness.power.trip import Tripped

if TYPE_CHECKING:
    from tests.power.conftest import Wire

FIRST, LAST = ["SYST:REM", "INST:NSEL 2"], ["SYST:LOC"]
#: All of it: the queue is emptied, and asked again afterwards.
BEGIN = ["SYST:ERR?", *FIRST, "SYST:ERR?"]


def dialect(name: str = "scpi-dc-supply") -> Dialect:
    data = load_dialect(name).model_dump(by_alias=True, exclude={"link"})
    return Dialect.model_validate({**data, "begin": {"send": FIRST}, "end": {"send": LAST}})


@pytest.fixture
def chosen(wire: Wire) -> Wire:
    """The bench with a supply that has a channel chosen first."""
    wire.host._instruments = {  # type: ignore[misc]
        **wire.host._instruments,
        "supply": Instrument(wire.supply, dialect(), wire.clock),
    }
    return wire


def fails_once(wire: Wire, question: str, error: LinkError) -> None:
    """Let the supply fail once at a question, then answer as before."""
    before = wire.supply.answers[question]

    def answer() -> str:
        wire.supply.answers[question] = before
        raise error

    wire.supply.answers[question] = answer


class TestBegin:
    def test_it_comes_before_anything_else(self, wire: Wire) -> None:
        """The first message waits for it; the next ones do not."""
        supply = Instrument(wire.supply, dialect(), wire.clock)

        supply.identify()
        supply.sample()

        assert wire.supply.messages == [*BEGIN, "*IDN?", "MEAS:VOLT?;:MEAS:CURR?"]

    def test_it_is_said_again_with_each_opening(self, wire: Wire) -> None:
        """A link that was opened again begins again, whatever is sent next."""
        supply = Instrument(wire.supply, dialect(), wire.clock)
        supply.identify()
        wire.supply.messages.clear()

        supply.reopen()
        supply.send("output_off")

        assert wire.supply.messages == [*BEGIN, "OUTP OFF"]

    def test_its_errors_are_told_and_nothing_is_sent(self, wire: Wire) -> None:
        """Where the channel was not chosen, no message goes out, then or later."""
        queue: list[str] = []
        wire.supply.answers["SYST:ERR?"] = lambda: queue.pop() if queue else '0,"No error"'
        write = wire.supply.write

        def refuse(message: str) -> None:
            write(message)
            if message.startswith("INST"):
                queue.append('-222,"Data out of range"')

        wire.supply.write = refuse  # type: ignore[method-assign]
        supply = Instrument(wire.supply, dialect(), wire.clock)

        for _ in range(2):
            with pytest.raises(ReportedError, match=r"-222 Data out of range.*\[begin\]"):
                supply.send("output_off")
        assert "OUTP OFF" not in wire.supply.messages

    def test_old_errors_are_not_its_own(self, wire: Wire) -> None:
        """What stood in the queue before is emptied, and hinders nothing."""
        queue = ['-410,"Query INTERRUPTED"']
        wire.supply.answers["SYST:ERR?"] = lambda: queue.pop() if queue else '0,"No error"'

        Instrument(wire.supply, dialect(), wire.clock).send("output_off")

        assert wire.supply.messages[-1] == "OUTP OFF"

    def test_after_a_lost_link_off_reaches_the_chosen_channel(self, chosen: Wire) -> None:
        """Output off goes out at once as it is, then again, after the beginning of a new link."""
        chosen.host.command(Arm(2.4, 0.3))
        chosen.host.command(SwitchOn())
        chosen.supply.messages.clear()
        fails_once(chosen, "MEAS:VOLT?;:MEAS:CURR?", LinkTimeout("no answer", instrument="supply"))

        with pytest.raises(Tripped):
            chosen.host.sample()

        assert chosen.supply.messages == [
            "MEAS:VOLT?;:MEAS:CURR?",
            "OUTP OFF",
            *BEGIN,
            "OUTP OFF",
            "OUTP?",
        ]

    def test_every_reopening_goes_through_the_instrument(self) -> None:
        """Nobody opens a link again past the instrument, which knows what has to be said first.

        Others are no way past it: a log passes it on, and who probes knows no dialect yet.
        """
        folder = Path(harness.__file__).parent
        past = {
            path.name
            for path in folder.rglob("*.py")
            if re.search(r"link\.reopen\(", path.read_text(encoding="utf-8"))
        }

        assert past == {"conversation.py", "logged_link.py", "probe.py"}


class TestEnd:
    @pytest.mark.parametrize(("state", "said"), [("0", LAST), ("1", [])])
    def test_never_before_output_off_is_confirmed(
        self, wire: Wire, state: str, said: list[str]
    ) -> None:
        """The output is asked first: where it is on, the front panel is not given back."""
        supply = Instrument(wire.supply, dialect(), wire.clock)
        supply.identify()
        wire.supply.answers["OUTP?"] = lambda: state
        wire.supply.messages.clear()

        supply.take_leave()

        assert wire.supply.messages == ["OUTP?", *said]

    def test_nothing_is_said_without_an_answer(self, wire: Wire) -> None:
        """A supply that does not say that it is off is left as it is, and nothing is raised."""
        supply = Instrument(wire.supply, dialect(), wire.clock)
        supply.identify()

        def silent() -> str:
            raise LinkTimeout("no answer in time", instrument="supply")

        wire.supply.answers["OUTP?"] = silent
        supply.take_leave()

        assert wire.supply.messages[-1] == "OUTP?"

    def test_a_conversation_that_never_began_has_no_end(self, wire: Wire) -> None:
        """Where nothing was said, nothing is taken back."""
        Instrument(wire.supply, dialect(), wire.clock).take_leave()

        assert wire.supply.messages == []

    def test_a_meter_needs_no_confirmation(self, wire: Wire) -> None:
        """What cannot energise is left at once."""
        meter = Instrument(wire.load, dialect("scpi-meter"), wire.clock)
        meter.identify()
        wire.load.messages.clear()

        meter.take_leave()

        assert wire.load.messages == LAST
