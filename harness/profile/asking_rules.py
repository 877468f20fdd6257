"""What a check that a person answers must have, and when they can be asked."""

from __future__ import annotations

from collections.abc import Iterator

from harness.files.config_error import ConfigError
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check


def asking_rules(path: KeyPath, check: Check, *, held: bool) -> Iterator[ConfigError]:
    """Hold a check against what a question needs: words, a unit, a rule that its error allows.

    ``held`` is whether its step is held with a person who looks on.
    """
    yield from _when_rules(path, check, held=held)
    if not check.by_operator:
        for key in ("ask", "tester"):
            if getattr(check, key) is not None:
                yield ConfigError((*path, key), f"{check.measure} asks nobody: leave this key out")
        return
    if check.ask is None:
        yield ConfigError(
            (*path, "ask"), "this key is missing", '"Insulation resistance at 500 V?"'
        )
    if check.measure == "operator.yes_no":
        if not {check.low, check.high} <= {None, 0.0, 1.0}:
            yield ConfigError(
                (*path, "measure"), "an answer is 1 for yes or 0 for no: limits are these"
            )
        return
    if check.value_unit is None and check.limit is None:
        yield ConfigError((*path, "unit"), "this key is missing", '"ohm"')
    if check.accuracy is None and check.tester is None and check.rule == "guarded":
        yield ConfigError(
            (*path, "rule"),
            "the guarded rule needs the tester's accuracy; name a tester of the bench file, give "
            "its accuracy here, or say that its reading is compared as it is",
            '"simple"',
        )


def _when_rules(path: KeyPath, check: Check, *, held: bool) -> Iterator[ConfigError]:
    if check.when is not None and not (check.by_operator and held):
        yield ConfigError(
            (*path, "when"),
            "this key belongs to a question of a step that is held under power: leave it out",
        )
    elif check.within_s is not None and not check.under_power:
        yield ConfigError(
            (*path, "within"),
            "only an answer that is waited for with power on has a time: leave this key out",
        )
