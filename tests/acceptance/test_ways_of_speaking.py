"""Whole runs with instruments that speak otherwise than SCPI-1999 in short form.

Each dialect is one that ``docs/own-instrument.md`` shows, and its partner on the wire was written
from the words of that page, not from the product. What the partners say is invented; that
instruments speak in such ways is common practice.
"""

from __future__ import annotations

import contextlib
import os
import signal
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any, TypeVar

import pytest

from tests.markdown import fenced, named_files
from tests.outside.partner import OutsideBench
from tests.outside.runs import TWO, Ended, Running, profile_text
from tests.outside.tongue import Rule, SerialTongue, Tongue
from tests.repeats import repeats

TongueT = TypeVar("TongueT")

#: Real instruments are no quicker, and a run that is read without a rest keeps two cores busy.
LATENCY_S = 0.003

PAGE = (Path(__file__).parents[2] / "docs" / "own-instrument.md").read_text(encoding="utf-8")
FILES = named_files("own-instrument", tuple(fenced(PAGE)))


def says(*messages: str) -> Callable[..., Sequence[str]]:
    """Return what a message means: these, with its numbers in the braces."""
    return lambda *groups: [message.format(*groups) for message in messages]


def number(pattern: str, scale: float, message: str) -> Rule:
    """Return the rule for a setting in counts."""
    return Rule(pattern, lambda counts: [message.format(int(counts) * scale)])


def on(answer: str) -> bool:
    assert answer in {"0", "1"}
    return answer == "1"


CLEAR, ERROR, IDENTITY, READ = "*CLS", "SYST:ERR?", "*IDN?", ("MEAS:VOLT?", "MEAS:CURR?")

#: Speaks in words, answers everything at once.
WORDS = [
    Rule(r"\*IDN\?", says(IDENTITY), lambda said: said),
    Rule("CLEAR", says(CLEAR)),
    Rule(r"ERR\?", says(ERROR), lambda said: said),
    Rule(r"SET:V (\d+\.\d{3})", says("VOLT {}")),
    Rule(r"SET:I (\d+\.\d{4})", says("CURR {}")),
    Rule(r"SET:V\?", says("VOLT?"), lambda volts: f"{float(volts):.3f} V"),
    Rule(r"SET:I\?", says("CURR?"), lambda amps: f"{float(amps):.4f} A"),
    Rule("OUT (ON|OFF)", says("OUTP {}")),
    Rule(r"OUT\?", says("OUTP?"), lambda state: "OUT ON" if on(state) else "OUT OFF"),
    Rule(r"READ\?", says(*READ), lambda v, a: f"{float(v):.3f}V  {float(a):.4f}A CV"),
]

#: Counts in thousandths of a volt and tenths of a milliampere; bit 64 of its register means off.
COUNTS = [
    Rule(r"ID\?", says(IDENTITY), lambda said: said),
    Rule("CLR", says(CLEAR)),
    Rule(r"ERR\?", says(ERROR), lambda said: said),
    number(r"VOLT(\d{5})", 1e-3, "VOLT {:.3f}"),
    number(r"CURR(\d{5})", 1e-4, "CURR {:.4f}"),
    Rule(r"VOLT\?", says("VOLT?"), lambda volts: f"{round(float(volts) * 1e3):05d}"),
    Rule(r"CURR\?", says("CURR?"), lambda amps: f"{round(float(amps) * 1e4):05d}"),
    Rule("OUT0", says("OUTP ON")),
    Rule("OUT1", says("OUTP OFF")),
    Rule(r"STAT\?", says("OUTP?"), lambda state: "01" if on(state) else "41"),
    Rule(
        r"GET\?",
        says(*READ),
        lambda v, a: f"{round(float(v) * 1e3):05d},{round(float(a) * 1e4):05d},7",
    ),
]


_CHOSEN = {"remote": "SYST:REM", "channel": "2"}


class TwoChannels(Tongue):
    """Each connection begins in local control with the first channel, on which nothing hangs.

    Attributes:
        astray: Messages that reached the first channel, or came in local control.
        locked: Whether somebody switched remote control on and nobody gave it back.
    """

    def __init__(self, *arguments: Any, **keys: Any) -> None:
        super().__init__(*arguments, **keys)
        self.astray: list[str] = []
        self.locked = False

    def takes(self, text: str, known: dict[str, str]) -> bool:
        """Take what reaches the second channel in remote control."""
        if text in {"SYST:REM", "SYST:LOC"}:
            known["remote"] = text
            self.locked = text == "SYST:REM"
        elif text == "INST:NSEL 2":
            known["channel"] = "2"
        elif not (text.startswith("*") or text == "SYST:ERR?" or known == _CHOSEN):
            self.astray.append(text)
            return False
        return True


