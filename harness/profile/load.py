"""Loads profiles, with the limits they name put into figures, and bench files."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from harness.errors import FileError
from harness.files.config_error import ConfigError, as_mistakes
from harness.files.named_file import BENCH, PROFILE, read_named, validated
from harness.files.text_file import TomlFile, read_toml
from harness.files.toml_positions import KeyPath
from harness.profile.bench_file import BenchFile
from harness.profile.bench_rules import bench_errors
from harness.profile.check import Check
from harness.profile.discharge_step import DischargeStep
from harness.profile.rules import profile_errors
from harness.profile.schema import LimitsUsed, Profile
from harness.unit.limits import LimitTable, shipped_limits
from harness.unit.nameplate import Unit
from harness.unit.safety_tests import BOUNDS


def load_profile(source: str | Path) -> Profile:
    """Load a profile by its path, else a shipped one by its name with or without ``.toml``.

    Raises:
        FileError: With every mistake in the file.
    """
    file = read_named(source, PROFILE)
    limits = _limit_table(file)
    profile = validated(
        file,
        Profile,
        rules=profile_errors,
        table_rules=lambda table: _limit_errors(table, limits),
    )
    return with_limits(profile, limits)


def load_bench(source: str | Path) -> BenchFile:
    """Load a bench file, or a shipped one by its name, as :func:`load_profile` does.

    Raises:
        FileError: With every mistake in the file.
    """
    return validated(read_named(source, BENCH), BenchFile, rules=bench_errors)


def with_limits(profile: Profile, table: LimitTable | None = None) -> Profile:
    """Return the profile with the limits it names in figures; None for the table that is shipped.

    A profile that names no limit, or has its figures already, comes back as it is.

    Raises:
        FileError: It names a limit that there is not.
    """
    naming = dict(_naming(profile))
    if profile.limits_used is not None or not naming:
        return profile
    table = table or shipped_limits()
    wrong = list(_limit_errors(profile, table))
    if wrong:
        raise FileError(as_mistakes(wrong, profile.source or "profile", profile.text))
    figures = {path: _figures(part, profile.unit, table) for path, part in naming.items()}
    steps = []
    for position, step in enumerate(profile.steps):
        checks = tuple(
            check.model_copy(update=figures.get(("steps", position, "checks", number)))
            for number, check in enumerate(step.checks)
        )
        own = figures.get(("steps", position), {})
        steps.append(step.model_copy(update={"checks": checks, **own}))
    used = LimitsUsed(title=table.title, source=table.source, sha256=table.sha256)
    return profile.with_steps(tuple(steps), used)


def _limit_table(file: TomlFile) -> LimitTable:
    """Return the limit table that a profile names, or the shipped one."""
    limits = file.data.get("limits")
    name = limits.get("file") if isinstance(limits, dict) else None
    if not isinstance(name, str) or not name.strip() or not name.isprintable():
        return shipped_limits()
    path = Path(file.name).parent / name
    return validated(read_toml(path, name), LimitTable)


def _naming(profile: Profile) -> Iterator[tuple[KeyPath, Check | DischargeStep]]:
    """Yield what names a limit, with where it stands."""
    for position, step in enumerate(profile.steps):
        for number, check in enumerate(step.checks):
            if check.limit is not None:
                yield ("steps", position, "checks", number), check
        if isinstance(step, DischargeStep) and step.limit is not None:
            yield ("steps", position), step


def _limit_errors(profile: Profile, table: LimitTable) -> Iterator[ConfigError]:
    """Yield what is wrong with the limits that a profile names."""
    for path, part in _naming(profile):
        try:
            _figures(part, profile.unit, table)
        except LookupError as error:
            yield ConfigError((*path, "limit"), str(error.args[0]))


def _figures(part: Check | DischargeStep, unit: Unit, table: LimitTable) -> dict[str, object]:
    """Return what the limit that a part names puts into it.

    Raises:
        LookupError: There is none that fits; the message says why.
    """
    name = part.limit or ""
    if isinstance(part, DischargeStep):
        fall = table.of_discharge(name, unit)
        return {"below_v": fall.below_v, "within_s": fall.within_s, "source": fall.source}
    limit = table.of_check(name, unit)
    own = "" if part.by_operator and part.value_unit is None else part.unit
    if own and own != limit.unit:
        raise LookupError(f"the limit {name!r} is in {limit.unit}, the check in {own}")
    if part.safety_test is not None:
        bound = BOUNDS[part.safety_test]
        if limit.unit != bound.unit or getattr(limit, bound.side) is None:
            raise LookupError(
                f"the limit {name!r} does not bound the {part.safety_test}: that takes a "
                f"{bound.side} in {bound.unit}"
            )
    figures: dict[str, object] = {"low": limit.low, "high": limit.high, "source": limit.source}
    if part.measure == "operator.value":
        figures["value_unit"] = part.value_unit or limit.unit
    return figures
