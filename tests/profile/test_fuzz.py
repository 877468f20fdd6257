"""Whatever stands in a file, loading it gives a table or a list of mistakes."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from harness.errors import FileError, Mistake
from harness.profile.expand import make_plan
from harness.profile.load import load_bench, load_profile
from harness.profile.schema import Profile
from harness.shipped import shipped, shipped_names
from tests.pieces import other_pieces

SHIPPED = [shipped("profiles", name) for name in shipped_names("profiles")]
TEXTS = [path.read_text(encoding="utf-8") for path in SHIPPED if path is not None]
PIECE = re.compile(r'"[^"\n]*"|[\w.]+|\s+|\S')
#: Pieces that mean something to TOML, to the schema, or to neither.
PIECES = sorted(
    {piece for text in TEXTS for piece in re.findall(r'"[^"\n]*"|[\w.]+|\S', text)}
    | {"true", "inf", "nan", "-1", "0x" + "f" * 300, "9" * 300, "1e400", "2027-05-01", "07:32:00"}
    | {'"""', "'''", "[[", "]]", "{", "}", "\n", "\r", "\t", "\\", "\u0000", "\ufeff", "\u2028"}
    | {'"-1 V"', '"1e300 V"', '"0 V"', '"1e-320 F"', '"nan V"', '"999 %"', "[]", "{}", '""'}
)

quietly = settings(
    max_examples=200,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


def check_loading(name: str, lines: int) -> None:
    """Load a file as either kind; only mistakes with a line inside the file may come of it."""
    loaded: list[object] = []
    mistakes: list[Mistake] = []
    for load in (load_profile, load_bench):
        try:
            loaded.append(load(name))
        except FileError as error:
            mistakes += error.mistakes
    assert len(loaded) < 2
    assert mistakes
    for mistake in mistakes:
        assert mistake.line is None or 1 <= mistake.line <= lines
        assert mistake.problem
        assert "\n" not in str(mistake)
    for item in loaded:
        if isinstance(item, Profile):
            assert make_plan(item).steps


@given(st.binary(max_size=400))
@example(b"\xff\xfe")
@example(b"a.b.c = 1\na = 2")
@example(b"steps = {}\nunit = []\nenvelope = 1\ntitle = {}")
@example(b"steps = [1, [], {}, {kind = []}, {kind = 'start', checks = 1}]")
@example(b"[unit]\ninput = 1\noutput = { a = 1, '' = {} }")
@example(b"[supply]\naccuracy = { voltage = {}, '' = [] }\nrange = 5")
@quietly
def test_random_bytes_never_break_it(written: Callable[[str | bytes], str], raw: bytes) -> None:
    """Any bytes at all end in mistakes, never in another error."""
    check_loading(written(raw), raw.count(b"\n") + 1)


@given(other_pieces(TEXTS, PIECE, PIECES))
@quietly
def test_broken_profiles_never_break_it(written: Callable[[str | bytes], str], text: str) -> None:
    """A shipped file with pieces changed loads, or ends in mistakes, never in another error."""
    check_loading(written(text), text.count("\n") + 1)


@pytest.mark.parametrize(
    "text",
    [
        "a" + ".a" * 1990 + " = 1",
        "\n".join(f"a{number} = 1" for number in range(5_000)),
        "steps = [\n" + '{ kind = "start" },\n' * 2000 + "]",
        "title = {" + "a = {" * 500 + "}" * 501,
    ],
    ids=["deep", "wide", "long", "nested"],
)
def test_large_and_deep_files_never_break_it(
    written: Callable[[str | bytes], str], text: str
) -> None:
    """Files far larger or deeper than any by hand end in mistakes as well."""
    check_loading(written(text), text.count("\n") + 1)


def test_the_pieces_come_from_real_files() -> None:
    """The shipped files are there to be broken."""
    assert len(TEXTS) >= 4
    assert all(isinstance(path, Path) for path in SHIPPED)
