"""An assessment as plain data: what JSON, the record and a template can take."""

from __future__ import annotations

import dataclasses
import enum
from typing import Any

from harness.unit.assessment import Assessment, Stress

__all__ = ["as_plain"]


def as_plain(assessment: Assessment) -> dict[str, Any]:
    """Return an assessment as dictionaries, lists, texts and numbers.

    Keys are the names of the attributes; verdicts are their plain words. Every stress carries its
    ratios and margin as well, and the whole ``acceptable``.
    """
    return {**_plain(assessment), "acceptable": assessment.acceptable}


def _plain(value: Any) -> Any:
    if isinstance(value, enum.Enum):
        return value.value
    if isinstance(value, tuple):
        return [_plain(part) for part in value]
    if not dataclasses.is_dataclass(value):
        return value
    found = {field.name: _plain(getattr(value, field.name)) for field in dataclasses.fields(value)}
    return {**found, **_worked_out(value)}


def _worked_out(value: Any) -> dict[str, Any]:
    if not isinstance(value, Stress):
        return {}
    return {
        "event_ratio": value.event_ratio,
        "service_ratio": value.service_ratio,
        "ratio": value.ratio,
        "margin_frac": value.margin_frac,
    }
