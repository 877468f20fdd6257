from __future__ import annotations

import datetime as dt
import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import FileError
from harness.profile.accuracy import Accuracy
from harness.profile.bench_file import BenchFile
from harness.profile.held_steps import NominalStep
from harness.profile.load import load_bench, load_profile
from harness.profile.load_step import LoadStep
from harness.profile.schema import Profile
from harness.profile.start_step import StartStep
from harness.shipped import shipped_names
from harness.unit.nameplate import AcInput, DcInput

ProfileOf = Callable[..., Profile]
BenchOf = Callable[..., BenchFile]
Written = Callable[[str | bytes], str]


def mistakes(profile_of: ProfileOf, kind: str, *changes: tuple[str, str]) -> list[str]:
    """Return what is said about a profile with parts replaced, without the file's name."""
    with pytest.raises(FileError) as caught:
        profile_of(kind, *changes)
    return [str(mistake).removeprefix("it.toml:") for mistake in caught.value.mistakes]


class TestProfile:
    def test_reads_a_dc_unit(self, profile_of: ProfileOf) -> None:
        """Quantities become SI floats, steps keep their order, defaults fill in."""
        profile = profile_of("dc")
        start, nominal = profile.steps

        assert isinstance(profile.unit.input, DcInput)
        assert profile.unit.input.bulk_capacitance_f == 470e-6
        assert profile.envelope.power_w == 36.0
        assert isinstance(start, StartStep)
        assert start.levels_frac == (0.1, 0.25, 0.5, 0.75, 1.0)
        assert start.charge_factor == 2.0
        assert isinstance(nominal, NominalStep)
        assert nominal.current_limit_a is None
        check = nominal.checks[0]
        assert (check.low, check.high, check.unit, check.rule) == (4.9, 5.1, "V", "guarded")

    def test_reads_an_ac_unit_with_a_load_step(self, profile_of: ProfileOf) -> None:
        """Frequencies, load points and the point a check is judged at are read."""
        profile = profile_of("ac")
        load = profile.steps[2]

        assert isinstance(profile.unit.input, AcInput)
        assert profile.unit.input.frequency_hz == (50.0, 60.0)
        assert profile.unit.input.start_threshold_v == 55.0
        assert isinstance(load, LoadStep)
        assert load.currents_a == (0.0, 1.25, 2.5)
        assert (load.checks[1].at, load.checks[1].low, load.checks[1].unit) == (2.5, 0.8, "%")

    def test_knows_its_file(self, profile_of: ProfileOf) -> None:
        """A profile carries the name, the text and the hash of its file, for the record."""
        profile = profile_of("dc")
        raw = Path("it.toml").read_bytes()

        assert profile.source == "it.toml"
        assert profile.text.encode() == raw
        assert profile.sha256 == hashlib.sha256(raw).hexdigest()

    @pytest.mark.parametrize("key", ["source", "text", "sha256"])
    def test_a_file_cannot_say_where_it_came_from(self, profile_of: ProfileOf, key: str) -> None:
        """Where a profile came from is no key of the file."""
        found = mistakes(profile_of, "dc", ("title =", f'{key} = "x"\ntitle ='))

        keys = "title, purpose, feed, unit, envelope, limits, rest, steps"

        assert found == [f"1: {key}: there is no key {key!r} here; there are {keys}"]

    def test_bears_a_byte_order_mark_and_windows_lines(
        self, written: Written, profile_of: ProfileOf
    ) -> None:
        """A profile saved by a Windows editor reads like any other."""
        plain = profile_of("dc")
        text = "\ufeff" + plain.text.replace("\n", "\r\n")

        assert load_profile(written(text)).steps == plain.steps

    def test_envelope_at_the_edge_of_the_tolerance_passes(self, profile_of: ProfileOf) -> None:
        """26.4 V is within 24 V and 10 %, whatever floats make of the product."""
        assert profile_of("dc").envelope.voltage_v == 26.4


