from __future__ import annotations

import struct
import zlib

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from harness.report.png import _chunk, _chunks, cut_out

START = b"\x89PNG\r\n\x1a\n"


def filtered(pixels: np.ndarray, kinds: list[int], channels: int) -> bytes:
    """Rows as a PNG writer filters them, by the definitions of the specification."""
    rows = pixels.astype(int)
    out = b""
    for number, row in enumerate(rows):
        above = rows[number - 1] if number else np.zeros_like(row)
        left = np.concatenate([np.zeros(channels, int), row[:-channels]])
        corner = np.concatenate([np.zeros(channels, int), above[:-channels]])
        aim = left + above - corner
        guesses = np.stack([left, above, corner])
        paeth = np.take_along_axis(
            guesses, np.abs(guesses - aim).argmin(axis=0)[np.newaxis], axis=0
        )[0]
        guess = [np.zeros_like(row), left, above, (left + above) // 2, paeth][kinds[number]]
        out += bytes([kinds[number]]) + ((row - guess) % 256).astype(np.uint8).tobytes()
    return out


def png(pixels: np.ndarray, kinds: list[int], colour: int = 2, depth: int = 8) -> bytes:
    """A picture of shape (rows, columns, channels), in two pieces."""
    rows, columns, channels = pixels.shape
    body = zlib.compress(filtered(pixels.reshape(rows, -1), kinds, channels))
    head = struct.pack(">IIBBBBB", columns, rows, depth, colour, 0, 0, 0)
    pieces = [(b"IHDR", head), (b"IDAT", body[:20]), (b"IDAT", body[20:]), (b"IEND", b"")]
    return START + b"".join(_chunk(*piece) for piece in pieces)


@given(
    seed=st.integers(0, 2**32 - 1),
    kinds=st.lists(st.integers(0, 4), min_size=6, max_size=6),
    colour=st.sampled_from([(0, 1), (2, 3), (4, 2), (6, 4)]),
)
def test_the_corner_comes_out_grey(seed: int, kinds: list[int], colour: tuple[int, int]) -> None:
    """Under every filter and colour type the corner's pixels come out, as the mean of colours."""
    pixels = np.random.default_rng(seed).integers(0, 256, (6, 7, colour[1]), dtype=np.uint8)

    cut = dict(_chunks(cut_out(png(pixels, kinds, colour[0]), 4, 5, 300)))

    lines = np.frombuffer(zlib.decompress(cut[b"IDAT"]), np.uint8).reshape(5, 5)
    colours = 1 if colour[1] < 3 else 3
    assert (lines[:, 0] == 0).all()
    assert (lines[:, 1:] == np.rint(pixels[:5, :4, :colours].mean(axis=2))).all()


def test_it_knows_its_size_on_paper() -> None:
    """300 dots to the inch are 11811 to the metre."""
    pixels = np.zeros((3, 3, 3), np.uint8)
    cut = dict(_chunks(cut_out(png(pixels, [0, 0, 0]), 3, 3, 300)))

    assert struct.unpack(">IIB", cut[b"pHYs"]) == (11811, 11811, 1)


@pytest.mark.parametrize(
    ("picture", "reason"),
    [
        (b"GIF89a", "this is no PNG"),
        (png(np.zeros((3, 3, 3), np.uint8), [0, 0, 0], depth=16), "8 bits a channel"),
        (png(np.zeros((2, 3, 3), np.uint8), [0, 0]), "more than there is"),
    ],
)
def test_another_picture_is_refused(picture: bytes, reason: str) -> None:
    """What is no such picture, or too small, is an error and no garbage."""
    with pytest.raises(ValueError, match=reason):
        cut_out(picture, 3, 3, 300)
