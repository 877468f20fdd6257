"""The small run of the record's tests, for every test of the report."""

from __future__ import annotations

from tests.record.conftest import account, make_record, play, row, started

__all__ = ["account", "make_record", "play", "row", "started"]