MISTAKES = [
    # what counts as at rest
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nrest = { tolerance = "20 %" }',
        (
            "17: steps[0].rest.tolerance: more than 10 % of the limit in one span is no rest; "
            'for example: tolerance = "2 %"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nrest = { span = "50 ms" }',
        (
            "17: steps[0].rest.span: for less than 0.1 s a converter's slow start looks like rest; "
            'for example: span = "0.2 s"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nrest = { longest = "1 h" }',
        (
            "17: steps[0].rest.longest: a unit that has no rest after 600 s has none; "
            'for example: longest = "30 s"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nrest = { span = "2 s" }',
        (
            "17: steps[0].rest: longest is less than ten spans, 20 s: scatter is averaged over "
            'eight; for example: rest = { tolerance = "2 %" }'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nrest = { tolerance = 0.02 }',
        (
            "17: steps[0].rest.tolerance: the number 0.02 has no unit; expected a percentage; "
            'for example: tolerance = "2 %"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\ntime_at_limit = "11 s"',
        (
            "17: steps[0].time_at_limit: more than 10 s at the limit bounds nothing; "
            'for example: time_at_limit = "0.5 s"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\ncharge_factor = 11',
        (
            "17: steps[0].charge_factor: 11.0: it should be less than or equal to 10; "
            "for example: charge_factor = 2.5"
        ),
    ),
    # a quantity
    (
        'nominal = "24 V"',
        'nominal = "24 A"',
        (
            "4: unit.input.nominal: '24 A' is a current; "
            'expected a voltage; for example: nominal = "24 V"'
        ),
    ),
    (
        'dwell = "5 s"',
        "dwell = 5",
        (
            "26: steps[1].dwell: the number 5 has no unit; expected a time; "
            'for example: dwell = "1 s"'
        ),
    ),
    (
        'power   = "36 W"',
        'power = "-36 W"',
        ("11: envelope.power: '-36 W' is not above zero; for example: power = \"36 W\""),
    ),
    (
        'power   = "36 W"',
        'power = "36 GW"',
        (
            "11: envelope.power: '36 GW' is more than 10 MW, the "
            'most that can be asked for; for example: power = "36 W"'
        ),
    ),
    (
        'power   = "36 W"',
        "power = true",
        (
            "11: envelope.power: expected a power with its unit, got "
            'true; for example: power = "36 W"'
        ),
    ),
    (
        'dwell = "5 s"',
        "dwell = 2026-01-01",
        (
            "26: steps[1].dwell: expected a time with its unit, "
            'got 2026-01-01; for example: dwell = "1 s"'
        ),
    ),
    (
        'high = "80 mA"',
        'high = "80 mV"',
        (
            "22: steps[0].checks[0].high: '80 mV' is a voltage; "
            'expected a current; for example: high = "80 mA"'
        ),
    ),
    # a key, a name, a choice
    (
        'title = "Mount controller board, 24 V DC in, 5 V DC out"',
        "title = 5",
        (
            "1: title: expected "
            'text, got 5; for example: title = "Mount controller board, 24 V DC in, 5 V DC out"'
        ),
    ),
    (
        'title = "Mount controller board, 24 V DC in, 5 V DC out"',
        r'title = "\u001b[2J"',
        (
            "1: title:"
            " expected one line of at most 100 printable characters; "
            'for example: title = "Mount controller board, 24 V DC in, 5 V DC out"'
        ),
    ),
    (
        "bulk_capacitance",
        "bulk_capacitence",
        (
            "4: unit.input.bulk_capacitence: there is no key "
            "'bulk_capacitence' here, did you mean 'bulk_capacitance'?"
        ),
    ),
    (
        'measure = "supply.current"',
        'measure = "supply.curent"',
        (
            "21: steps[0].checks[0].measure: "
            "there is no measure 'supply.curent', did you mean 'supply.current'?; "
            'for example: measure = "supply.current"'
        ),
    ),
    (
        'kind = "nominal"',
        'kind = "nominale"',
        (
            "25: steps[1].kind: there is no kind of step "
            "'nominale', did you mean 'nominal'?; for example: kind = \"start\""
        ),
    ),
    (
        'kind = "nominal"',
        "kind = 3",
        (
            "25: steps[1].kind: there is no kind of step 3; there are start, cold, nominal, line, "
            'load, soak, cycle, dip, drain, discharge; for example: kind = "start"'
        ),
    ),
    (
        'kind = "nominal"\n',
        "",
        '24: steps[1].kind: this key is missing; for example: kind = "start"',
    ),
    (
        '{ kind = "dc", nominal = "24 V"',
        '{ kind = "dv", nominal = "24 V"',
        (
            "4: unit.input.kind: "
            "there is no kind of input 'dv'; there are dc, ac; for example: kind = \"dc\""
        ),
    ),
    (
        'rule = "guarded"',
        'rule = "strict"',
        (
            "33: steps[1].checks[0].rule: expected 'guarded' or "
            "'simple', got 'strict'; for example: rule = \"guarded\""
        ),
    ),
    (
        'protection_class = "III"',
        "",
        ('3: unit.protection_class: this key is missing; for example: protection_class = "II"'),
    ),
    ('dwell = "5 s"', "", '24: steps[1].dwell: this key is missing; for example: dwell = "1 s"'),
    (
        'power   = "36 W"',
        'power = "36 W"\ncharge = "1 C"',
        (
            "12: envelope.charge: there is no key 'charge' here; there are voltage, current, "
            "power, aux"
        ),
    ),
    # a start
    (
        '"75 %", "100 %"]',
        '"75 %", "110 %"]',
        (
            "15: steps[0].levels[4]: '110 %' is over 100 %: a "
            'start ends at nominal voltage; for example: "100 %"'
        ),
    ),
    (
        '"50 %", "75 %"',
        '"75 %", "50 %"',
        (
            "15: steps[0].levels: levels must rise: 50 % comes after "
            '75 %; for example: levels = ["25 %", "50 %", "75 %", "100 %"]'
        ),
    ),
    (
        '["10 %", "25 %", "50 %", "75 %", "100 %"]',
        "[]",
        (
            "15: steps[0].levels: at least one is "
            'needed; for example: levels = ["25 %", "50 %", "75 %", "100 %"]'
        ),
    ),
    (
        '["10 %", "25 %", "50 %", "75 %", "100 %"]',
        '"10 %"',
        (
            "15: steps[0].levels: expected a list, "
            'got \'10 %\'; for example: levels = ["25 %", "50 %", "75 %", "100 %"]'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "1.501 A"',
        (
            "16: steps[0].current_limit: 1.501 A is "
            'above the envelope\'s 1.5 A; for example: current_limit = "1.5 A"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "1.6 A"',
        (
            "16: steps[0].current_limit: 1.6 A is "
            'above the envelope\'s 1.5 A; for example: current_limit = "1.5 A"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\ncharge_factor = true',
        (
            "17: "
            "steps[0].charge_factor: expected a plain number, got true; for "
            "example: charge_factor = 2.5"
        ),
    ),
    (
        (
            'kind = "start"\nlevels = ["10 %", "25 %", "50 %", "75 %", "100 %"]\n'
            'current_limit = "0.30 A"'
        ),
        'kind = "nominal"',
        (
            "14: steps[0].kind: a nominal step before any "
            "start step: power must first come by a current-limited start; for "
            'example: kind = "start"'
        ),
    ),
    (
        'current_limit = "0.30 A"',
        'current_limit = "0.3 A"\nfrequency = "50 Hz"',
        ("17: steps[0].frequency: the unit's input is DC: there is no frequency to set"),
    ),
    # the envelope
    (
        'voltage = "26.4 V"',
        'voltage = "26.41 V"',
        (
            "9: envelope.voltage: 26.41 V is outside the "
            'nameplate\'s tolerance: 24 V and 10 % allow 26.4 V; for example: voltage = "26.4 V"'
        ),
    ),
    (
        'voltage = "26.4 V"',
        'voltage = "23.9 V"',
        (
            "9: envelope.voltage: 23.9 V is below the nominal "
            '24 V: the unit could never be brought up; for example: voltage = "26.4 V"'
        ),
    ),
    # a check
    (
        'high = "80 mA"',
        "",
        (
            "19: steps[0].checks[0]: check 'idle current' has neither low nor high; "
            'for example: high = "80 mA"'
        ),
    ),
    (
        'high = "5.10 V"',
        'high = "4.8 V"',
        ("32: steps[1].checks[0].high: the upper limit 4.8 V is below the lower limit 4.9 V"),
    ),
    (
        'high = "80 mA"',
        'high = "80 mA"\nat = "1 A"',
        ("23: steps[0].checks[0].at: a start step has no load points: leave this key out"),
    ),
    (
        'measure = "supply.current"\nhigh = "80 mA"',
        'measure = "load_regulation"\nhigh = "1 %"',
        (
            "21"
            ": steps[0].checks[0].measure: load_regulation belongs in a load step, "
            "this is a start step"
        ),
    ),
    (
        'measure = "supply.current"\nhigh = "80 mA"',
        'measure = "discharge_time"\nhigh = "1 s"',
        (
            "21"
            ": steps[0].checks[0].measure: discharge_time belongs in a discharge "
            "step, this is a start "
            "step"
        ),
    ),
    (
        'measure = "supply.current"\nhigh = "80 mA"',
        'measure = "meter.resistance"\nlow = "1 ohm"',
        (
            "21: steps[0].checks[0].measure: meter.resistance belongs in a cold "
            "step, this is a start "
            "step"
        ),
    ),
    (
        'measure = "supply.current"\nhigh = "80 mA"',
        'measure = "power_factor"\nhigh = 0.7',
        ("21: steps[0].checks[0].measure: power_factor means nothing for a DC input"),
    ),
    (
        'rule = "guarded" ',
        ('[[steps.checks]]\nname = "5 V rail"\nmeasure = "meter.voltage_ac"\nhigh = "1 V"'),
        ("34: steps[1].checks[1].name: this step has a check '5 V rail' already; every name once"),
    ),
    # the shape of the file
    (
        "[[steps.checks]]\nname",
        "[steps.checks]\nname",
        ("19: steps[0].checks: expected a list of tables, each begun by [[steps.checks]]"),
    ),
    (
        "[envelope]",
        "[envelop]",
        (
            " envelope: this key is missing; for example: envelope = { voltage = "
            '"26.4 V", current = "1.5 A", power = "36 W" }'
        ),
    ),
]

AC_MISTAKES = [
    (
        'at = "2.5 A"              # only at this load point\n',
        "",
        (
            "35: steps[2].checks[1].measure: there is no efficiency at 0 A: say at which load "
            'point; for example: at = "2.5 A"'
        ),
    ),
    (
        'at = "2.5 A" ',
        'at = "0 A" ',
        (
            "35: steps[2].checks[1].measure: there is no efficiency at 0 A: say at which load "
            'point; for example: at = "2.5 A"'
        ),
    ),
    (
        'currents = ["0 A", "1.25 A", "2.5 A"]\ndwell = "1 s"',
        (
            'currents = ["2.5 A"]\ndwell = "1 s"\nchecks = [{ name = "x", measure = '
            '"load_regulation", high = "1 %" }]\n[[steps]]\nkind = "load"\ncurrents = ["2.5 A"]\n'
            'dwell = "1 s"'
        ),
        (
            "28: steps[2].checks[0].measure: load_regulation compares load points: the step needs "
            "two different ones"
        ),
    ),
    (
        'frequency = "60 Hz"',
        'frequency = "400 Hz"',
        (
            "21: steps[1].frequency: 400 Hz is none of the "
            'unit\'s: 50 Hz, 60 Hz; for example: frequency = "50 Hz"'
        ),
    ),
    (
        'frequency = ["50 Hz", "60 Hz"]',
        'frequency = "50 Hz"',
        (
            "4: unit.input.frequency: expected a "
            'list, got \'50 Hz\'; for example: frequency = ["50 Hz", "60 Hz"]'
        ),
    ),
    (
        'frequency = ["50 Hz", "60 Hz"], ',
        "",
        (
            "4: unit.input.frequency: this key is missing; "
            'for example: frequency = ["50 Hz", "60 Hz"]'
        ),
    ),
    (
        'at = "2.5 A"',
        'at = "2 A"',
        (
            "36: steps[2].checks[1].at: 2 A is none of the step's load "
            'points: 0 A, 1.25 A, 2.5 A; for example: at = "2.5 A"'
        ),
    ),
    (
        'measure = "efficiency"',
        'measure = "load_regulation"',
        ("36: steps[2].checks[1].at: load_regulation compares all load points: leave this key out"),
    ),
    (
        'currents = ["0 A", "1.25 A", "2.5 A"]',
        'currents = ["-1 A", "2.5 A"]',
        ("26: steps[2].currents[0]: '-1 A' is below zero; for example: \"1.25 A\""),
    ),
    (
        'output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A" } }',
        "output = {}",
        (
            "25: steps[2].kind: a load step, but the unit has no output; name it "
            "in [unit]; for example: "
            'output = { main = { kind = "dc", nominal = "5 V", current = "2 A" } }'
        ),
    ),
    (
        'currents = ["0 A"',
        'output = "mains"\ncurrents = ["0 A"',
        (
            "26: steps[2].output: the unit has "
            "no output 'mains', did you mean 'main'?; for example: output = \"main\""
        ),
    ),
    (
        '{ main = { kind = "dc"',
        '{ main = { kind = "ac"',
        ("25: steps[2].kind: output 'main' is AC: a load step loads DC outputs"),
    ),
    (
        (
            '"50 %", "100 %"]\ncurrent_limit = "0.5 A"\ndwell = "1 '
            's"\n\n[[steps]]\nkind = "nominal"\n'
            'frequency = "60 Hz"       # left out: the first of the unit\'s\ndwell = "2 s"'
        ),
        '"50 %"]\ncurrent_limit = "0.5 A"\ndwell = "1 s"',
        (
            "20: steps[1].kind: the start before it "
            "ends at 50 %: a load step needs nominal voltage; end the start at 100 "
            "%, or put a nominal "
            'step between; for example: kind = "nominal"'
        ),
    ),
]


class TestMistakes:
    @pytest.mark.parametrize(("old", "new", "message"), MISTAKES)
    def test_is_told_by_line_key_problem_and_example(
        self, profile_of: ProfileOf, old: str, new: str, message: str
    ) -> None:
        """One mistake gives one message: its line, its key, what is wrong, what would be right."""
        found = mistakes(profile_of, "dc", (old, new))

        assert found[0] == message
        assert len(found) == (2 if new == "[envelop]" else 1)

    @pytest.mark.parametrize(("old", "new", "message"), AC_MISTAKES)
    def test_is_told_for_an_ac_unit_too(
        self, profile_of: ProfileOf, old: str, new: str, message: str
    ) -> None:
        """What concerns frequencies, outputs and load points is told in the same way."""
        assert mistakes(profile_of, "ac", (old, new)) == [message]

    def test_all_are_told_in_one_go(self, profile_of: ProfileOf) -> None:
        """Mistakes in different places are told together, in the order of the file."""
        found = mistakes(
            profile_of,
            "dc",
            ('voltage = "26.4 V"', 'voltage = "40 V"'),
            ('"100 %"', '"100"'),
            ('current_limit = "0.30 A"', 'current_limit = "3 A"'),
            ('high = "80 mA"', 'high = "80 mA"\nat = "1 A"'),
            ('low = "4.90 V"', "low = 4.9"),
        )

        assert [message.split(":")[1].strip() for message in found] == [
            "envelope.voltage",
            "steps[0].levels[4]",
            "steps[0].current_limit",
            "steps[0].checks[0].at",
            "steps[1].checks[0].low",
        ]

    def test_a_thousand_are_cut_short(self, profile_of: ProfileOf) -> None:
        """Nobody mends a file from a list of a thousand: a hundred are listed, the rest counted."""
        levels = ",\n".join(["10"] * 1000)
        found = mistakes(profile_of, "dc", ('"10 %", "25 %"', levels))

        assert len(found) == 101
        assert found[-1] == " and 900 more mistakes"

    def test_no_steps_at_all(self, written: Written) -> None:
        """A profile without a step cannot be carried out."""
        text = 'title = "x"\nsteps = []\n'
        with pytest.raises(FileError) as caught:
            load_profile(written(text))

        assert str(caught.value.mistakes[-1]) == (
            "it.toml:2: steps: at least one is needed; for example: [[steps]] and below it "
            'kind = "start"'
        )

    def test_an_empty_file_lacks_every_table(self, written: Written) -> None:
        """An empty file is told every table it lacks; none has a line."""
        with pytest.raises(FileError) as caught:
            load_profile(written(""))

        assert [mistake.key for mistake in caught.value.mistakes] == [
            "title",
            "unit",
            "envelope",
            "steps",
        ]
        assert {mistake.line for mistake in caught.value.mistakes} == {None}


class TestBench:
    def test_reads_every_part(self, bench_of: BenchOf) -> None:
        """Instruments, ranges, accuracies and dates are read; the load's power too."""
        bench = bench_of()

        assert bench.supply.range.voltage_v == 60.0
        assert bench.supply.accuracy == {
            "voltage": Accuracy(0.0005, 0.01),
            "current": Accuracy(0.002, 0.005),
        }
        assert bench.supply.calibration_due == dt.date(2027, 5, 1)
        assert bench.meter is not None
        assert bench.meter.identity is None
        assert list(bench.instruments) == ["supply", "meter", "load"]
        assert bench.source == "it.toml"

    def test_reads_resolution_and_leads(self, bench_of: BenchOf) -> None:
        """The last digit of a display and what two-wire leads may add are read, with units."""
        bench = bench_of(
            (
                "[meter]",
                '[meter]\nresolution = { voltage_dc = "0.1 mV" }\nlead_resistance = "0.2 ohm"',
            )
        )

        assert bench.meter is not None
        assert bench.meter.resolution == {"voltage_dc": 1e-4}
        assert bench.meter.lead_resistance_ohm == 0.2
        assert bench.supply.resolution == {}

    def test_a_meter_s_accuracy_goes_by_range(self, bench_of: BenchOf) -> None:
        """A reading has the accuracy of the smallest range that holds it, in whatever order."""
        bench = bench_of(
            (
                '{ voltage_dc = "0.02 % + 2 mV" }',
                '{ voltage_dc = { "100 V" = "0.1 % + 10 mV", "10 V" = "1 mV", "1000 V" = "1 V" } }',
            )
        )

        assert bench.meter is not None
        accuracy = bench.meter.accuracy["voltage_dc"]
        found = [accuracy.bound(reading) for reading in (5.0, -10.0, 10.1, 100.0, 400.0, 2000.0)]
        assert found == pytest.approx([1e-3, 1e-3, 20.1e-3, 110e-3, 1.0, 1.0])

    @pytest.mark.parametrize(
        ("old", "new", "problem"),
        [
            ("0.02 % + 2 mV", '{ "10 A" = "1 mV" }', "'10 A' is a current; expected a voltage"),
            ("0.02 % + 2 mV", '{ "0 V" = "1 mV" }', "the range '0 V' is not above zero"),
            ("0.02 % + 2 mV", '{ "1 V" = "1 mV", "1000 mV" = "2 mV" }', "'1000 mV' is given twice"),
            ("0.02 % + 2 mV", "{}", "expected a range, found none"),
            ("0.02 % + 2 mV", '{ "1 V" = 5 }', "expected an accuracy, got 5"),
            ("0.05 % + 10 mV", '{ "1 V" = "1 mV" }', "only a meter's accuracy goes by range"),
        ],
    )
    def test_a_wrong_range_is_told(
        self, bench_of: BenchOf, old: str, new: str, problem: str
    ) -> None:
        """A range that is none, given twice, or of an instrument without any, is a mistake."""
        with pytest.raises(FileError, match=problem):
            bench_of((f'"{old}"', new))

    @pytest.mark.parametrize(
        ("text", "problem"),
        [
            ('{ voltage = "1 mV" }', "voltage: there is no quantity 'voltage' here"),
            ('{ voltage_dc = "1 mA" }', "voltage_dc: '1 mA' is a current; expected a voltage"),
            ("{ voltage_dc = 0.001 }", "voltage_dc: expected the last digit with its unit"),
            ('{ voltage_dc = "0 V" }', "voltage_dc: expected the last digit with its unit"),
        ],
    )
    def test_a_wrong_resolution_is_told(self, bench_of: BenchOf, text: str, problem: str) -> None:
        """A resolution that is none gets a message at its own key."""
        with pytest.raises(FileError, match=f"meter.resolution.{problem}"):
            bench_of(("[meter]", f"[meter]\nresolution = {text}"))

    @pytest.mark.parametrize(
        ("old", "new", "message"),
        [
            (
                '"0.05 % + 10 mV"',
                '"0.05 % + 10 mA"',
                (
                    "it.toml:10: supply.accuracy.voltage: '10 mA' is a current; expected a "
                    "voltage; "
                    'for example: voltage = "0.05 % + 10 mV"'
                ),
            ),
            (
                '"0.05 % + 10 mV"',
                '"1 % + 2 %"',
                (
                    "it.toml:10: supply.accuracy.voltage: '1 % + 2 %' gives a share of the reading "
                    'twice; for example: voltage = "0.05 % + 10 mV"'
                ),
            ),
            (
                '"0.05 % + 10 mV"',
                "0.05",
                (
                    "it.toml:10: supply.accuracy.voltage: expected an accuracy, got 0.05; "
                    'for example: voltage = "0.05 % + 10 mV"'
                ),
            ),
            (
                "{ voltage_dc =",
                "{ voltage =",
                (
                    "it.toml:16: meter.accuracy.voltage: there is no quantity 'voltage' "
                    "here, did you "
                    "mean 'voltage_dc'?"
                ),
            ),
            (
                "2027-05-01",
                '"2027-05-01"',
                (
                    "it.toml:11: supply.calibration_due: expected a date without quotes, got "
                    "'2027-05-01'; for example: calibration_due = 2027-05-01"
                ),
            ),
            (
                "2027-05-01",
                "2027-05-01T07:00:00",
                (
                    "it.toml:11: supply.calibration_due: expected a date without quotes, got "
                    "2027-05-01 07:00:00; for example: calibration_due = 2027-05-01"
                ),
            ),
            (
                "calibration_due = 2027-05-01",
                "allow_overdue = 1",
                (
                    "it.toml:11: supply.allow_overdue: expected true or false without "
                    "quotes, got 1; "
                    "for example: allow_overdue = true"
                ),
            ),
            (
                'dialect = "scpi-dc-supply"\n',
                "",
                (
                    "it.toml:4: supply.dialect: this key is missing; "
                    'for example: dialect = "scpi-dc-supply"'
                ),
            ),
            (
                'kind = "dc" ',
                'kind = "DC" ',
                (
                    "it.toml:5: supply.kind: there is no kind of supply 'DC', did you mean 'dc'?; "
                    'for example: kind = "dc"'
                ),
            ),
            (
                'visa = "@py" ',
                "visa = 5",
                'it.toml:2: visa: expected one line of text, got 5; for example: visa = "@py"',
            ),
            (
                "[meter]",
                "[metre]",
                "it.toml:13: metre: there is no key 'metre' here, did you mean 'meter'?",
            ),
        ],
    )
    def test_tells_mistakes_like_a_profile(
        self, bench_of: BenchOf, old: str, new: str, message: str
    ) -> None:
        """A mistake in a bench file gives one message of the same form."""
        with pytest.raises(FileError) as caught:
            bench_of((old, new))

        assert str(caught.value) == message


class TestShippedNames:
    @pytest.mark.parametrize(
        "name", [name for name in shipped_names("profiles") if "/" not in name]
    )
    def test_every_shipped_file_loads(self, name: str) -> None:
        """Whatever ships loads, by its name with and without its suffix."""
        load = load_bench if name.startswith("bench-") else load_profile

        assert load(name).text == load(name.removesuffix(".toml")).text

    def test_a_file_of_the_users_own_comes_first(self, profile_of: ProfileOf) -> None:
        """A file in the working folder is meant before a shipped one of the same name."""
        text = profile_of("dc").text
        Path("mount-controller-board").write_text(text, encoding="utf-8")

        assert load_profile("mount-controller-board").text == text

    @pytest.mark.usefixtures("written")
    def test_a_folder_does_not_hide_a_shipped_file(self) -> None:
        """A folder that happens to have a shipped name does not get in its way."""
        Path("mount-controller-board").mkdir()

        assert load_profile("mount-controller-board").title.startswith("Mount controller")

    @pytest.mark.usefixtures("written")
    def test_a_missing_file_names_the_nearest(self) -> None:
        """A name that is nearly right is answered with the right one."""
        with pytest.raises(FileError) as caught:
            load_profile("dome-shuter-power-unit.toml")

        assert str(caught.value) == (
            "dome-shuter-power-unit.toml: there is no such file, did you mean "
            "'dome-shutter-power-unit'?"
        )
