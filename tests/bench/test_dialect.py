from __future__ import annotations

import contextlib
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from harness.bench import dialect as module
from harness.bench.dialect import BUILT_IN, REQUIRED, Dialect, bench_dialects, load_dialect
from harness.errors import BenchFileError, DialectError, FileError
from harness.profile.load import load_bench

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
        with pytest.raises(DialectError, match="there are scpi-ac-source, scpi-dc-supply"):
            load_dialect("scpi-dc")

    def test_a_dialect_for_another_role_is_a_mistake_of_the_bench(self) -> None:
        """A meter cannot be spoken to in a supply's dialect."""
        bench = load_bench("bench-simulated-dc")
        assert bench.meter is not None
        meter = bench.meter.model_copy(update={"dialect": "scpi-dc-supply"})

        with pytest.raises(BenchFileError, match="a dialect for a supply, not for a meter"):
            bench_dialects(bench.model_copy(update={"meter": meter}))


class TestMistakes:
    GOOD = (FOLDER / "scpi-dc-supply.toml").read_text(encoding="utf-8")

    @pytest.mark.parametrize(
        ("old", "new", "says"),
        [
            ("set_voltage            =", "set_volts =", "did you mean 'set_voltage'"),
            ("VOLT {value}", "VOLT 5", "must hold {value} once"),
            ("VOLT {value}", "VOLT {value} {value}", "must hold {value} once"),
            ('"OUTP OFF"', '"OUTP OFF\\u0007"', "printable ASCII"),
            ('output_off             = "OUTP OFF"', "", "cannot do without output_off"),
            ('role  = "supply"', 'role = "suply"', "did you mean 'supply'"),
            ("protection    = 1", "protection = -1", "protection"),
            ("set_voltage            = 3", "set_voltage = 99", "decimals"),
        ],
    )
    def test_each_is_named(self, tmp_path: Path, old: str, new: str, says: str) -> None:
        """A dialect that cannot be trusted with power is refused by name of the mistake."""
        assert old in self.GOOD

        with pytest.raises(DialectError) as caught:
            load_dialect(written(tmp_path, self.GOOD.replace(old, new, 1)))
        assert says in str(caught.value)

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

        with pytest.raises(DialectError):
            load_dialect(written(tmp_path, content))
