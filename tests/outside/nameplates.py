"""Random nameplates, each with a healthy unit for the outside bench, run with a drafted profile.

    python -m tests.outside.nameplates --kind dc ac --count 40 --at-once 3

drafts a profile for each by the product's own command (``new profile``), from what a technician
would read off the unit, shortens its holds, and runs it on a bench with that unit. What is printed:
each run that did not complete, and how many did.

Drawn (powers and factors even on a logarithmic scale): 2 W to 180 W (AC 5 W to 300 W), idle power
0.5 % to 40 % of it, bulk capacitance 0.2 to 5 times what is typical for the power and 20 % off its
print, any usual input voltage, a start threshold of 0.28 to 0.45 (AC 0.4 to 0.55) of nominal,
latencies of 0 to 30 ms.
"""

from __future__ import annotations

import argparse
import os
import random
import re
import subprocess
import sys
import tempfile
from collections.abc import Callable, Iterable
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.outside.partner import ROOT
from tests.outside.runs import Ended, one_run

_LATENCIES_S = (0.0, 0.002, 0.007, 0.01, 0.03)
#: How a nameplate's run can end that says nothing against the unit's start.
_COMPLETED = (0, 1, 4)


@dataclass(frozen=True)
class Drawn:
    """A nameplate and its unit.

    Attributes:
        name: For people.
        answers: What ``new profile`` is told, as options.
        config: The outside bench with the unit.
    """

    name: str
    answers: tuple[str, ...]
    config: dict[str, Any]


def draw(kind: str, seed: int) -> Drawn:
    """Draw a nameplate; the same one for the same seed."""
    chance = random.Random(f"{kind} {seed}")
    return (_draw_dc if kind == "dc" else _draw_ac)(chance, seed)


def _between(chance: random.Random, low: float, high: float) -> float:
    return low * (high / low) ** chance.random()


def _draw_dc(chance: random.Random, seed: int) -> Drawn:
    nominal_v = chance.choice([5, 9, 12, 15, 19, 24, 28, 36, 48])
    current_a = min(_between(chance, 2.0, 180.0) / nominal_v, 8.0)
    power_w = nominal_v * current_a
    printed_f = current_a * 0.94e-3 / (0.1 * nominal_v) * _between(chance, 0.2, 5.0)
    idle_w = power_w * _between(chance, 0.005, 0.4)
    start_v = nominal_v * chance.uniform(0.28, 0.45)
    rail_v = 0.2 * nominal_v if nominal_v < 12 else 5.0
    ohm = nominal_v / current_a
    soft_s = chance.uniform(0.005, 0.05)
    rail_a = 0.8 * (power_w - idle_w) / 1.12 / rail_v
    unit = {
        "bulk_f": printed_f * chance.uniform(0.8, 1.2),
        "start_v": start_v,
        "stop_v": 0.8 * start_v,
        "soft_start_s": soft_s,
        "idle_w": idle_w * chance.uniform(0.8, 1.1),
        "loss_frac": 0.12,
        "rail_v": rail_v,
        "rail_ohm": 0.01 * rail_v / rail_a,
        # it takes a twentieth of the nominal output current to fill
        "rail_f": 0.05 * rail_a * soft_s / rail_v,
        "line_ohm": min(0.1, 0.01 * ohm),
        "series_ohm": 0.01 * ohm,
        "bulk_ohm": 0.01 * ohm,
        "diode_v": 0.02 * nominal_v,
        "leak_ohm": 4e3 * nominal_v,
    }
    return _drawn(
        "dc", chance, seed, nominal_v, current_a, printed_f, idle_w, start_v, rail_v, rail_a, unit
    )


def _draw_ac(chance: random.Random, seed: int) -> Drawn:
    nominal_v = chance.choice([100, 120, 230])
    power_w = _between(chance, 5.0, 300.0)
    # a nameplate states apparent power
    current_a = power_w / 0.55 / nominal_v
    printed_f = 1.5e-6 * power_w * (120.0 / nominal_v) ** 2 * _between(chance, 0.2, 5.0)
    idle_w = power_w * _between(chance, 0.005, 0.4)
    start_v = nominal_v * chance.uniform(0.4, 0.55)
    rail_a = 0.8 * (power_w - idle_w) / 1.14 / 24.0
    soft_s = chance.uniform(0.01, 0.05)
    unit = {
        "bulk_f": printed_f * chance.uniform(0.8, 1.2),
        "start_v": 1.414 * start_v,
        "stop_v": 0.8 * 1.414 * start_v,
        "soft_start_s": soft_s,
        "idle_w": idle_w * chance.uniform(0.8, 1.1),
        "loss_frac": 0.14,
        "rail_v": 24.0,
        "rail_ohm": 0.005 * 24.0 / rail_a,
        "rail_f": 0.05 * rail_a * soft_s / 24.0,
        "series_ohm": 0.01 * nominal_v / current_a,
    }
    return _drawn(
        "ac", chance, seed, nominal_v, current_a, printed_f, idle_w, start_v, 24.0, rail_a, unit
    )


