"""Softwake: takes a repaired unit from the soldering iron to its release.

The public door. Everything a script needs::

    import harness

    result = harness.rehearse_profile("dome-shutter-power-unit", results="results")
    print(result.outcome, result.verdict, result.released)
    record = harness.record.load(result.folder)
    print(record.checks[["check", "value", "unit", "verdict"]])

Names are loaded when they are first used, so that the command line starts at once.
"""

from __future__ import annotations

import importlib
import logging
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness import record
    from harness.api import plan_for, rehearse_profile, run_profile
    from harness.errors import HarnessError, PowerOffUnconfirmed
    from harness.profile.load import load_bench, load_profile
    from harness.qualify.campaign import Campaign, qualify_profile
    from harness.record.run_summary import Outcome
    from harness.run.result import RunResult

# Whoever uses the package decides what becomes of its log; without a word of theirs, nothing does.
logging.getLogger(__name__).addHandler(logging.NullHandler())

__all__ = [
    "Campaign",
    "HarnessError",
    "Outcome",
    "PowerOffUnconfirmed",
    "RunResult",
    "load_bench",
    "load_profile",
    "plan_for",
    "qualify_profile",
    "record",
    "rehearse_profile",
    "run_profile",
]

#: Where they are, the quickest to load first.
_HOMES = ("errors", "profile.load", "run.result", "api", "qualify.campaign")


def __getattr__(name: str) -> Any:
    """Load a public name on first use."""
    if name not in __all__:
        raise AttributeError(f"module 'harness' has no attribute {name!r}")
    if name == "record":
        return importlib.import_module("harness.record")
    homes = (importlib.import_module(f"harness.{home}") for home in _HOMES)
    return next(getattr(home, name) for home in homes if hasattr(home, name))