#: Plain SCPI, once the channel is chosen.
PLAIN = [
    Rule("SYST:REM|SYST:LOC|INST:NSEL 2", says()),
    Rule(r"(.*\?)", says("{}"), lambda said: said),
    Rule("(.*)", says("{}")),
]


def okay(*_: str) -> str:
    return "OK"


#: One message sets both; each that is no question is acknowledged.
APPLY = [
    Rule(r"\*IDN\?", says(IDENTITY), lambda said: said),
    Rule(r"APPL P1,(\d+\.\d{3}),(\d+\.\d{4})", says("VOLT {0};:CURR {1}"), okay),
    Rule(r"APPL\? P1", says("VOLT?", "CURR?"), lambda v, a: f"{float(v):.3f},{float(a):.4f}"),
    Rule("OUT P1,(ON|OFF)", says("OUTP {}"), okay),
    Rule(r"OUT\? P1", says("OUTP?"), lambda state: "ON" if on(state) else "OFF"),
    Rule(r"MEAS\? P1", says(*READ), lambda v, a: f"{float(v):.3f},{float(a):.4f}"),
]


class Configured(Tongue):
    """A meter that reads what it was configured for, and nothing before that."""

    def takes(self, text: str, known: dict[str, str]) -> bool:
        """Take a reading once it is configured."""
        known["for"] = text if text.startswith("CONF") else known.get("for", "")
        return text != "READ?" or known["for"].startswith("CONF:VOLT:DC")


#: Reads direct voltage alone.
METER = [
    Rule(r"CONF:VOLT:DC 100;:VOLT:DC:NPLC 1", says()),
    Rule(r"READ\?", says("MEAS:VOLT:DC?"), lambda said: said),
    *PLAIN[1:],
]


class Slow(SerialTongue):
    """Misses what comes sooner than half its rest after the message before.

    The other half is for this machine. Attributes:
        early: What it missed, with the message before.
    """

    def __init__(self, *arguments: Any, **keys: Any) -> None:
        super().__init__(*arguments, **keys)
        self.early: list[tuple[str, str]] = []
        self._ready_s = 0.0

    def takes(self, text: str, known: dict[str, str]) -> bool:
        """Take what comes late enough."""
        now_s = time.monotonic()
        ready, self._ready_s = now_s >= self._ready_s, now_s + 0.025
        if not ready:
            self.early.append((known.get("last", ""), text))
        known["last"] = text
        return ready


#: Letters without a terminator; a state that is one raw byte, of whose bits 64 is the output.
LETTERS = [
    Rule("ID", says(IDENTITY), lambda said: said),
    Rule(r"V1:(\d+\.\d\d)", says("VOLT {}")),
    Rule(r"I1:(\d+\.\d{3})", says("CURR {}")),
    Rule(r"V1\?", says("VOLT?"), lambda volts: f"{float(volts):05.2f}"),
    Rule(r"I1\?", says("CURR?"), lambda amps: f"{float(amps):.3f}"),
    Rule("OUT1", says("OUTP ON")),
    Rule("OUT0", says("OUTP OFF")),
    Rule(r"ST\?", says("OUTP?"), lambda state: chr(128 + 64 * on(state))),
    Rule(r"VO\?", says("MEAS:VOLT?"), lambda volts: f"{float(volts):06.3f}"),
    Rule(r"IO\?", says("MEAS:CURR?"), lambda amps: f"{float(amps):07.4f}"),
]


