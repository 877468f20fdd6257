"""Puts the limits that a profile names into its checks and discharge steps."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

from harness.errors import ProfileError
from harness.files.config_error import ConfigError, as_mistakes
from harness.files.named_file import validated
from harness.files.text_file import read_toml
from harness.files.toml_positions import KeyPath
from harness.profile.check import Check
from harness.profile.schema import LimitsUsed, Profile
from harness.profile.steps import DischargeStep, Step
from harness.quantity import format_limits, format_quantity
from harness.unit.limits import LimitTable, shipped_limits
from harness.unit.nameplate import Unit


@dataclass(frozen=True, slots=True)
class LoadedLimits:
    """A table of limits and the file it came from.

    Attributes:
        table: The table.
        source: The file's name; empty for the table that is shipped.
        sha256: SHA-256 of the file.
    """

    table: LimitTable = field(default_factory=shipped_limits)
    source: str = ""
    sha256: str = ""


def load_limits(path: Path, name: str) -> LoadedLimits:
    """Load a table of limits.

    Args:
        path: The file.
        name: Its name as the user gave it.

    Raises:
        ProfileError: With every mistake in the file.
    """
    file = read_toml(path, name, ProfileError)
    table = validated(file, LimitTable, ProfileError)
    return LoadedLimits(table, name, file.sha256)


def limit_errors(profile: Profile, loaded: LoadedLimits) -> Iterator[ConfigError]:
    """Yield what is wrong with the limits that a profile names."""
    for position, step in enumerate(profile.steps):
        path: KeyPath = ("steps", position)
        if isinstance(step, DischargeStep) and step.limit is not None:
            yield from _slip((*path, "limit"), _discharge_problem(step.limit, profile.unit, loaded))
        for number, check in enumerate(step.checks):
            if check.limit is not None:
                problem = _check_problem(check, profile.unit, loaded)
                yield from _slip((*path, "checks", number, "limit"), problem)


def _slip(path: KeyPath, problem: str) -> Iterator[ConfigError]:
    if problem:
        yield ConfigError(path, problem)


def _discharge_problem(name: str, unit: Unit, loaded: LoadedLimits) -> str:
    try:
        loaded.table.of_discharge(name, unit)
    except LookupError as error:
        return str(error.args[0])
    return ""


def _check_problem(check: Check, unit: Unit, loaded: LoadedLimits) -> str:
    try:
        limit = loaded.table.of_check(check.limit or "", unit)
    except LookupError as error:
        return str(error.args[0])
    own = check.value_unit or ("" if check.by_operator else check.unit)
    if own and own != limit.unit:
        return f"the limit {check.limit!r} is in {limit.unit}, the check in {own}"
    return ""


def with_limits(profile: Profile, loaded: LoadedLimits | None = None) -> Profile:
    """Return the profile with the limits it names in figures.

    Args:
        profile: The profile; one that names no limit, or has its figures already, comes back as it
            is.
        loaded: The table; None for the one that is shipped.

    Raises:
        ProfileError: It names a limit that there is not.
    """
    if profile.limits_used is not None or not any(map(_names_limits, profile.steps)):
        return profile
    loaded = loaded or LoadedLimits()
    slips = list(limit_errors(profile, loaded))
    if slips:
        raise ProfileError(as_mistakes(slips, profile.source or "profile", profile.text))
    notes: dict[str, None] = {}
    steps = tuple(_step(step, profile.unit, loaded.table, notes) for step in profile.steps)
    title = loaded.table.title
    used = LimitsUsed(title=title, source=loaded.source, sha256=loaded.sha256, notes=tuple(notes))
    return profile.with_steps(steps, used)


def _names_limits(step: Step) -> bool:
    own = isinstance(step, DischargeStep) and step.limit is not None
    return own or any(check.limit is not None for check in step.checks)


def _step(step: Step, unit: Unit, table: LimitTable, notes: dict[str, None]) -> Step:
    checks = tuple(_check(check, unit, table, notes) for check in step.checks)
    changed: dict[str, object] = {"checks": checks}
    if isinstance(step, DischargeStep) and step.limit is not None:
        found = table.of_discharge(step.limit, unit)
        changed |= {"below_v": found.below_v, "within_s": found.within_s}
        below = format_quantity(found.below_v, "V")
        within = format_quantity(found.within_s, "s")
        notes[f"Limit {step.limit!r}: below {below} within {within}. {_from(found.source)}"] = None
    return step.model_copy(update=changed)


def _check(check: Check, unit: Unit, table: LimitTable, notes: dict[str, None]) -> Check:
    if check.limit is None:
        return check
    found = table.of_check(check.limit, unit)
    figures = format_limits(found.low, found.high, found.unit)
    notes[f"Limit {check.limit!r}: {figures}. {_from(found.source)}"] = None
    changed: dict[str, object] = {"low": found.low, "high": found.high}
    if check.measure == "operator.value":
        changed["value_unit"] = found.unit
    return check.model_copy(update=changed)


def _from(source: str) -> str:
    return f"Source: {source}."
