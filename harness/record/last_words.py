"""What the keeper adds to a journal whose engine is gone: what became of power after all.

An engine that was killed wrote nothing of that any more, and nobody else writes to its journal. A
record that was finished is never touched: it is sealed, and says itself how power went off.
"""

from __future__ import annotations

import contextlib
import csv
import os
from collections.abc import Sequence
from pathlib import Path

from harness.profile.hand_loads import BATTERY_LEFT, is_battery
from harness.record.csv_text import EVENTS, number, sound_text, word, word_back
from harness.record.events import EventKind
from harness.record.seal import RUN_FILE

#: Time of the run, kind and detail of what became of power, in turn.
Words = list[tuple[float, EventKind, str]]

#: What the keeper says of an engine that went without a word.
GONE = "the program is gone"

#: What stands last of a battery that nobody connected.
_NEVER_THERE = ("nobody measured its voltage", " not connected")

_BEGINS = frozenset({EventKind.SWITCHING_ON, EventKind.POWER_ON})


def add_last_words(folder: Path, words: Sequence[tuple[float, EventKind, str]]) -> None:
    """Append to ``events.csv`` what it does not have of these words since power last came on.

    Nothing is raised: nobody is there to hear it, and power is off.
    """
    with contextlib.suppress(OSError):
        path = folder / "events.csv"
        if (folder / RUN_FILE).exists():
            return
        content = path.read_bytes()
        rows = _missing(content, words)
        if not rows:
            return
        with path.open("ab", buffering=0) as file:
            file.write((b"" if content.endswith(b"\n") else b"\n") + "".join(rows).encode())
            os.fsync(file.fileno())


def last_of_power(content: bytes) -> str:
    """Say what a journal's ``events.csv`` says last of power; empty where it says nothing of it."""
    text, _ = sound_text(content, EVENTS)
    said = ""
    for time_s, kind, _, detail in list(csv.reader(text.splitlines()))[1:]:
        at = f"at {float(time_s):.1f} s of the run"
        if kind in _BEGINS:
            said = f"power may have stayed on: {kind} {at} is the last that its journal says of it"
        elif kind == EventKind.POWER_OFF:
            said = f"output off was {detail} {at}, by its journal"
    return said


def last_of_battery(content: bytes) -> str:
    """Say that a battery may still be connected, by a journal's ``events.csv``; empty where not.

    It may be as soon as it was measured: whoever is asked to connect it may have done so.
    """
    text, _ = sound_text(content, EVENTS)
    last = ""
    for _, kind, _, detail in list(csv.reader(text.splitlines()))[1:]:
        told = word_back(detail)
        if kind == EventKind.LOAD and is_battery(told.replace(":", " ")):
            last = told
    taken_off = last.endswith(" disconnected") and not last.endswith(" not disconnected")
    if not last or taken_off or last.endswith(_NEVER_THERE):
        return ""
    return f"{BATTERY_LEFT} (last said of it: {last})"


def battery_in(folder: Path) -> str:
    """Say that a battery may still be connected, by the journal in a folder; empty where not."""
    with contextlib.suppress(OSError):
        return last_of_battery((folder / "events.csv").read_bytes())
    return ""


def _missing(content: bytes, words: Sequence[tuple[float, EventKind, str]]) -> list[str]:
    """Return the rows of the words that a journal does not have yet."""
    text, _ = sound_text(content, EVENTS)
    known: list[tuple[str, str]] = []
    for _, kind, _, detail in list(csv.reader(text.splitlines()))[1:]:
        if kind in _BEGINS:
            known.clear()
        known.append((word_back(kind), word_back(detail)))
    last: list[tuple[float, EventKind, str]] = []
    for each in words:
        if each[1] in _BEGINS:
            last.clear()
        else:
            last.append(each)
    return [
        f"{number(time_s)},{word(kind)},,{word(detail)}\n"
        for time_s, kind, detail in last
        if (kind, detail) not in known
    ]
