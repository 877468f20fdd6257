"""The record: journal, tables, report, history."""

from __future__ import annotations

from harness.record.frames import Record
from harness.record.load import load

__all__ = ["Record", "load"]
