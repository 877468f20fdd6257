from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.bench import dialect as module
from harness.bench.answer_form import AnswerForm
from harness.bench.dialect import BUILT_IN, Dialect, bench_dialects, load_dialect
from harness.errors import FileError
from harness.profile.load import load_bench
from harness.profile.measures import OPERATIONS, REQUIRED

FOLDER = Path(module.__file__).parent / "dialects"


def written(tmp_path: Path, text: str | bytes) -> str:
    path = tmp_path / "own.toml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return str(path)


class TestBuiltIn:
    @pytest.mark.parametrize("name", BUILT_IN)
    def test_each_loads_and_has_what_its_role_needs(self, name: str) -> None:
        """Every dialect that comes with the program serves its role whole."""
        dialect = load_dialect(name)

        assert dialect.name == name
        assert set(REQUIRED[dialect.role]) <= dialect.operations

    # SCPI-1999 volume 1, short forms, as the design of the messages has them.
    @pytest.mark.parametrize(
        ("name", "operation", "value", "message"),
        [
            ("scpi-dc-supply", "set_voltage", 24.0, "VOLT 24.000"),
            ("scpi-dc-supply", "set_current_limit", 0.3, "CURR 0.3000"),
            ("scpi-dc-supply", "set_voltage_protection", 26.4, "VOLT:PROT 26.400"),
            ("scpi-dc-supply", "output_on", None, "OUTP ON"),
            ("scpi-ac-source", "set_frequency", 60.0, "FREQ 60.00"),
            ("scpi-load", "set_current", 1.25, "CURR 1.2500"),
            ("scpi-load", "input_on", None, "INP ON"),
        ],
    )
    def test_messages_are_short_form(
        self, name: str, operation: str, value: float | None, message: str
    ) -> None:
        """What goes on the wire is SCPI in short form with a plain number."""
        assert load_dialect(name).message(operation, value) == message

    def test_an_unknown_name_is_answered_with_those_there_are(self) -> None:
        """A name that is neither built in nor a file lists the built-in ones."""
        with pytest.raises(
            FileError, match="there are scpi-ac-source, scpi-ac-source-peak, scpi-dc"
        ):
            load_dialect("scpi-dc")

    def test_a_dialect_for_another_role_is_a_mistake_of_the_bench(self) -> None:
        """A meter cannot be spoken to in a supply's dialect."""
        bench = load_bench("bench-simulated-dc")
        assert bench.meter is not None
        meter = bench.meter.model_copy(update={"dialect": "scpi-dc-supply"})

        with pytest.raises(FileError, match="a dialect for a supply, not for a meter"):
            bench_dialects(bench.model_copy(update={"meter": meter}))


#: What is said of a dialect with a mistake in each of its tables.
ALL_AT_ONCE = """\
F:4: send: a load cannot do without input_off; for example: input_off = "INP OFF"
F:5: send.set_curent: there is no operation 'set_curent', did you mean 'set_current'?
F:7: send.set_current: the message of 'set_current' must hold {value} once; for example: \
set_current = "CURR {value}"
F:9: ask: a load cannot do without input_state; for example: input_state = "INP?"
F:11: ask.current_setting: the message of 'current_setting' must be printable ASCII text; \
for example: current_setting = "CURR?"
F:16: decimals.set_current: decimals go from 0 to 12; for example: set_current = 3
F:20: sample.answer: a load's sample cannot do without current; 'voltage' stands here more than \
once; for example: answer = ["voltage", "current"]
F:23: answers.measure_voltage: it must be printable ASCII text that holds {value} once, where the \
number or the state stands; for example: measure_voltage = "{value} V"
F:25: status: only a supply has status bits: leave this table out
"""


