"""The record: journal, seal, tables, reading back."""

from __future__ import annotations

from harness.record.tables import Record, load

__all__ = ["Record", "load"]
