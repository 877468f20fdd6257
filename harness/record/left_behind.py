"""What the last run at a bench may have left there: a battery that nobody took off."""

from __future__ import annotations

import csv
import json
from pathlib import Path

from harness.errors import UsageError
from harness.record.csv_text import EVENTS, sound_text, word_back
from harness.record.events import EventKind
from harness.record.examine import folders
from harness.record.last_words import last_of_battery, last_of_power

#: So many runs are looked at for the last one at a bench: others share the folder of results.
_MOST_RUNS = 20


def left_at(results: Path, supply: str) -> str:
    """Say what the last run at a bench may have left there; empty where there is nothing to say.

    One that never came to power, nor to a battery, is passed over: it saw to nothing.
    ``supply`` is the resource of what reads its feed. The journal tells it, whether the run came to
    its end or its program was killed; a results folder that is missing has no runs.
    """
    try:
        there = folders(results)
    except UsageError:
        return ""
    for folder in there[:_MOST_RUNS]:
        try:
            content = (folder / "events.csv").read_bytes()
        except OSError:
            continue
        if _supply_of(content) != supply:
            continue
        left = last_of_battery(content)
        if left:
            return f"{left}; the run was {folder.name}"
        if last_of_power(content):
            return ""
    return ""


def _supply_of(content: bytes) -> str:
    """Return the resource of the supply that a journal's first event names; empty where none."""
    text, _ = sound_text(content, EVENTS)
    for _, kind, _, detail in list(csv.reader(text.splitlines()[:3]))[1:]:
        if kind == EventKind.PLAN:
            try:
                told = json.loads(word_back(detail))
            except ValueError:
                return ""
            return str(told.get("supply", "")) if isinstance(told, dict) else ""
    return ""
