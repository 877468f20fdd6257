"""What a record says of the unit's story and parts: the key ``unit_file`` of ``run.json``."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

from harness.record.run_summary import plain

if TYPE_CHECKING:
    from harness.unit.assessment import Assessment

__all__ = ["unit_entry"]


def unit_entry(
    assessment: Assessment, *, source: str, sha256: str, text: str, photos: Iterable[str] = ()
) -> dict[str, Any]:
    """Return what ``run.json`` says under ``unit_file``; the report shows it.

    Args:
        assessment: What was worked out from the unit file.
        source: Name of the file.
        sha256: Its SHA-256 (hex).
        text: What stands in it.
        photos: Paths of pictures of the unit; they are named, not copied.

    Returns:
        The fields of :class:`harness.unit.assessment.Assessment` (``title``, ``serial``, ``maker``,
        ``story``, ``parts``, ``checks``, ``replacements``, ``open_points``, ``assumptions``,
        ``cautions``) as JSON has them, verdicts as their plain words, beside ``source``,
        ``sha256``, ``text`` and ``photos``.
    """
    told = {
        field.name: plain(getattr(assessment, field.name))
        for field in dataclasses.fields(assessment)
    }
    named = {"source": source, "sha256": sha256, "text": text, "photos": [*photos]}
    return {**told, **plain(named)}