@contextlib.contextmanager
def running(
    folder: Path,
    dialect: str,
    rules: Sequence[Rule],
    profile: str = profile_text(load=False, levels=TWO),
    config: dict[str, Any] | None = None,
    kind: Callable[..., TongueT] = Tongue,  # type: ignore[assignment]
    role: str = "supply",
    **way: Any,
) -> Iterator[tuple[Running, OutsideBench, TongueT]]:
    """Run a profile with a supply that speaks so, in the dialect that the page shows."""
    folder.mkdir(parents=True, exist_ok=True)
    (folder / dialect).write_text(FILES[dialect], encoding="utf-8")
    config = {"load": False, "latency_s": LATENCY_S, **(config or {})}
    outside = OutsideBench(folder, config, dialects={role: dialect})
    with outside as bench, kind(bench.ports[role], rules, **way) as tongue:
        text = bench.file.read_text(encoding="utf-8")
        text = text.replace(f"TCPIP0::127.0.0.1::{bench.ports[role]}::SOCKET", tongue.resource)
        bench.file.write_text(text, encoding="utf-8")
        with Running(bench, profile) as now:
            yield now, bench, tongue


def run(
    folder: Path, dialect: str, rules: Sequence[Rule], **keys: Any
) -> tuple[Ended, OutsideBench, Any]:
    """Run it to its end."""
    with running(folder, dialect, rules, **keys) as (now, bench, tongue):
        ended = now.end()
    return ended, bench, tongue


class TestAnswers:
    """An answer is taken apart as the dialect says, from the first question to the release."""

    @pytest.mark.parametrize(
        ("dialect", "rules", "ends"),
        [("word-supply.toml", WORDS, b"\n"), ("counting-supply.toml", COUNTS, b"\r")],
    )
    def test_a_healthy_unit_is_released(
        self, tmp_path: Path, dialect: str, rules: list[Rule], ends: bytes
    ) -> None:
        """A whole run passes, and nothing is said that the instrument does not know."""
        ended, bench, tongue = run(tmp_path, dialect, rules, ends=ends)

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert tongue.strange == []
        assert bench.was_on
        assert not bench.left_on

    @pytest.mark.parametrize(
        ("dialect", "rules", "ends", "off"),
        [
            ("word-supply.toml", WORDS, b"\n", "OUT OFF"),
            ("counting-supply.toml", COUNTS, b"\r", "OUT1"),
        ],
    )
    def test_a_short_is_cut(
        self, tmp_path: Path, dialect: str, rules: list[Rule], ends: bytes, off: str
    ) -> None:
        """A shorted unit trips, and output off follows the reading that shows it at once."""
        short = {"name": "short-circuit"}
        ended, bench, tongue = run(
            tmp_path, dialect, rules, config={"misbehaviours": [short]}, ends=ends
        )

        assert ended.code == 3, ended.screen
        assert not bench.left_on
        readings = [n for n, said in enumerate(tongue.messages) if said in {"READ?", "GET?"}]
        lasts = [n for n in readings if off in tongue.messages[n + 1 : n + 2]]
        assert lasts, tongue.messages[-12:]

    @pytest.mark.parametrize(
        ("said", "word"),
        repeats(
            [
                ("12.000V 0.3000A HOT", "HOT"),
                ("12.000mV 0.3000A CV", "does not look like"),
                ("12.000V 0.3000A", "3 answers"),
            ]
        ),
    )
    def test_another_form_is_refused_before_power(
        self, tmp_path: Path, said: str, word: str
    ) -> None:
        """What the dialect does not name, a word, unit or number of parts, is told before power."""
        others = [rule for rule in WORDS if not rule.pattern.startswith("READ")]
        rules = [*others, Rule(r"READ\?", says(), lambda: said)]

        ended, bench, _ = run(tmp_path, "word-supply.toml", rules)

        assert ended.code == 5, ended.screen
        assert said in ended.screen or word in ended.screen
        assert not bench.was_on


CHOSEN = "chosen-channel-supply.toml"