class TestMistakes:
    GOOD = (FOLDER / "scpi-dc-supply.toml").read_text(
        encoding="utf-8"
    ) + "\n[status]\nprotection = 8\n"

    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ('timeout    = "1 s"', 'timeout = "1e6 s"', "more than 5 s, the longest that a supply"),
            ('timeout    = "1 s"', 'settle = "6 s"', "more than 5 s, the longest that a supply"),
            ("set_voltage            =", "set_volts =", "did you mean 'set_voltage'"),
            ("VOLT {value}", "VOLT 5", "must hold {value} once"),
            ("VOLT {value}", "VOLT {value} {value}", "must hold {value} once"),
            ('"OUTP OFF"', '"OUTP OFF\\u0007"', "printable ASCII"),
            ('output_off             = "OUTP OFF"', "", "cannot do without output_off"),
            ('role  = "supply"', 'role = "suply"', "did you mean 'supply'"),
            ("protection = 8", "protection = -1", "status.protection"),
            ("protection = 8", "protection = 3\ncurrent_limit = 1", "stands for the current limit"),
            (
                'answer = ["voltage", "current"]',
                'answer = ["voltage", "status"]',
                "without current",
            ),
            ('answer = ["voltage", "current"]', 'answer = ["current"]', "without voltage"),
            ('"voltage", "current"]', '"voltage", "voltage", "current"]', "more than once"),
            ('answer = ["voltage", "current"]', "", "sample.answer: this key is missing"),
            ('"voltage", "current"]', '"voltage", "current"]\nseparator = "7"', "no number has"),
            ('output_on              = "OUTP ON"', "", "cannot do without output_on"),
            ('"OUTP?"', '"OUTP? {value}"', "has no number to hold {value}"),
            ("[ask]", '[ask]\noutput_on = "OUTP ON"', "'output_on' belongs under [send]"),
            ("[decimals]", "[decimals]\nset_volts = 3", "did you mean 'set_voltage'"),
            (
                "\n[status]",
                '\n[answers]\noutput_state = "{value}{value}"\n[status]',
                "{value} once",
            ),
            ("\n[status]", '\n[answers]\nidentify = "{value}"\n[status]', "holds no single value"),
            ("\n[status]", '\n[answers]\nmeasure_power = "{value}"\n[status]', "never asks"),
            (
                "\n[status]",
                '\n[answers]\nset_voltage = "{value}"\n[status]',
                "holds no single value",
            ),
            ("set_voltage            = 3", "set_voltage = 99", "decimals"),
            (
                "set_voltage            = 3",
                "set_voltage = { decimals = 99, width = 4 }",
                "decimals.set_voltage.decimals: decimals go from 0 to 12",
            ),
            (
                "set_voltage            = 3",
                "set_voltage = { widthe = 4 }",
                "decimals.set_voltage.widthe: there is no key 'widthe' here, did you mean 'width'",
            ),
            *(
                ("[send]", f"[{table}]\nsend = {sent}\n[send]", f"{table}.send{says}")
                for table in ("begin", "end")
                for sent, says in (
                    ('["CH 2", "CH?"]', "[1]: nobody reads the answer to a question here"),
                    ('["OUTP ON"]', "[0]: 'OUTP ON' holds the message of output_on"),
                    ('["CH 2;:volt 30"]', "[0]: 'CH 2;:volt 30' holds the message of set_voltage"),
                    ('["VOLT {value}"]', "[0]: this message has no number to hold {value}"),
                    ('["CH\\u0007"]', "[0]: this message must be printable ASCII text"),
                    ('"CH 2"', ": expected a list, got 'CH 2'"),
                    ("[2]", "[0]: expected text, got 2"),
                )
            ),
            ("VOLT {value}", "APPL {value},{curent_limit}", "did you mean 'current_limit'"),
            ("VOLT {value}", "APPL {value},{voltage}", "{voltage} is what this message sets"),
            ("VOLT {value}", "APPL {value},{watchdog}", "there is no set_watchdog under [send]"),
            ('timeout    = "1 s"', 'acknowledgement = " OK"', "without blanks around it"),
            ('timeout    = "1 s"', 'rest = "6 s"', "more than 5 s, the longest that a supply"),
            (
                'timeout    = "1 s"',
                'acknowledgement = "OK"\nrest = "1 s"',
                "is ready for the next: leave rest out",
            ),
            ('timeout    = "1 s"', 'quiet = "50 ms"', "a silence ends no answer that has"),
            ('timeout    = "1 s"', 'first_answer = "6 s"', "more than 5 s, the longest that a"),
            ('timeout    = "1 s"', 'greeting = " Hi"', "link.greeting: it must be printable"),
            ('timeout    = "1 s"', 'echo = "yes"', "link.echo"),
            (
                "[send]",
                '[configure]\nmeasure_voltage = "CONF"\n[send]',
                "only a meter is configured",
            ),
            ("set_voltage            = 3", "output_on = 3", "no number is sent with 'output_on'"),
            ("set_voltage            = 3", "set_voltage = true", "a whole number or a table"),
            ("set_voltage            = 3", "set_voltage = { scale = 0.0 }", "decimals.set_voltage"),
            *(
                ("\n[status]", f"\n[answers]\n{line}\n[status]", says)
                for line, says in (
                    ("measure_voltage = 5", "expected text or a table, got 5"),
                    ('output_state = { text = "ON" }', "answers.output_state.text: it must be"),
                    (
                        'measure_voltage = { separator = "," }',
                        'for example: measure_voltage = { separator = ",", part = 1, parts = 3 }',
                    ),
                    ("measure_voltage = { part = 1, parts = 3 }", "parts (how many) go together"),
                    (
                        'measure_voltage = { separator = ",", part = 4, parts = 3 }',
                        "answers.measure_voltage.part: parts are counted from 1, and there are 3",
                    ),
                    (
                        'measure_voltage = { separator = ",", part = 1, parts = 1 }',
                        "one value alone has no parts",
                    ),
                    (
                        'measure_voltage = { separator = ".", part = 1, parts = 2 }',
                        "one character that no number has",
                    ),
                    ("measure_voltage = { mask = 8 }", "neither bits nor words"),
                    ("measure_voltage = { words = { A = 1 } }", "neither bits nor words"),
                    ("measure_voltage = { scale = -1 }", "answers.measure_voltage.scale"),
                    ("measure_voltage = { scal = 1 }", "did you mean 'scale'"),
                    ("output_state = { scale = 2 }", "a state has no scale"),
                    ("output_state = { mask = 0 }", "this looks at no bit"),
                    ('output_state = { digits = "hex" }', "which bit is the state"),
                    ('output_state = { digits = "hexa" }', "did you mean 'hex'"),
                    ("output_state = { words = { A = 2 } }", "a state is 0 for off or 1 for on"),
                    ("output_state = { words = { A = 'x' } }", "answers.output_state.words.A"),
                    ('output_state = { digits = "byte", mask = 1 }', 'needs terminator = "none"'),
                    ('output_state = { digits = "byte", text = "S{value}" }', "the whole answer"),
                    ("measure_voltage = { length = -1 }", "answers.measure_voltage.length"),
                    ("status = { mask = 8 }", "the weights of its bits stand under [status]"),
                )
            ),
        ],
    )
    def test_each_is_named(self, tmp_path: Path, old: str, new: str, says: str) -> None:
        """A dialect that cannot be trusted with power is refused by name of the mistake."""
        assert old in self.GOOD

        with pytest.raises(FileError) as caught:
            load_dialect(written(tmp_path, self.GOOD.replace(old, new, 1)))
        assert says in str(caught.value)

    @pytest.mark.parametrize(
        ("line", "says"),
        [
            ('measure_voltage = "CONF"', "measures nothing of this name"),
            ('measure_voltage_dc = "CONF?"', "nobody reads the answer to a question here"),
            ('measure_voltage_dc = "CONF {value}"', "this message has no number to hold {value}"),
        ],
    )
    def test_what_a_meter_is_configured_with(self, tmp_path: Path, line: str, says: str) -> None:
        """What is sent once belongs to a measurement that is there, and asks nothing."""
        text = (FOLDER / "scpi-meter.toml").read_text(encoding="utf-8")

        with pytest.raises(FileError) as caught:
            load_dialect(written(tmp_path, f"{text}\n[configure]\n{line}\n"))
        assert says in str(caught.value)

    def test_all_are_told_at_once_with_line_key_and_example(self, tmp_path: Path) -> None:
        """Every mistake of a dialect comes in one go: file, line, key, and a line that would do."""
        path = written(
            tmp_path,
            """name = "own"
role = "load"

[send]
set_curent = "CURR {value}"
input_on = "INP ON"
set_current = "CURR 5"

[ask]
identify = "*IDN?"
current_setting = "CURR?\\u0007"
measure_voltage = "MEAS:VOLT?"
measure_current = "MEAS:CURR?"

[decimals]
set_current = 99

[sample]
ask = "MEAS:ALL?"
answer = ["voltage", "voltage"]

[answers]
measure_voltage = "V"

[status]
protection = 1
""",
        )

        with pytest.raises(FileError) as caught:
            load_dialect(path)

        assert str(caught.value).replace(path, "F").splitlines() == ALL_AT_ONCE.splitlines()

    @pytest.mark.parametrize("name", sorted(OPERATIONS))
    def test_each_operation_goes_into_one_table(self, name: str, tmp_path: Path) -> None:
        """An operation in the table it does not belong to is told, not met with power on."""
        table = "send" if OPERATIONS[name] in ("value", "state", "text") else "ask"
        text = self.GOOD.replace(f"[{table}]", f'[{table}]\n{name} = "X {{value}}"', 1)

        with pytest.raises(FileError, match=f"{name}' belongs under"):
            load_dialect(written(tmp_path, text))

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=150)
    @given(
        st.sampled_from(BUILT_IN),
        st.lists(st.tuples(st.floats(0, 1), st.binary(min_size=1, max_size=4)), max_size=6),
    )
    def test_any_damage_is_a_dialect_or_a_named_mistake(
        self, tmp_path: Path, name: str, damage: list[tuple[float, bytes]]
    ) -> None:
        """Bytes put anywhere into a dialect give a dialect or a file error, nothing else."""
        content = (FOLDER / f"{name}.toml").read_bytes()
        for where, junk in damage:
            at = int(where * len(content))
            content = content[:at] + junk + content[at + len(junk) :]
        module.load_dialect.cache_clear()

        with contextlib.suppress(FileError):
            assert isinstance(load_dialect(written(tmp_path, content)), Dialect)

    @settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=100)
    @given(st.binary(max_size=300))
    def test_any_bytes_are_a_named_mistake(self, tmp_path: Path, content: bytes) -> None:
        """A file of any bytes is no dialect, and says so."""
        module.load_dialect.cache_clear()

        with pytest.raises(FileError):
            load_dialect(written(tmp_path, content))


