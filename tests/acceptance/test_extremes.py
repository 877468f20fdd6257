"""Figures at the end of what a float can hold, in every place of every kind of file."""

from __future__ import annotations

import datetime as dt
import io
import re
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from rich.console import Console

from harness import bench
from harness.api import plan_for, simulated_bench_file, simulated_unit
from harness.bench.dialect import BUILT_IN, load_dialect
from harness.cli.plan import plan_lines
from harness.errors import FileError, HarnessError
from harness.profile.load import load_bench, load_profile
from harness.profile.plan import Plan
from harness.profile.preflight import preflight
from harness.record.run_summary import unit_entry
from harness.rehearse.model_file import load_unit_model
from harness.shipped import shipped
from harness.unit.assess import assess
from harness.unit.unit_file import load_unit

#: Denormal, smallest, largest, beyond, none at all; some of them are fair figures in some places.
FIGURES = ("5e-324", "1e-308", "1e308", "1e309", "nan", "inf", "-1e308")
FEW = ("1e-308", "1e308")

#: A figure with its unit inside quotes, or one that stands alone behind an equals sign or a comma.
_FIGURE = re.compile(r'(?<=["+ ])-?\d[\d.]*(?= [A-Za-z%][\w/]*[" ])|(?<=[=,\[] )\d[\d.]*\b')

PROFILES = (
    "mount-controller-board",
    "mount-controller-full-release",
    "dome-shutter-power-unit",
    "dome-shutter-full-release",
)


def show(plan: Plan) -> None:
    screen = Console(file=io.StringIO(), width=80)
    for part in plan_lines(plan):
        screen.print(part)


def plan_profile(path: Path) -> None:
    profile = load_profile(path)
    show(plan_for(profile))
    plan = plan_for(profile, simulated_bench_file(profile))
    preflight(plan, today=dt.date(2026, 11, 26))
    show(plan)


def plan_on_bench(path: Path) -> None:
    table = load_bench(path)
    unit = "mount-controller" if table.supply.kind == "dc" else "dome-shutter"
    plan = plan_for(load_profile(f"{unit}-full-release"), table)
    preflight(plan, today=dt.date(2026, 11, 26))
    show(plan)


def assess_unit(path: Path) -> None:
    unit_entry(assess(load_unit(path)), source=str(path), sha256="", text="")


def draw_unit(path: Path) -> None:
    name = "dome-shutter-power-unit" if "dome-shutter" in path.name else "mount-controller-board"
    simulated_unit(load_profile(name), model=load_unit_model(path))


def read_dialect(path: Path) -> None:
    load_dialect(path.name, path.parent)


def files() -> Iterator[tuple[str, Callable[[Path], None]]]:
    yield from ((name, plan_profile) for name in PROFILES)
    yield from ((f"bench-simulated-{kind}", plan_on_bench) for kind in ("dc", "ac"))
    for name in ("dome-shutter-HRW-0007", "mount-controller-HRW-0012"):
        yield f"units/{name}", assess_unit
        yield f"models/{name}", draw_unit
    yield "models/dome-shutter-long-on-the-shelf", draw_unit
    yield from ((f"{name}.toml", read_dialect) for name in BUILT_IN)


def file(name: str) -> Path:
    """Return the file of a name: a shipped one, or a built-in dialect."""
    source = shipped("profiles", name)
    return source or Path(bench.__file__).parent / "dialects" / name


def spoilt(text: str, figures: tuple[str, ...]) -> Iterator[str]:
    """Yield the text with one figure replaced, for each place and each figure."""
    for place in _FIGURE.finditer(text):
        line = text.rfind("\n", 0, place.start()) + 1
        if "#" in text[line : place.start()]:
            continue
        for figure in figures:
            yield f"{text[: place.start()]}{figure}{text[place.end() :]}"


def try_all(
    text: str, path: Path, use: Callable[[Path], None], figures: tuple[str, ...]
) -> list[str]:
    """Use each spoilt text; return what ended in anything but a named mistake or a result."""
    found = []
    for number, changed in enumerate(spoilt(text, figures)):
        path.write_text(changed, encoding="utf-8")
        lines = zip(text.splitlines(), changed.splitlines(), strict=True)
        [line] = [new for old, new in lines if old != new]
        try:
            use(path)
        except FileError as error:
            if not all(mistake.file for mistake in error.mistakes):
                found.append(f"{number}: {line}: no file named: {error}")
        except HarnessError:
            pass
        except Exception as error:  # noqa: BLE001 - that is what is looked for
            found.append(f"{number}: {line}: {type(error).__name__}: {error}")
    return found


@pytest.mark.parametrize(
    ("name", "use"),
    [
        pytest.param(name, use, marks=pytest.mark.torture if name in PROFILES[1:] else ())
        for name, use in files()
    ],
)
class TestExtremes:
    def test_the_ends_of_a_float(
        self, name: str, use: Callable[[Path], None], tmp_path: Path
    ) -> None:
        """Any figure of a file at the end of what a float can hold: a named mistake or a result."""
        source = file(name)
        text = source.read_text(encoding="utf-8")

        assert try_all(text, tmp_path / source.name, use, FEW) == []

    @pytest.mark.torture
    def test_whatever_is_no_figure(
        self, name: str, use: Callable[[Path], None], tmp_path: Path
    ) -> None:
        """The same with denormal figures, infinity, not-a-number, and below zero."""
        source = file(name)
        text = source.read_text(encoding="utf-8")

        assert try_all(text, tmp_path / source.name, use, FIGURES) == []
