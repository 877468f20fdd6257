"""A corner of a PNG picture, in grey, with its size on paper.

A browser's picture is as large as its window, which is never as small as a label. Cutting it needs
no picture library: rows of bytes, unfiltered and packed anew.

Source: PNG specification (ISO/IEC 15948), 9 (filters) and 11 (chunks), from memory.
"""

from __future__ import annotations

import struct
import zlib
from collections.abc import Iterator

import numpy as np
import numpy.typing as npt

__all__ = ["cut_out"]

_START = b"\x89PNG\r\n\x1a\n"
#: Channels by colour type, without a palette.
_CHANNELS = {0: 1, 2: 3, 4: 2, 6: 4}


def cut_out(picture: bytes, width: int, height: int, dots_per_inch: float) -> bytes:
    """Return the upper left corner of a picture as a grey PNG.

    Args:
        picture: A PNG of 8 bits a channel, not interlaced.
        width: Pixels to keep in each row; no more than there are.
        height: Rows to keep; no more than there are.
        dots_per_inch: Pixels to the inch, for whatever prints it.

    Raises:
        ValueError: It is no such picture, or smaller than the corner.
    """
    chunks = dict(_chunks(picture))
    columns, rows, depth, colour, *rest = struct.unpack(">IIBBBBB", chunks[b"IHDR"])
    if depth != 8 or colour not in _CHANNELS or rest != [0, 0, 0]:
        raise ValueError("a picture of 8 bits a channel, not interlaced, is needed")
    if width > columns or height > rows:
        raise ValueError(f"a corner of {width} x {height} is more than there is")
    channels = _CHANNELS[colour]
    lines = _unfiltered(zlib.decompress(chunks[b"IDAT"]), columns * channels, channels, height)
    colours = 1 if channels < 3 else 3
    pixels = lines.reshape(height, columns, channels)[:, :width, :colours]
    grey = np.rint(pixels.mean(axis=2)).astype(np.uint8)
    packed = np.hstack([np.zeros((height, 1), np.uint8), grey]).tobytes()
    per_metre = round(dots_per_inch / 0.0254)
    return _START + b"".join(
        [
            _chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)),
            _chunk(b"pHYs", struct.pack(">IIB", per_metre, per_metre, 1)),
            _chunk(b"IDAT", zlib.compress(packed, 9)),
            _chunk(b"IEND", b""),
        ]
    )


def _chunks(picture: bytes) -> Iterator[tuple[bytes, bytes]]:
    """Yield every chunk; the pieces of the picture itself as one."""
    if not picture.startswith(_START):
        raise ValueError("this is no PNG")
    place, body = len(_START), b""
    while place + 8 <= len(picture):
        length = int.from_bytes(picture[place : place + 4], "big")
        name = picture[place + 4 : place + 8]
        content = picture[place + 8 : place + 8 + length]
        if name == b"IDAT":
            body += content
        else:
            yield name, content
        place += 12 + length
    yield b"IDAT", body


def _chunk(name: bytes, content: bytes) -> bytes:
    check = zlib.crc32(name + content)
    return struct.pack(">I", len(content)) + name + content + struct.pack(">I", check)


def _unfiltered(stream: bytes, width: int, step: int, height: int) -> npt.NDArray[np.uint8]:
    """Undo the filter of each row, which predicts a byte from those left of it and above."""
    lines = np.zeros((height, width), np.uint8)
    above = bytes(width)
    for row in range(height):
        start = row * (width + 1)
        line = bytearray(stream[start + 1 : start + 1 + width])
        _undo(stream[start], line, above, step)
        lines[row] = np.frombuffer(line, np.uint8)
        above = bytes(line)
    return lines


def _undo(kind: int, line: bytearray, above: bytes, step: int) -> None:
    if kind == 2:  # the commonest of a picture of text: the row above, all at once
        total = np.frombuffer(line, np.uint8) + np.frombuffer(above, np.uint8)
        line[:] = total.tobytes()
    elif kind in {1, 3, 4}:
        for place in range(len(line)):
            left = line[place - step] if place >= step else 0
            corner = above[place - step] if place >= step else 0
            guess = {
                1: left,
                3: (left + above[place]) // 2,
                4: _nearest(left, above[place], corner),
            }[kind]
            line[place] = (line[place] + guess) & 0xFF


def _nearest(left: int, above: int, corner: int) -> int:
    """Whichever of the three is nearest to left + above - corner."""
    aim = left + above - corner
    return min((left, above, corner), key=lambda guess: abs(aim - guess))
