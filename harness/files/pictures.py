"""Pictures of a unit that a user names: read once, so that what is kept is what was looked at."""

from __future__ import annotations

import hashlib
import os
import re
import stat
from dataclasses import dataclass
from pathlib import Path, PurePosixPath, PureWindowsPath

from harness.errors import UsageError

#: Largest picture; a camera's are a tenth of it.
_LARGEST = 16 * 1024 * 1024

#: What pictures begin with, and the ending that belongs to it.
#: Source: JPEG (ISO/IEC 10918-1), PNG (ISO/IEC 15948), WebP container (RFC 9649).
_BEGINNINGS = (
    (re.compile(rb"\xff\xd8\xff"), "jpg"),
    (re.compile(rb"\x89PNG\r\n\x1a\n"), "png"),
    (re.compile(rb"RIFF.{4}WEBP", re.DOTALL), "webp"),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Picture:
    """A picture as it was read."""

    named: str  # as the user gave it
    content: bytes
    ending: str  # by its content: jpg, png or webp

    @property
    def sha256(self) -> str:
        """SHA-256 of its bytes, in hex."""
        return hashlib.sha256(self.content).hexdigest()

    def file_name(self, number: int) -> str:
        """Return a plain name for its copy, of its own by ``number``, on every system."""
        stem = PurePosixPath(self.named.replace("\\", "/")).stem
        plain = re.sub(r"[^A-Za-z0-9-]+", "-", stem)[:40].strip("-")
        return f"photo-{number:02}{'-' if plain else ''}{plain}.{self.ending}"


def picture_beside(folder: Path, named: str) -> Picture:
    """Read a picture that a file in ``folder`` names: in that folder or below, through no link.

    Raises:
        UsageError: There is none of that name there, or it is no picture.
    """
    parts = PurePosixPath(named).parts
    outside = ".." in parts or PurePosixPath(named).is_absolute()
    if outside or "\\" in named or PureWindowsPath(named).drive:
        raise _no_picture(
            named, "it is to lie beside this file or below", "name it with / and without .."
        )
    path = folder
    for part in parts:
        path /= part
        if path.is_symlink():
            raise _no_picture(named, "a link leads there", "put the picture itself there")
    return read_picture(path, named)


def read_picture(path: Path, named: str | None = None) -> Picture:
    """Read a picture, ``named`` as the user gave it (left out: its path).

    Raises:
        UsageError: It cannot be read, is too large, or is no picture.
    """
    named = str(path) if named is None else named
    try:
        content = _content(path, named)
    except FileNotFoundError:
        raise _no_picture(named, "there is no such picture", "check its name and place") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise _no_picture(named, f"it cannot be read: {reason}", "name another") from error
    for beginning, ending in _BEGINNINGS:
        if beginning.match(content):
            return Picture(named=named, content=content, ending=ending)
    raise _no_picture(named, "it is no picture", "name a JPEG, PNG or WebP file")


def _content(path: Path, named: str) -> bytes:
    # Looked at before it is opened: a pipe would be waited for.
    if not stat.S_ISREG(path.stat().st_mode):
        raise _no_picture(named, "it is no ordinary file", "name a picture")
    with path.open("rb") as file:
        if os.fstat(file.fileno()).st_size <= _LARGEST:
            content = file.read(_LARGEST + 1)
            if len(content) <= _LARGEST:
                return content
    limit = f"{_LARGEST // 1024**2} MiB"
    raise _no_picture(named, f"it is larger than {limit}", "make it smaller, or name another")


def _no_picture(named: str, what: str, remedy: str) -> UsageError:
    return UsageError(what, where=named, remedy=remedy)
