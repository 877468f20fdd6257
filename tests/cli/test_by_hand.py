"""A source set by hand on the command line: rehearsed with any hand, its leads never looked at."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.command import called

NAME, BENCH = "dome-shutter-full-release-by-hand", "bench-by-hand"


def test_the_worked_example_passes_with_a_steady_hand(tmp_path: Path) -> None:
    """Cold checks, by hand through lamp and switch, load by resistor: unit B passes."""
    ended = called(
        "rehearse", NAME, "--bench", BENCH, "--unit", "dome-shutter-HRW-0007",
        "--results", str(tmp_path),
    )  # fmt: skip
    assert ended.returncode == 0, ended.stdout + ended.stderr
    assert "checks passed" in ended.stdout + ended.stderr


@pytest.mark.parametrize(
    ("options", "code", "said"),
    [
        (("--hand", "too far"), 3, "turned_too_far"),
        (("--fault", "shorted-varistor"), 5, "Cold check failed"),
    ],
)
def test_what_is_wrong_ends_it(
    tmp_path: Path, options: tuple[str, ...], code: int, said: str
) -> None:
    """A hand that does not stop is cut; a shorted unit gets no power."""
    ended = called("rehearse", NAME, "--bench", BENCH, *options, "--results", str(tmp_path))
    assert ended.returncode == code, ended.stdout + ended.stderr
    assert said in ended.stdout + ended.stderr


def test_hands_are_listed() -> None:
    """Each with what it does."""
    assert "jerks" in called("rehearse", "--hand", "list").stdout


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("rehearse", NAME, "--bench", BENCH, "--hand", "to far"), "did you mean 'too far'"),
        (("rehearse", "--hand", "too far"), "no hand sets the source of this bench"),
        (("rehearse", NAME, "--bench", BENCH, "--listen"), "--listen serves the shipped bench"),
        (("bench", BENCH, "--wiring"), "a hand sets this one"),
    ],
)
def test_what_does_not_fit_is_told(tmp_path: Path, words: tuple[str, ...], said: str) -> None:
    """One clear message, and nothing done."""
    ended = called(*words, cwd=tmp_path)
    assert ended.returncode == 2
    assert said in " ".join((ended.stdout + ended.stderr).split())