def _drawn(  # noqa: PLR0917 - one after the other, as they stand on a nameplate
    kind: str,
    chance: random.Random,
    seed: int,
    nominal_v: float,
    current_a: float,
    printed_f: float,
    idle_w: float,
    start_v: float,
    rail_v: float,
    rail_a: float,
    unit: dict[str, float],
) -> Drawn:
    latency_s = chance.choice(_LATENCIES_S)
    answers = [
        *("--kind", kind, "--nominal", f"{nominal_v} V", "--current", f"{current_a:.4g} A"),
        *("--bulk-capacitance", f"{1e6 * printed_f:.4g} uF", "--idle-power", f"{idle_w:.4g} W"),
        *("--start-threshold", f"{0.95 * start_v:.4g} V"),
        *("--output-voltage", f"{rail_v:.4g} V", "--output-current", f"{rail_a:.4g} A"),
        *("--sample-time", f"{max(1e3 * latency_s, 0.5):g} ms", "--no-load"),
    ]
    if kind == "ac":
        answers += ["--frequency", chance.choice(["50 Hz", "60 Hz"])]
    return Drawn(
        name=f"{kind} {seed}: {nominal_v} V, {current_a:.3g} A, {1e6 * printed_f:.3g} uF, "
        f"idle {idle_w:.3g} W from {start_v:.3g} V, {1e3 * latency_s:g} ms",
        answers=tuple(answers),
        config={
            "kind": kind,
            "unit": unit,
            "latency_s": latency_s,
            "seed": seed,
            "meter": False,
            "load": False,
        },
    )


def shortened(profile: str) -> str:
    """Shorten the holds of a drafted profile, and leave out what needs a meter."""
    profile = re.sub(r'^(dwell +)= "[^"]+"', r'\1= "200 ms"', profile, flags=re.MULTILINE)
    first, *checks = re.split(r"^\[\[steps.checks\]\]$", profile, flags=re.MULTILINE)
    kept = [check for check in checks if '= "meter.' not in check]
    return first + "".join(f"[[steps.checks]]{check}" for check in kept)


def run_drafted(drawn: Drawn, folder: Path, *, product: Path = ROOT) -> tuple[Ended | None, str]:
    """Draft and run; return how it ended, and what ``plan`` warned of, or why there is no draft."""
    folder.mkdir(parents=True)
    file = folder / "drafted.toml"
    drafted = _product(product, "new", "profile", "--to", str(file), "--yes", *drawn.answers)
    if drafted.returncode:
        return None, drafted.stdout + drafted.stderr
    planned = _product(product, "plan", str(file))
    warned = planned.stdout.partition("Warnings")[2].partition("Cautions")[0]
    profile = shortened(file.read_text(encoding="utf-8"))
    ended, _ = one_run(folder / "bench", drawn.config, profile=profile, product=product)
    return ended, " ".join(warned.split())


def campaign(
    drawn: Iterable[Drawn],
    folder: Path,
    *,
    product: Path = ROOT,
    at_once: int = 3,
    tell: Callable[[str], None] = lambda _: None,
) -> dict[str, int]:
    """Run them; count those that completed, were warned of, were cut without a warning."""
    counts = {"completed": 0, "cut, and plan had warned": 0, "cut": 0}

    def one(each: Drawn) -> None:
        where = folder / each.name.partition(":")[0].replace(" ", "-")
        ended, warned = run_drafted(each, where, product=product)
        if ended is not None and ended.code in _COMPLETED:
            counts["completed"] += 1
            return
        how = "cut, and plan had warned" if warned else "cut"
        counts[how] += 1
        screen = " ".join(ended.screen.split()) if ended is not None else ""
        tell(f"{each.name}: {how}: {screen[-420:]} {warned}")

    with ThreadPoolExecutor(at_once) as pool:
        list(pool.map(one, drawn))
    return counts


def _product(product: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-m", "harness", *arguments],
        cwd=product,
        env={**os.environ, "PYTHONPATH": str(product)},
        capture_output=True,
        text=True,
        check=False,
    )


def main() -> None:
    """Run the campaign of the command line."""
    parser = argparse.ArgumentParser(description="Random nameplates with drafted profiles.")
    parser.add_argument("--kind", nargs="*", default=["dc", "ac"])
    parser.add_argument("--first", type=int, default=1)
    parser.add_argument("--count", type=int, default=20)
    parser.add_argument("--at-once", type=int, default=3)
    parser.add_argument("--product", type=Path, default=ROOT)
    asked = parser.parse_args()
    seeds = range(asked.first, asked.first + asked.count)
    drawn = [draw(kind, seed) for seed in seeds for kind in asked.kind]
    folder = Path(tempfile.mkdtemp(prefix="nameplates-"))
    _say(str(folder))
    counts = campaign(drawn, folder, product=asked.product, at_once=asked.at_once, tell=_say)
    _say(str(counts))


def _say(text: str) -> None:
    print(text, flush=True)  # noqa: T201 - its table


if __name__ == "__main__":
    main()
