"""Windows of time in which consumption is judged: what such a check must have (pure)."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check
from harness.quantity import format_quantity

#: Longest gap between two readings, as a share of a window: what is briefer is not seen.
LONGEST_GAP_FRAC = 0.2

#: Kinds of step that hold a unit at work, and the start.
_KINDS = ("start", "nominal", "line", "load", "soak")


def window_rules(path: KeyPath, check: Check, kind: str) -> Iterator[ConfigError]:
    """Hold a check against what a window needs: both ends, the supply's readings."""
    given = [name for name in ("from", "to") if getattr(check, f"{name}_s") is not None]
    if not given:
        if check.figure in ("min", "max"):
            yield ConfigError(
                (*path, "figure"), f"{check.figure!r} is of a window: give from and to", '"mean"'
            )
        return
    if len(given) == 1:
        [other] = {"from", "to"} - {*given}
        example = '"0 s"' if other == "from" else '"2 s"'
        yield ConfigError((*path, other), "this key is missing: a window has two ends", example)
        return
    assert check.from_s is not None
    assert check.to_s is not None
    if check.to_s <= check.from_s:
        yield ConfigError((*path, "to"), "the window ends before it begins")
    if kind not in _KINDS:
        yield ConfigError(
            (*path, "from"), f"a window belongs in a {' or '.join(_KINDS)} step: leave it out"
        )
    if not check.measure.startswith("supply."):
        yield ConfigError(
            (*path, "from"),
            f"a window is of what the supply reads, not of {check.measure}: leave it out",
        )
    if check.figure in ("drift", "end"):
        yield ConfigError((*path, "figure"), f"{check.figure!r} is of a hold, not of a window")


def unseen(check: Check, averaged_s: float) -> str:
    """Say why readings that are means over ``averaged_s`` show nothing of a window; else empty."""
    if check.from_s is None or check.to_s is None:
        return ""
    wide_s = check.to_s - check.from_s
    if averaged_s <= LONGEST_GAP_FRAC * wide_s * (1 + 1e-9):
        return ""
    return (
        f"its window of {format_quantity(wide_s, 's', 3)} is too short for readings that are "
        f"means over {format_quantity(averaged_s, 's', 3)}: it takes five times as long"
    )
