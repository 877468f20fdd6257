"""The operator's prompts at a terminal, and the program's way out of them."""

from __future__ import annotations

import contextlib
import os
import queue
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from harness.cli.options import HELP
from harness.cli.prompts import TerminalOperator
from harness.errors import UsageError
from harness.run.operator import Interrupted, StopRequest

ROOT = Path(__file__).resolve().parents[2]


class Typed:
    """Lines that somebody types, one for each question."""

    def __init__(self, *lines: str | None) -> None:
        self.read: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        for line in lines:
            self.read.put(line)

    def want(self) -> None:
        """Do nothing; the line is there."""


def operator(*lines: str | None) -> TerminalOperator:
    """Return an operator who types these lines; None is the end of the input."""
    person = TerminalOperator(StopRequest())
    person._lines = Typed(*lines)  # type: ignore[assignment]
    return person


class TestScanner:
    """A scanner types the serial number and Enter, wherever the person stands."""

    @pytest.mark.parametrize(
        "lines",
        [
            ("HRW-0012",),
            ("", "HRW-0012"),
            ("", "", "\x1b[A", "HRW-0012"),
            ("yes", "N", "skip", "HRW-0012"),  # meant for another question
        ],
    )
    def test_enter_alone_is_no_serial_number(self, lines: tuple[str, ...]) -> None:
        """What is scanned is taken as it is; nothing is made up in its place."""
        assert operator(*lines).ask_serial() == "HRW-0012"

    def test_nobody_there_is_no_serial_number(self) -> None:
        """Where the input ends, there is no run."""
        with pytest.raises(UsageError, match="no serial number"):
            operator("", None).ask_serial()

    def test_a_scan_answers_no_other_question(self) -> None:
        """Each prompt asks again: a scan is neither yes, nor done, nor a value."""
        assert operator("HRW-0012", "no").confirm("Energise the unit?") is False
        assert operator("HRW-0012", "no").place_meter("fuse", "Connect it.") is False
        assert operator("HRW-0012", "no").ask_yes_no("No damage?") == (False, "")
        assert operator("HRW-0012", "skip").ask_value("Resistance?", "ohm") == (None, "")

    def test_a_drafted_unit_file_needs_one_too(self) -> None:
        """The question of `softwake new unit` has no answer that Enter would take."""
        assert "usual" not in HELP["questions"]["unit"]["serial"]


class TestWithPowerOn:
    def test_nothing_waits(self, capsys: pytest.CaptureFixture[str]) -> None:
        """Until a line is typed there is no answer, at once; the question says that power is on."""
        person = operator()
        person.ask_meanwhile("Heat sink?", "degC")

        assert person.answer() is None
        person._screen.wait(1.0)
        assert "POWER IS ON. Heat sink?" in capsys.readouterr().out

    @pytest.mark.parametrize(
        ("unit", "lines", "answer"),
        [
            ("degC", ("41",), (41.0, "")),
            ("degC", ("warm", "5 V", "41degC # left"), (41.0, "left")),
            ("uF", ("47nF",), (pytest.approx(47e-9), "")),
            (None, ("perhaps", "Yes"), (True, "")),
            ("degC", ("skip # too far away",), (None, "too far away")),
        ],
    )
    def test_an_answer_is_read(
        self, unit: str | None, lines: tuple[str | None, ...], answer: tuple[float | None, str]
    ) -> None:
        """Nonsense is no answer and is told; the next line is looked at later."""
        person = operator(*lines)
        person.ask_meanwhile("What is seen?", unit)
        told = [person.answer() for _ in lines]

        assert told[:-1] == [None] * (len(lines) - 1)
        assert told[-1] == answer

    def test_an_input_that_has_ended_gives_none_any_more(self) -> None:
        """Nobody is there: whoever holds power on for the answer is told."""
        person = operator(None)
        person.ask_meanwhile("What is seen?", "degC")
        with pytest.raises(EOFError):
            person.answer()


