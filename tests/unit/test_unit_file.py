"""Unit files: what loads, and what each mistake is told as."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from pathlib import Path

import pytest

from harness.errors import FileError
from harness.shipped import shipped_names
from harness.unit.unit_file import UnitFile, load_unit

TEXT = """\
title = "Dome-shutter power unit"
serial = "HRW-0007"
maker = "Tarnbeck"

[unit]
protection_class = "II"
input = { kind = "ac", nominal = "120 V", tolerance = "10 %", frequency = ["60 Hz"], \
current = "1.2 A" }
output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A" } }

[event]
kind = "ac"
voltage = "230 V"
opened = "fuse"

[[parts]]
name = "F1"
kind = "fuse"
current = "2 A"
voltage = "250 V"
characteristic = "T"
melting_i2t = "60 A2s"
replaced = true
fitted = { current = "2 A", voltage = "250 V", characteristic = "T" }

[[parts]]
name = "D5"
kind = "output-diode"
output = "main"
reverse_voltage = "200 V"
current = "10 A"
"""

LoadOf = Callable[..., UnitFile]
UNITS = [name for name in shipped_names("profiles") if name.startswith("units/")]


@pytest.fixture
def load_of(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> LoadOf:
    """Return a function that loads the text above with parts of it replaced."""
    monkeypatch.chdir(tmp_path)

    def load(*changes: tuple[str, str]) -> UnitFile:
        text = TEXT
        for old, new in changes:
            assert old in text, old
            text = text.replace(old, new, 1)
        Path("it.toml").write_text(text, encoding="utf-8", newline="\n")
        return load_unit("it.toml")

    return load


def test_what_a_file_says(load_of: LoadOf) -> None:
    """A right file gives its figures in SI units, and knows where it came from."""
    unit = load_of()

    assert unit.unit.input.highest_v == pytest.approx(132.0)
    assert unit.event is not None
    assert unit.event.voltage_v == 230.0
    fuse, diode = unit.parts
    assert fuse.kind == "fuse"
    assert fuse.melting_i2t_a2s == 60.0
    assert fuse.fitted is not None
    assert fuse.fitted.breaking == "L"
    assert diode.kind == "output-diode"
    assert unit.source == "it.toml"
    assert unit.text == TEXT
    assert unit.sha256 == hashlib.sha256(TEXT.encode()).hexdigest()


@pytest.mark.parametrize("name", UNITS)
def test_every_shipped_unit_file_loads(name: str) -> None:
    """Whatever ships loads by its whole name, without its suffix, and without its folder."""
    short = name.removeprefix("units/").removesuffix(".toml")

    assert load_unit(name).text == load_unit(name.removesuffix(".toml")).text
    assert load_unit(name).text == load_unit(short).text


def test_both_demo_units_ship() -> None:
    """Unit A and unit B of the demo workshop are there, beside what else is shipped."""
    assert {"dome-shutter-HRW-0007", "mount-controller-HRW-0012"} <= {
        Path(name).stem for name in UNITS
    }


@pytest.mark.parametrize(
    ("old", "new", "message"),
    [
        (
            'kind = "fuse"',
            'kind = "fuze"',
            (
                "it.toml:17: parts[0].kind: there is no kind of part 'fuze', did you mean 'fuse'?; "
                'for example: kind = "fuse"'
            ),
        ),
        (
            'melting_i2t = "60 A2s"',
            'melting_i2t = "60 A"',
            (
                "it.toml:21: parts[0].melting_i2t: '60 A' is not in A2s; "
                'for example: melting_i2t = "60 A2s"'
            ),
        ),
        (
            'voltage = "230 V"',
            "voltage = 230",
            (
                "it.toml:12: event.voltage: the number 230 has no unit; expected a voltage; "
                'for example: voltage = "230 V"'
            ),
        ),
        (
            'opened = "fuse"',
            'opened = "fuses"',
            (
                "it.toml:13: event.opened: expected 'fuse' or 'breaker' or 'nothing' or 'unknown', "
                "got 'fuses', did you mean 'fuse'?; for example: opened = \"fuse\""
            ),
        ),
        (
            'fitted = { current = "2 A", voltage',
            'fitted = { curent = "2 A", voltage',
            (
                "it.toml:23: parts[0].fitted.current: this key is missing; "
                'for example: current = "2 A"\n'
                "it.toml:23: parts[0].fitted.curent: there is no key 'curent' here, did you mean "
                "'current'?"
            ),
        ),
        (
            "replaced = true",
            "replaced = false",
            (
                "it.toml:22: parts[0].replaced: something is fitted in its place, so it was "
                "replaced; for example: replaced = true"
            ),
        ),
        (
            'name = "D5"',
            'name = "F1"',
            "it.toml:26: parts[1].name: there is a part 'F1' already; every name once",
        ),
        (
            'output = "main"',
            'output = "mian"',
            (
                "it.toml:28: parts[1].output: the unit has no output 'mian', did you mean 'main'?; "
                'for example: output = "main"'
            ),
        ),
        (
            'kind = "output-diode"\noutput = "main"',
            'kind = "diode"\nplace = "series"',
            (
                "it.toml:27: parts[1].kind: a diode against wrong polarity, but the unit's input "
                'is AC; name a bridge; for example: kind = "bridge"'
            ),
        ),
        (
            'kind = "ac"\nvoltage = "230 V"',
            'kind = "dc"\nvoltage = "230 V"\nfrequency = "50 Hz"',
            "it.toml:13: event.frequency: what was applied is DC: it has no frequency",
        ),
        (
            'opened = "fuse"',
            "polarity_reversed = true",
            (
                "it.toml:13: event.polarity_reversed: what was applied is AC: it has no polarity; "
                "for example: polarity_reversed = false"
            ),
        ),
        (
            'kind = "ac"\nvoltage = "230 V"',
            'kind = "surge"\nvoltage = "2 kV"\nduration = "50 us"',
            (
                "it.toml:13: event.duration: a surge is taken as the wave of IEC 61000-4-5, and "
                "has none of its own"
            ),
        ),
        (
            'output = { main = { kind = "dc", nominal = "24 V", current = "2.5 A" } }\n',
            "",
            (
                "it.toml:26: parts[1].kind: 'output-diode', but the unit has no output; name it in "
                "[unit]"
            ),
        ),
    ],
)
def test_each_mistake_has_its_message(load_of: LoadOf, old: str, new: str, message: str) -> None:
    """A mistake is told with file, line, key, what is wrong and what would be right."""
    with pytest.raises(FileError) as caught:
        load_of((old, new))

    assert str(caught.value) == message
    assert caught.value.exit_code == 2


#: Everything before the parts: a change that takes the parts out, and one that puts others first.
NO_PARTS = (TEXT[TEXT.index("[[parts]]") :], "")


def test_no_parts(load_of: LoadOf) -> None:
    """A unit file without parts has nothing to assess."""
    with pytest.raises(FileError) as caught:
        load_of(NO_PARTS, ("title", "parts = []\ntitle"))

    assert str(caught.value).startswith("it.toml:1: parts: at least one is needed")


@pytest.mark.parametrize("part", ["5", '"fuse"', "{}", "{ kind = 5 }", "[]"])
def test_parts_that_are_none(load_of: LoadOf, part: str) -> None:
    """Whatever stands in the place of a part, a message comes of it."""
    with pytest.raises(FileError) as caught:
        load_of(NO_PARTS, ("title", f"parts = [{part}]\ntitle"))

    assert all(mistake.line == 1 for mistake in caught.value.mistakes)


def test_a_missing_file_names_the_nearest(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A name that is nearly right is answered with the right one, any other with all."""
    monkeypatch.chdir(tmp_path)
    with pytest.raises(FileError, match="did you mean 'units/dome-shutter-HRW-0007'"):
        load_unit("dome-shuter-HRW-0007.toml")
    with pytest.raises(FileError, match="shipped with the program: units/dome"):
        load_unit("zzz")


