"""The record: journal, tables, report, history."""

from __future__ import annotations

from harness.record.load import load
from harness.record.tables import Record

__all__ = ["Record", "load"]
