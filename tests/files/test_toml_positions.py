from __future__ import annotations

import tomllib
from collections.abc import Iterator

import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.files.toml_positions import KeyPath, TomlPositions

TEXT = '''\
# a comment with [brackets] = and "quotes
title = "one # two"            # line 2

[unit]
input = { kind = "dc", nominal = "24 V", deep = { er = 1 } }   # line 5
"odd key" = 'C:\\path'
dotted.key.here = 1

[[steps]]                      # line 9
kind = "start"
levels = [                     # line 11
  "10 %",
  "]",   # not the end

  ["x", "y"], { a = 1, b.c = [ 2 ] },
]
text = """
key = "in a string"
""""
[[steps.checks]]               # line 20
name = """a"""
[[steps.checks]]
name = \'\'\'b\'\'\'
[steps.checks.more]
when = 2027-05-01 07:32:00
[[steps]]                      # line 26
[[steps.checks]]
name = "\\"]"
"tab\\there" = 1
'''


def paths(data: object, path: KeyPath = ()) -> Iterator[KeyPath]:
    """Yield the path of everything in a parsed file."""
    items = (
        data.items()
        if isinstance(data, dict)
        else enumerate(data)
        if isinstance(data, list)
        else ()
    )
    for key, value in items:
        yield (*path, key)
        yield from paths(value, (*path, key))


class TestLines:
    @pytest.mark.parametrize(
        ("path", "line"),
        [
            (("title",), 2),
            (("unit",), 4),
            (("unit", "input"), 5),
            (("unit", "input", "nominal"), 5),
            (("unit", "input", "deep", "er"), 5),
            (("unit", "odd key"), 6),
            (("unit", "dotted", "key", "here"), 7),
            (("steps",), 9),
            (("steps", 0), 9),
            (("steps", 0, "kind"), 10),
            (("steps", 0, "levels"), 11),
            (("steps", 0, "levels", 0), 12),
            (("steps", 0, "levels", 1), 13),
            (("steps", 0, "levels", 2, 1), 15),
            (("steps", 0, "levels", 3, "b", "c", 0), 15),
            (("steps", 0, "text"), 17),
            (("steps", 0, "checks", 0), 20),
            (("steps", 0, "checks", 0, "name"), 21),
            (("steps", 0, "checks", 1, "name"), 23),
            (("steps", 0, "checks", 1, "more"), 24),
            (("steps", 0, "checks", 1, "more", "when"), 25),
            (("steps", 1), 26),
            (("steps", 1, "checks", 0, "name"), 28),
            (("steps", 1, "checks", 0, "tab\there"), 29),
        ],
    )
    def test_finds_every_way_to_write_a_key(self, path: KeyPath, line: int) -> None:
        """Keys in tables, lists of tables, inline tables and lists each have their own line."""
        assert TomlPositions(TEXT).lines.get(path) == line

    def test_knows_what_the_parser_knows(self) -> None:
        """Each path of the parsed text has a line, and no other path has one."""
        assert frozenset(TomlPositions(TEXT).lines) == frozenset(paths(tomllib.loads(TEXT)))

    @pytest.mark.parametrize("ending", ["\n", "\r\n"])
    def test_counts_lines_of_any_ending(self, ending: str) -> None:
        """Line endings of any system and a byte order mark leave the count alone."""
        text = "\ufeff" + TEXT.replace("\n", ending)

        assert TomlPositions(text).lines.get(("steps", 1, "checks", 0, "name")) == 28

    @pytest.mark.parametrize(
        ("path", "line"),
        [
            (("unit", "input", "current"), 5),
            (("steps", 1, "checks", 0, "measure"), 27),
            (("nothing",), None),
        ],
    )
    def test_a_missing_key_belongs_to_its_table(self, path: KeyPath, line: int | None) -> None:
        """A key that is not there is looked for in the table that lacks it, else nowhere."""
        assert TomlPositions(TEXT).nearest(path) == line

    def test_a_table_begins_at_its_own_header(self) -> None:
        """A table that was passed through first begins at its header all the same."""
        text = "[a.b]\nx = 1\n[a]\ny = 2\n"

        assert TomlPositions(text).lines.get(("a",)) == 3

    @pytest.mark.parametrize("text", ["a = [", "= 1", "a = {b", "[a", 'a = "', "a = 1 2 ]", "\x00"])
    def test_says_nothing_of_what_it_cannot_follow(self, text: str) -> None:
        """Text that is no TOML has no lines at all, rather than wrong ones."""
        assert frozenset(TomlPositions(text).lines) == frozenset()

    def test_survives_deep_nesting(self) -> None:
        """Brackets nested beyond the stack give no lines and no crash."""
        assert frozenset(TomlPositions("a = " + "[" * 100_000).lines) == frozenset()


# --- random documents, written line by line so that each line is known --------------------------

KEYS = st.sampled_from(["a", "b-c", "d_1", "x y", "tab\t", 'q"', "ä"]) | st.text(
    st.characters(codec="utf-8", exclude_characters="\x7f"), max_size=4
)
SCALARS = st.sampled_from(
    ["1", "-0.5", "true", "2027-05-01", "07:32:00", '"#] }"', "'[{'", '"""x\ny"""', "''''z'''"]
)


def quoted(key: str) -> str:
    """Write a key so that any text is allowed in it."""
    escaped = "".join(
        f"\\u{ord(letter):04x}" if letter in '"\\' or ord(letter) < 0x20 else letter
        for letter in key
    )
    return f'"{escaped}"'


@st.composite
def documents(draw: st.DrawFn) -> tuple[str, dict[KeyPath, int]]:
    """Draw a document of lists of tables, with the line of each key in it."""
    lines: list[str] = []
    known: dict[KeyPath, int] = {}

    def here() -> int:
        return sum(line.count("\n") + 1 for line in lines) + 1

    for table in range(draw(st.integers(0, 4))):
        lines.extend(draw(st.lists(st.sampled_from(["", "  # [no]", "\t"]), max_size=2)))
        known["t", table] = here()
        lines.append(draw(st.sampled_from(["[[t]]", '[[ "t" ]] # x', "  [[t]]"])))
        for key in draw(st.lists(KEYS, max_size=4, unique=True)):
            known["t", table, key] = here()
            parts = draw(st.lists(SCALARS, max_size=3))
            opening = f"{quoted(key)} = ["
            for position, part in enumerate(parts):
                opening += draw(st.sampled_from(["", "\n", " # ]\n"]))
                known["t", table, key, position] = here() + opening.count("\n")
                opening += f"{part},"
            lines.append(opening + draw(st.sampled_from(["]", "\n]", " ] # end"])))
    return "\n".join(lines), known


@given(documents())
def test_random_documents_have_the_lines_they_were_written_on(
    document: tuple[str, dict[KeyPath, int]],
) -> None:
    """Whatever the style of a document, each key is found on the line it was written on."""
    text, known = document
    found = TomlPositions(text)

    assert {path: found.lines.get(path) for path in known} == known
    assert frozenset(found.lines) == frozenset(paths(tomllib.loads(text)))
