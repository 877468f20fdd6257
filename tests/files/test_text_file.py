from __future__ import annotations

import hashlib
import os
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import FileError
from harness.files.text_file import read_toml

Written = Callable[[str | bytes], str]


def problem(name: str) -> str:
    """Return what is said about a file that cannot be read."""
    with pytest.raises(FileError) as caught:
        read_toml(Path(name), name)
    return str(caught.value)


class TestReading:
    def test_keeps_the_text_to_the_last_byte(self, written: Written) -> None:
        """Text and hash are those of the file as it stands, line endings included."""
        raw = '\ufefftitle = "\u00e4"\r\n'.encode()

        file = read_toml(Path(written(raw)), "it.toml")

        assert file.text.encode() == raw
        assert file.sha256 == hashlib.sha256(raw).hexdigest()
        assert file.data == {"title": "\u00e4"}

    def test_reads_an_empty_file(self, written: Written) -> None:
        """An empty file is a table without keys."""
        assert read_toml(Path(written("")), "it.toml").data == {}


class TestRefusal:
    @pytest.mark.parametrize(
        ("content", "message"),
        [
            (b"a = 1\nb = \x00", "it.toml:2: it holds a NUL byte: this is no text file"),
            (b"\x7fELF\x00", "it.toml:1: it holds a NUL byte: this is no text file"),
            (
                b"a = 1\nb = '\xff'",
                "it.toml:2: it is not UTF-8 text; save it as UTF-8 in your editor",
            ),
            (
                '\ufeffa = "x"'.encode("utf-16-le"),
                "it.toml:1: it holds a NUL byte: this is no text file",
            ),
            (
                b"a = 1\n\n= 2",
                "it.toml:3: this is no valid TOML: Invalid statement",
            ),
            (
                b"a = 1\na = 2\n",
                "it.toml:2: this is no valid TOML: Cannot overwrite a value",
            ),
            (
                b"# steps\r\ndwell = 1 s\r\n",
                "it.toml:2: dwell: '1 s' is text and needs quotes; for example: dwell = \"1 s\"",
            ),
            (
                b"nominal = 24V # volts\n",
                (
                    "it.toml:1: nominal: '24V' is text and needs quotes; "
                    'for example: nominal = "24V"'
                ),
            ),
            (b'a = 1\nb = "', "it.toml:2: this is no valid TOML: Unterminated string"),
            (b"a = " + b"[" * 3000, "it.toml: this is no valid TOML: brackets are nested too deep"),
            (b"#" * 4001, "it.toml:1: this line is longer than 4000 characters"),
            (
                b"a = 1\nb" + b".b" * 1990 + b" = 1\n",
                'it.toml:2: a key here has more than 16 parts; for example: input.nominal = "24 V"',
            ),
            (
                b"[steps" + b' . "x"' * 300 + b"]\n",
                'it.toml:1: a key here has more than 16 parts; for example: input.nominal = "24 V"',
            ),
            (b"a = 1\n" * 200_000, "it.toml: it is larger than 256 KiB; nobody wrote that by hand"),
        ],
    )
    def test_says_what_kind_of_file_it_is(
        self, written: Written, content: bytes, message: str
    ) -> None:
        """What is no TOML text is answered by what it is, and by the line where there is one."""
        assert problem(written(content)) == message

    def test_dots_in_text_are_no_key(self, written: Written) -> None:
        """Version numbers, paths and dotted leaders in text and comments are left alone."""
        dotted = ".".join("a" * 40)
        text = f'title = "{dotted}"\n# limits {"." * 60} page 3. See there. And there. And so on.\n'

        assert read_toml(Path(written(text)), "it.toml").data == {"title": dotted}

    def test_never_reads_a_gigabyte(self, written: Written) -> None:
        """A file of 1 GiB is refused by its size alone."""
        os.truncate(written(""), 1 << 30)

        assert problem("it.toml") == "it.toml: it is larger than 256 KiB; nobody wrote that by hand"

    def test_refuses_a_day_no_calendar_has(self, written: Written) -> None:
        """A date that reads well and does not exist is a mistake in the file, not a crash."""
        assert problem(written("due = 2027-02-30\n")) == (
            "it.toml:1: this is no valid TOML: Invalid date or datetime"
        )

    def test_names_a_missing_file(self, tmp_path: Path) -> None:
        """A missing file is told by its name."""
        name = str(tmp_path / "none.toml")

        assert problem(name) == f"{name}: there is no such file"

    def test_names_a_folder(self, tmp_path: Path) -> None:
        """A folder is told from a file."""
        assert problem(str(tmp_path)) == f"{tmp_path}: this is a folder; name a file in it"

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="pipes with a name are POSIX")
    def test_does_not_wait_for_a_pipe(self, tmp_path: Path) -> None:
        """A named pipe, which nobody may ever write to, is refused at once."""
        os.mkfifo(tmp_path / "pipe")

        assert problem(str(tmp_path / "pipe")).endswith("pipe: this is no ordinary file")

    @pytest.mark.parametrize("name", ["a\x00b", "x" * 5000])
    def test_bears_names_no_file_can_have(self, name: str) -> None:
        """A name the system cannot take is a mistake, not a crash."""
        assert "it cannot be read" in problem(name)

    def test_a_missing_file_is_told_as_that(self) -> None:
        """A path that leads nowhere is a mistake of the whole file."""
        with pytest.raises(FileError, match="there is no such file"):
            read_toml(Path("none.toml"), "none.toml")
