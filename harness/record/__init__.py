"""The record: journal, seal, tables, reading back.

Its names are loaded when they are first used: the keeper's process wants the names of events alone.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from harness.record.tables import Record, load

__all__ = ["Record", "load"]


def __getattr__(name: str) -> Any:
    if name in __all__:
        from harness.record import tables

        return getattr(tables, name)
    raise AttributeError(f"module 'harness.record' has no attribute {name!r}")
