"""Pictures that a user names: only pictures, only where they belong, only ordinary files."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from harness.errors import UsageError
from harness.files.pictures import picture_beside, read_picture

JPEG, PNG = b"\xff\xd8\xff\xe0 board", b"\x89PNG\r\n\x1a\n board"
WEBP = b"RIFF\x10\x00\x00\x00WEBPVP8 board"


def put(path: Path, content: bytes = JPEG) -> Path:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(content)
    return path


class TestContent:
    @pytest.mark.parametrize(("content", "ending"), [(JPEG, "jpg"), (PNG, "png"), (WEBP, "webp")])
    def test_what_it_is_shows_in_its_first_bytes(
        self, tmp_path: Path, content: bytes, ending: str
    ) -> None:
        """JPEG, PNG and WebP are told by how they begin, whatever they are called."""
        read = read_picture(put(tmp_path / "board.bmp", content))

        assert (read.content, read.ending) == (content, ending)

    @pytest.mark.parametrize(
        "content", [b"", b"%PDF-1.7", b"<svg onload='x'/>", b"GIF89a", b"RIFF1234WAVE"]
    )
    def test_anything_else_is_no_picture(self, tmp_path: Path, content: bytes) -> None:
        """A page, a script or a sound called board.jpg is refused."""
        path = put(tmp_path / "board.jpg", content)

        with pytest.raises(UsageError) as caught:
            read_picture(path)

        assert str(caught.value) == f"{path}: it is no picture; name a JPEG, PNG or WebP file"

    def test_one_that_is_far_too_large(self, tmp_path: Path) -> None:
        """More than 16 MiB are not read."""
        path = put(tmp_path / "board.jpg")
        os.truncate(path, 16 * 1024**2 + 1)

        with pytest.raises(UsageError, match="larger than 16 MiB"):
            read_picture(path)

    def test_no_ordinary_file(self, tmp_path: Path) -> None:
        """A folder is no picture; a pipe is not waited for."""
        with pytest.raises(UsageError, match="no ordinary file"):
            read_picture(tmp_path)
        if hasattr(os, "mkfifo"):
            os.mkfifo(tmp_path / "pipe.jpg")
            with pytest.raises(UsageError, match="no ordinary file"):
                read_picture(tmp_path / "pipe.jpg")


class TestPlace:
    def test_in_a_folder_below(self, tmp_path: Path) -> None:
        """A picture may lie in a folder beside the file."""
        put(tmp_path / "photos" / "board.jpg")

        assert picture_beside(tmp_path, "photos/board.jpg").named == "photos/board.jpg"

    @pytest.mark.parametrize(
        "named",
        [
            "../board.jpg",
            "photos/../../board.jpg",
            "/etc/board.jpg",
            "..\\board.jpg",
            "C:board.jpg",
            "C:\\board.jpg",
        ],
    )
    def test_nothing_leads_out(self, tmp_path: Path, named: str) -> None:
        """No path leads out of the folder of the file, on any system."""
        put(tmp_path / "board.jpg")

        with pytest.raises(UsageError) as caught:
            picture_beside(tmp_path / "inside", named)

        assert caught.value.what == "it is to lie beside this file or below"

    @pytest.mark.skipif(os.name == "nt", reason="links need a right there")
    @pytest.mark.parametrize("named", ["link.jpg", "photos/board.jpg"])
    def test_no_link_leads_out_either(self, tmp_path: Path, named: str) -> None:
        """Neither a picture nor a folder on the way may be a link."""
        put(tmp_path / "elsewhere" / "board.jpg")
        inside = tmp_path / "inside"
        inside.mkdir()
        (inside / "link.jpg").symlink_to(tmp_path / "elsewhere" / "board.jpg")
        (inside / "photos").symlink_to(tmp_path / "elsewhere")

        with pytest.raises(UsageError) as caught:
            picture_beside(inside, named)

        assert caught.value.what == "a link leads there"

    def test_none_there(self, tmp_path: Path) -> None:
        """A picture that is missing is said so."""
        with pytest.raises(UsageError) as caught:
            picture_beside(tmp_path, "board.jpg")

        assert str(caught.value) == (
            "board.jpg: there is no such picture; check its name and place"
        )


class TestNameOfTheCopy:
    @pytest.mark.parametrize(
        ("named", "name"),
        [
            ("board.jpg", "photo-07-board.jpg"),
            ("photos/Board front.JPEG", "photo-07-Board-front.jpg"),
            ("a/b/\u00e9\u00e8.png", "photo-07.jpg"),
            ("C:\\pictures\\con.jpg", "photo-07-con.jpg"),
            ("x" * 90 + ".jpg", f"photo-07-{'x' * 40}.jpg"),
            ('".."\'<b>.jpg', "photo-07-b.jpg"),
        ],
    )
    def test_plain_on_every_system(self, tmp_path: Path, named: str, name: str) -> None:
        """A copy has a plain name of its own, with the ending its content has."""
        read = read_picture(put(tmp_path / "it"), named)

        assert read.file_name(7) == name