def test_a_file_of_the_users_own_comes_first(load_of: LoadOf) -> None:
    """A file in the working folder is meant before a shipped one of the same name."""
    load_of()
    Path("it.toml").rename("dome-shutter-HRW-0007")

    assert load_unit("dome-shutter-HRW-0007").text == TEXT


def test_a_folder_is_no_unit_file(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A folder is told to be one."""
    monkeypatch.chdir(tmp_path)
    Path("here").mkdir()
    with pytest.raises(FileError, match="this is a folder"):
        load_unit("here")


class TestPhotos:
    JPEG = b"\xff\xd8\xff\xe0 board"

    def test_a_photo_is_read_with_the_file(self, load_of: LoadOf) -> None:
        """The pictures a file names are read from beside it, in its order."""
        for name in ("front.jpg", "back.jpg"):
            Path(name).write_bytes(self.JPEG + name.encode())
        unit = load_of(('maker = "Tarnbeck"', 'photos = ["front.jpg", "back.jpg"]'))

        assert [picture.named for picture in unit.pictures] == ["front.jpg", "back.jpg"]
        assert unit.pictures[1].content == self.JPEG + b"back.jpg"

    def test_beside_the_file_not_the_shell(self, tmp_path: Path) -> None:
        """A path counts from the unit file's folder, wherever the command was started."""
        folder = tmp_path / "units"
        folder.mkdir()
        (folder / "board.jpg").write_bytes(self.JPEG)
        text = TEXT.replace('maker = "Tarnbeck"', 'photos = ["board.jpg"]')
        (folder / "it.toml").write_text(text, encoding="utf-8")

        assert len(load_unit(folder / "it.toml").pictures) == 1

    @pytest.mark.parametrize(
        ("named", "problem"),
        [
            ("board.jpg", "there is no such picture; check its name and place"),
            ("it.toml", "it is no picture; name a JPEG, PNG or WebP file"),
            (
                "../board.jpg",
                "it is to lie beside this file or below; name it with / and without ..",
            ),
        ],
    )
    def test_one_that_cannot_be_used_is_a_mistake_of_the_file(
        self, load_of: LoadOf, named: str, problem: str
    ) -> None:
        """A picture that is not there is told with file, line and key, like every mistake."""
        with pytest.raises(FileError) as caught:
            load_of(('maker = "Tarnbeck"', f'photos = ["{named}"]'))

        assert str(caught.value) == f"it.toml:3: photos[0]: '{named}': {problem}"

    def test_no_album(self, load_of: LoadOf) -> None:
        """More than twenty pictures are refused before any is read."""
        with pytest.raises(FileError, match=r"it\.toml:3: photos: "):
            load_of(('maker = "Tarnbeck"', f"photos = {['board.jpg'] * 21}".replace("'", '"')))