class TestBeginAndEnd:
    """What is said once comes first with each opening, and last once the output is off."""

    def ends_well(self, tongue: TwoChannels, bench: OutsideBench) -> None:
        """Nothing went astray, power is off, and the front panel was given back after that."""
        assert tongue.strange == []
        assert tongue.astray == []
        assert not bench.left_on
        assert not tongue.locked
        off_s = bench.events("power", on=False)[-1]["t"]
        assert tongue.heard[-1][1] == "SYST:LOC"
        assert tongue.heard[-1][0] > off_s
        assert tongue.messages[-2] == "OUTP?"

    def test_a_healthy_unit_is_released(self, tmp_path: Path) -> None:
        """A channel that is chosen once serves a whole run; in the end the panel is free."""
        ended, bench, tongue = run(tmp_path, CHOSEN, PLAIN, kind=TwoChannels)

        assert (ended.code, ended.released) == (0, True), ended.screen
        self.ends_well(tongue, bench)

    def test_after_a_trip_too(self, tmp_path: Path) -> None:
        """A run that is cut gives the front panel back as well."""
        config = {"misbehaviours": [{"name": "short-circuit"}]}
        ended, bench, tongue = run(tmp_path, CHOSEN, PLAIN, kind=TwoChannels, config=config)

        assert ended.code == 3, ended.screen
        self.ends_well(tongue, bench)

    def test_a_link_that_breaks_begins_again(self, tmp_path: Path) -> None:
        """With the connection lost in a hold, output off reaches the chosen channel."""
        profile = profile_text(load=False, levels=TWO, nominal="20 s")
        with running(tmp_path, CHOSEN, PLAIN, profile=profile, kind=TwoChannels) as (
            now,
            bench,
            tongue,
        ):
            assert bench.wait(lambda state: state["on"] and state["set_v"] > 20.0)
            tongue.drop()
            ended = now.end()

        assert ended.code == 3, ended.screen
        assert bench.was_on
        self.ends_well(tongue, bench)

    def test_who_takes_over_begins_again(self, tmp_path: Path) -> None:
        """With the keeper killed, the engine chooses the channel before it switches off."""
        profile = profile_text(load=False, levels=TWO, nominal="20 s")
        with running(tmp_path, CHOSEN, PLAIN, profile=profile, kind=TwoChannels) as (
            now,
            bench,
            tongue,
        ):
            assert bench.wait(lambda state: state["on"] and state["set_v"] > 20.0)
            pid = now.process.pid
            children = Path(f"/proc/{pid}/task/{pid}/children").read_text(encoding="ascii")
            os.kill(int(children), signal.SIGKILL)
            ended = now.end()

        assert ended.code == 3, ended.screen
        self.ends_well(tongue, bench)

    def test_a_channel_that_is_not_there_is_told_before_power(self, tmp_path: Path) -> None:
        """What the instrument reports of these messages is told, and nothing is energised."""
        rules = [Rule("INST:NSEL 2", says("INST:NSEL 2")), *PLAIN]
        ended, bench, _ = run(tmp_path, CHOSEN, rules, kind=TwoChannels)

        assert ended.code == 5, ended.screen
        assert "Undefined header" in ended.screen
        assert "[begin]" in ended.screen
        assert not bench.was_on


class TestLetters:
    """On a serial port: no SCPI, no terminator, no error queue, a rest between any two messages."""

    @pytest.fixture(autouse=True)
    def _needs(self) -> None:
        pytest.importorskip("pty", reason="Windows has no pseudo-terminals")
        pytest.importorskip("serial", reason="needs softwake[serial]")

    def test_a_healthy_unit_is_released(self, tmp_path: Path) -> None:
        """A whole run keeps the rest; nothing but output off ever comes sooner."""
        ended, bench, tongue = run(tmp_path, "letter-supply.toml", LETTERS, kind=Slow)

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert tongue.strange == []
        assert {text for _, text in tongue.early} <= {"OUT0"}
        assert not bench.left_on

    def test_a_rest_does_not_hold_output_off_up(self, tmp_path: Path) -> None:
        """Output off follows the reading at once, and again after the rest: it was missed."""
        config = {"misbehaviours": [{"name": "short-circuit"}]}
        ended, bench, tongue = run(
            tmp_path, "letter-supply.toml", LETTERS, kind=Slow, config=config
        )

        assert ended.code == 3, ended.screen
        assert ("ST?", "OUT0") in tongue.early
        after = tongue.messages[tongue.messages.index("OUT1") :]
        first = after.index("OUT0")
        assert after[first : first + 3] == ["OUT0", "OUT0", "ST?"]
        assert not bench.left_on


class Greeting(Tongue):
    """Greets whoever connects, after a while."""

    def greet(self, connection: Any) -> None:
        """Say two lines, the second one late."""
        connection.sendall(b"Bench supply" + self._ends)
        time.sleep(0.2)
        connection.sendall(b"I am ready." + self._ends)