class TestAnswers:
    def dialect(self, template: str) -> Dialect:
        """Return a meter's dialect whose answers look so."""
        return load_dialect("scpi-meter").model_copy(
            update={"answers": {"measure_voltage_dc": AnswerForm(text=template)}}
        )

    @pytest.mark.parametrize(
        ("template", "answer", "value"),
        [
            ("{value},VDC", "24.01,VDC", "24.01"),
            ("{value} V", "  12.000 V ", "12.000"),
            ("V1 {value}", "V1 12.000", "12.000"),
            ('"{value}"', '"OFF"', "OFF"),
            ("{value}", " 1.2E+01 ", "1.2E+01"),
        ],
    )
    def test_the_value_is_what_stands_where_the_dialect_says(
        self, template: str, answer: str, value: str
    ) -> None:
        """Header, unit and quotes are taken off as the dialect has them."""
        assert self.dialect(template).value_in("measure_voltage_dc", answer) == value

    @pytest.mark.parametrize(
        ("template", "answer"),
        [
            ("{value}V", "120.0mA"),
            ("{value},VDC", "24.01"),
            ("V1 {value}", "V2 12.000"),
            ("AB{value}BA", "ABA"),  # too short to hold both
            ('"{value}"', '"'),
        ],
    )
    def test_another_unit_or_header_is_no_value(self, template: str, answer: str) -> None:
        """What does not look as the dialect says is never read: a number in mV is none in V."""
        with pytest.raises(ValueError, match="does not look like"):
            self.dialect(template).value_in("measure_voltage_dc", answer)

    @given(st.text(max_size=30), st.text(max_size=30))
    def test_a_template_reaches_nothing_but_the_answer(self, junk: str, answer: str) -> None:
        """Braces and format tricks in a template are text; what comes out stands in the answer."""
        dialect = self.dialect("{0.__class__}%s{!r}" + junk.replace("{value}", "") + "{value}")

        with contextlib.suppress(ValueError):
            assert dialect.value_in("measure_voltage_dc", answer) in answer

    def test_others_are_left_as_they_are(self) -> None:
        """Without a line for it an answer is the value."""
        assert load_dialect("scpi-meter").value_in("measure_resistance", "1.0") == "1.0"