class TestAnswers:
    @pytest.mark.parametrize(
        ("lines", "answer"),
        [
            (("0.12 ohm",), (0.12, "")),
            (("1.5 Mohm # left cord",), (1.5e6, "left cord")),
            (("lots", "5 V", "0.12 ohm"), (0.12, "")),  # asked again until it is one
            (("0.12",), (0.12, "")),  # in the unit that was asked for
            (("",), None),  # an empty line is no answer: asked again, and then there is none
            (("skip # tester broken",), (None, "tester broken")),
            ((None,), (None, "")),
        ],
    )
    def test_a_value_has_its_unit(
        self, lines: tuple[str | None, ...], answer: tuple[float | None, str] | None
    ) -> None:
        """A value is read with its unit; nonsense is asked again, skip is no answer."""
        if answer is None:
            lines, answer = (*lines, None), (None, "")

        assert operator(*lines).ask_value("Resistance?", "ohm") == answer

    def test_nonsense_is_told_with_an_example(self, capsys: pytest.CaptureFixture[str]) -> None:
        """A value in another unit is answered with what it is and what would be right."""
        operator("300 V", None).ask_value("Insulation?", "ohm")

        assert "'300 V' is a voltage; expected a resistance" in capsys.readouterr().out

    @pytest.mark.parametrize("typed", ["47", "47 uF", "0.047 mF", "47000 nF"])
    def test_a_bare_number_is_in_the_unit_asked_for(self, typed: str) -> None:
        """Where microfarads are asked for, 47 are 47 uF, as 47 uF are."""
        assert operator(typed).ask_value("Capacitance?", "uF") == (pytest.approx(47e-6), "")

    def test_what_was_understood_is_shown(self, capsys: pytest.CaptureFixture[str]) -> None:
        """A slip of a prefix shows at once: the value is repeated as it was taken."""
        operator("0.3 Mohm").ask_value("Insulation?", "ohm")

        assert "taken as 300 kohm" in capsys.readouterr().out

    @pytest.mark.parametrize(
        ("lines", "answer"),
        [
            (("yes",), (True, "")),
            (("N # scratch",), (False, "scratch")),
            (("perhaps", "", "y"), (True, "")),
            (("skip",), (None, "")),
            ((None,), (None, "")),
        ],
    )
    def test_a_question_takes_yes_no_or_skip(
        self, lines: tuple[str | None, ...], answer: tuple[bool | None, str]
    ) -> None:
        """Anything else is asked again; the end of the input is no answer."""
        assert operator(*lines).ask_yes_no("No damage?") == answer

    def test_a_long_question_is_folded_at_words(
        self, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
    ) -> None:
        """A terminal would cut them; what belongs to a line that is set in is set in further."""
        monkeypatch.setenv("COLUMNS", "60")
        one = operator("")
        one.place_load("battery", f"First.\n  {'terminals ' * 12}")
        one.wait()

        shown = [line for line in capsys.readouterr().out.splitlines() if "terminals" in line]
        assert max(map(len, shown)) < 60
        assert all(line.strip().replace("terminals", "").split() == [] for line in shown)
        assert [len(line) - len(line.lstrip()) for line in shown[:2]] == [2, 4]

    @pytest.mark.parametrize(
        ("lines", "done"),
        [
            (("",), True),
            (("done",), True),
            (("no",), False),
            (("what", ""), True),
            ((None,), False),
        ],
    )
    def test_moving_leads_is_confirmed_by_enter(
        self, lines: tuple[str | None, ...], done: bool
    ) -> None:
        """Enter says that it is done, no that it cannot be; nobody there is a no."""
        assert operator(*lines).place_meter("fuse", "Connect the meter across the fuse.") is done
        assert operator(*lines).place_load("resistor 10 ohm", "Connect it.") is done

    @pytest.mark.parametrize(
        ("lines", "agreed"), [(("", "yes"), True), (("no",), False), ((None,), False)]
    )
    def test_going_on_needs_a_word(self, lines: tuple[str | None, ...], agreed: bool) -> None:
        """Enter alone never agrees to energise anything."""
        assert operator(*lines).confirm("Energise anyway?") is agreed

    def test_a_signal_ends_the_question(self) -> None:
        """A noted signal ends the wait for an answer within a tenth of a second or so."""
        stop = StopRequest()
        person = TerminalOperator(stop)
        person._lines = Typed()  # type: ignore[assignment]
        stop.note(signal.SIGINT)
        with pytest.raises(Interrupted):
            person.ask_yes_no("No damage?")


ASK = """
import signal, sys
from harness.cli.prompts import TerminalOperator
from harness.run.operator import Interrupted, StopRequest, stop_on_signals
stop = StopRequest()
person = TerminalOperator(stop)
with stop_on_signals(stop):
    try:
        print("got", person.ask_value("Resistance?", "ohm"), flush=True)
        print("got", person.ask_yes_no("Sure?"), flush=True)
    except Interrupted as error:
        print(error, flush=True)
        sys.exit(130)
"""


@contextlib.contextmanager
def asking(stdin: int) -> Iterator[subprocess.Popen[str]]:
    """Start a program that asks two questions."""
    process = subprocess.Popen(
        [sys.executable, "-c", ASK],
        cwd=ROOT,
        stdin=stdin,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        encoding="utf-8",
    )
    try:
        yield process
    finally:
        process.kill()
        process.communicate()


def heard(process: subprocess.Popen[str], text: str) -> None:
    """Read what the program says, up to a text."""
    assert process.stdout is not None
    said = ""
    while text not in said:
        piece = process.stdout.read(1)
        assert piece, said
        said += piece


class TestProcess:
    def test_answers_from_a_pipe_are_read_one_by_one(self) -> None:
        """Answers may come from a file; each question takes one line."""
        with asking(subprocess.PIPE) as process:
            out, err = process.communicate("0.2 ohm\nno # loose\n", timeout=20)

        assert "got (0.2, '')" in out
        assert "got (False, 'loose')" in out
        assert err == ""

    def test_the_end_of_the_input_is_no_answer(self) -> None:
        """Without anybody at the keyboard the questions end, and the program, too."""
        with asking(subprocess.PIPE) as process:
            out, err = process.communicate("", timeout=20)

        assert out.count("no answer: the input has ended") == 2
        assert err == ""

    @pytest.mark.skipif(sys.platform == "win32", reason="signals and terminals of POSIX systems")
    def test_ctrl_c_in_a_question_ends_the_program_cleanly(self) -> None:
        """SIGINT in the middle of a question ends it at once, without a traceback."""
        import pty

        ours, theirs = pty.openpty()
        try:
            with asking(theirs) as process:
                heard(process, "> ")
                process.send_signal(signal.SIGINT)
                asked_s = time.monotonic()
                out, err = process.communicate(timeout=20)
                ended_s = time.monotonic() - asked_s
        finally:
            os.close(ours)
            os.close(theirs)

        assert process.returncode == 130
        assert "stopped by SIGINT" in out
        assert err == ""
        assert ended_s < 5.0

    @pytest.mark.skipif(sys.platform == "win32", reason="terminals of POSIX systems")
    def test_what_was_typed_before_the_question_is_no_answer(self) -> None:
        """Keys pressed while nobody asked are thrown away, so that none answers by chance."""
        import pty

        ours, theirs = pty.openpty()
        os.write(ours, b"7 ohm\n")
        try:
            with asking(theirs) as process:
                heard(process, "> ")
                os.write(ours, b"0.5 ohm\n")
                heard(process, "got (0.5, '')")
        finally:
            os.close(ours)
            os.close(theirs)