#: Its state is asked by two questions, both answered in words.
ECHOES = [
    Rule(r"VOLT (\d+\.\d{3})", says("VOLT {}")),
    Rule(r"CURR (\d+\.\d{4})", says("CURR {}")),
    Rule("OUTP ([01])", says("OUTP {}")),
    Rule(r"OUTP:MODE\?", says("OUTP?"), lambda state: "CV" if on(state) else "UR"),
    Rule(r"PROT:TRIP\?", says(), lambda: "NO"),
    Rule(r"(.*\?)", says("{}"), lambda said: said),
]


class TestEcho:
    def test_a_healthy_unit_is_released(self, tmp_path: Path) -> None:
        """A whole run with greeting, echoes and a state that is asked by two questions."""
        ended, bench, tongue = run(
            tmp_path, "echoing-supply.toml", ECHOES, kind=Greeting, ends=b"\r\n", echo=True
        )

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert tongue.strange == []
        assert "PROT:TRIP?" in tongue.messages[tongue.messages.index("OUTP 1") :]
        assert not bench.left_on

    def test_a_protection_told_in_words_counts(self, tmp_path: Path) -> None:
        """A supply that says its protection has tripped is not switched on."""
        rules = [Rule(r"PROT:TRIP\?", says(), lambda: "YES"), *ECHOES]
        ended, bench, _ = run(
            tmp_path, "echoing-supply.toml", rules, kind=Greeting, ends=b"\r\n", echo=True
        )

        assert ended.code == 5, ended.screen
        assert "its protection has tripped earlier" in ended.screen
        assert not bench.was_on


class TestBothAtOnce:
    """One message sets voltage and limit, and each that is no question is acknowledged."""

    def test_a_healthy_unit_is_released(self, tmp_path: Path) -> None:
        """What is set says the other setting again as it stands; before power it is zero."""
        ended, bench, tongue = run(tmp_path, "apply-supply.toml", APPLY)

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert tongue.strange == []
        set_to = [said for said in tongue.messages if said.startswith("APPL P1")]
        assert set_to[0] == "APPL P1,0.000,0.3000"
        assert set_to[-1].startswith("APPL P1,24.000,")
        assert not bench.left_on

    def test_a_refusal_is_told_before_power(self, tmp_path: Path) -> None:
        """Another answer than the acknowledgement is an error, and nothing is energised."""
        rules = [Rule("APPL P1,.*", says(), lambda: "ERR 7"), *APPLY]
        ended, bench, _ = run(tmp_path, "apply-supply.toml", rules)

        assert ended.code == 5, ended.screen
        assert "it answers 'ERR 7' where 'OK' is its acknowledgement" in ended.screen
        assert not bench.was_on

    def test_a_short_is_cut(self, tmp_path: Path) -> None:
        """Output off is the next message after the reading that shows a short."""
        config = {"misbehaviours": [{"name": "short-circuit"}]}
        ended, bench, tongue = run(tmp_path, "apply-supply.toml", APPLY, config=config)

        assert ended.code == 3, ended.screen
        after = tongue.messages[tongue.messages.index("OUT P1,ON") :]
        first = after.index("OUT P1,OFF")
        assert after[first - 1 : first + 2] == ["MEAS? P1", "OUT P1,OFF", "OUT? P1"]
        assert not bench.left_on


def register_supply(behind: int, _rules: Sequence[Rule], *, serial: bool = False) -> Any:
    registers = pytest.importorskip("tests.outside.registers", reason="needs softwake[modbus]")
    return registers.RegisterSupply(behind, station=1, serial=serial)


class TestRegisters:
    @pytest.mark.parametrize("serial", repeats([True, False]))
    def test_a_healthy_unit_is_released(self, tmp_path: Path, serial: bool) -> None:
        """A whole run with a supply of registers, over TCP and over a serial line."""
        ended, bench, there = run(
            tmp_path, "register-supply.toml", (), kind=register_supply, serial=serial
        )

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert there.written[0] == (5, 1, (0,))  # output off comes first
        assert there.written[-1] == (5, 1, (0,))
        assert max(values for function, _, values in there.written if function == 6) == (2400,)
        assert not bench.left_on

    @pytest.mark.parametrize("serial", repeats([True, False]))
    def test_a_short_is_cut(self, tmp_path: Path, serial: bool) -> None:
        """Output off follows the reading that shows a short, and is confirmed."""
        config = {"misbehaviours": [{"name": "short-circuit"}]}
        ended, bench, there = run(
            tmp_path,
            "register-supply.toml",
            (),
            kind=register_supply,
            config=config,
            serial=serial,
        )

        assert ended.code == 3, ended.screen
        on = there.written.index((5, 1, (1,)))
        assert (5, 1, (0,)) in there.written[on + 1 :]
        assert not bench.left_on


class TestConfiguredMeter:
    def test_it_is_configured_once(self, tmp_path: Path) -> None:
        """A whole run reads it many times, and sets it up once."""
        ended, _, tongue = run(
            tmp_path, "configured-meter.toml", METER, role="meter", kind=Configured
        )

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert tongue.strange == []
        assert tongue.messages.count("READ?") > 10
        assert len([said for said in tongue.messages if said.startswith("CONF")]) == 1


#: Its first channel in each message.
CHANNEL = [
    Rule(
        r"MEAS:VOLT\? \(@1\);:MEAS:CURR\? \(@1\);:STAT:QUES:COND\?",
        says(*READ),
        lambda v, a: f"{v};{a};0",
    ),
    Rule(r"STAT:QUES:COND\?", says(), lambda: "0"),
    Rule(r"(\*IDN\?|SYST:ERR\?)", says("{}"), lambda said: said),
    Rule(r"(.*\?) \(@1\)", says("{}"), lambda said: said),
    Rule(r"(\*CLS)", says("{}")),
    Rule(r"(.*),\(@1\)", says("{}")),
]
#: A scanner with a thermocouple on its second channel.
SCANNER = [
    Rule(r"MEAS:VOLT:DC\? AUTO,\(@101\)", says("MEAS:VOLT:DC?"), lambda said: said),
    Rule(r"MEAS:TEMP\? TC,K,\(@102\)", says(), lambda: "+2.31E+01"),
    Rule(r"(\*IDN\?|SYST:ERR\?)", says("{}"), lambda said: said),
]
#: A load whose channel and mode stand in each message.
CHANNEL_LOAD = [
    Rule("CHAN 1;:MODE CC", says("FUNC CURR")),
    Rule(r"CHAN 1;:MODE CC;:LEV (\d+\.\d{4})", says("FUNC CURR", "CURR {}")),
    Rule("CHAN 1;:IN (ON|OFF)", says("INP {}")),
    Rule(r"CHAN 1;:LEV\?", says("CURR?"), lambda said: said),
    Rule(r"CHAN 1;:IN\?", says("INP?"), lambda said: said),
    Rule(r"CHAN 1;:MEAS:VOLT\?;:MEAS:CURR\?", says(*READ), lambda v, a: f"{v};{a}"),
    Rule(r"CHAN 1;:MEAS:(VOLT|CURR)\?", says("MEAS:{}?"), lambda said: said),
    Rule(r"(\*IDN\?|SYST:ERR\?)", says("{}"), lambda said: said),
    Rule(r"(\*CLS)", says("{}")),
]


class TestChannels:
    def test_a_bench_of_channels_releases_a_healthy_unit(self, tmp_path: Path) -> None:
        """Supply, meter and load with a channel in each message, through a run with a load."""
        spoken = {
            "supply": ("two-channel-supply.toml", CHANNEL),
            "meter": ("scanning-meter.toml", SCANNER),
            "load": ("channel-load.toml", CHANNEL_LOAD),
        }
        for name, _ in spoken.values():
            (tmp_path / name).write_text(FILES[name], encoding="utf-8")
        dialects = {role: name for role, (name, _) in spoken.items()}
        outside = OutsideBench(tmp_path, {"latency_s": LATENCY_S}, dialects=dialects)
        with contextlib.ExitStack() as stack:
            bench = stack.enter_context(outside)
            text = bench.file.read_text(encoding="utf-8")
            tongues = []
            for role, (_, rules) in spoken.items():
                tongues.append(stack.enter_context(Tongue(bench.ports[role], rules)))
                plain = f"TCPIP0::127.0.0.1::{bench.ports[role]}::SOCKET"
                text = text.replace(plain, tongues[-1].resource)
            bench.file.write_text(text, encoding="utf-8")
            ended = stack.enter_context(Running(bench, profile_text(levels=TWO))).end()

        assert (ended.code, ended.released) == (0, True), ended.screen
        assert [tongue.strange for tongue in tongues] == [[], [], []]
        assert "CHAN 1;:IN ON" in tongues[-1].messages
        assert not bench.left_on
