"""Breaks one thing at a time in the lines that decide on power or release; do the tests notice?

``python -m tests.mutants`` runs mutmut over the modules named in ``pyproject.toml``, prints what
lived though no test may let it, and ends with 1 where that is a twentieth of what was tried or
more. What may live stands in ``tests/mutants_tolerated.toml``, each with its reason.
"""

from __future__ import annotations

import ast
import difflib
import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

__all__ = ["Mutant", "main", "mutants", "tolerated"]

ROOT = Path(__file__).resolve().parents[1]
WORK = ROOT / "mutants"
TOLERATED = ROOT / "tests" / "mutants_tolerated.toml"

#: Share of the mutants tried that may live, the tolerated ones left out.
MOST_ALIVE = 0.05

#: What mutmut notes of a mutant: 0 where all tests passed, 33 where no test reaches the line.
_ALIVE = {0, 33}


@dataclass(frozen=True, slots=True)
class Mutant:
    """One broken line.

    Attributes:
        module: The module, as ``harness.power.keeper``.
        function: Function or method it stands in.
        before: The lines as they are.
        after: The lines as they were broken.
        alive: Whether all tests passed with it; None where it was not tried.
    """

    module: str
    function: str
    before: str
    after: str
    alive: bool | None

    def __str__(self) -> str:
        return f"{self.module}.{self.function}\n    - {self.before}\n    + {self.after}"


def mutants(work: Path = WORK) -> Iterator[Mutant]:
    """Yield what mutmut made and tried in its folder."""
    for notes in sorted(work.rglob("*.py.meta")):
        source = notes.with_suffix("")
        module = ".".join(source.relative_to(work).with_suffix("").parts)
        text = source.read_text(encoding="utf-8")
        bodies = {
            node.name: (ast.get_source_segment(text, node) or "").splitlines()[1:]
            for node in ast.walk(ast.parse(text))
            if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        }
        codes = json.loads(notes.read_text(encoding="utf-8"))["exit_code_by_key"]
        for key, code in codes.items():
            name = key.rpartition(".")[2]
            original = re.sub(r"__mutmut_\d+\Z", "__mutmut_orig", name)
            changed = [
                line
                for line in difflib.ndiff(bodies.get(original, []), bodies.get(name, []))
                if line[2:].strip()
            ]
            yield Mutant(
                module,
                re.sub(r"__mutmut_\d+\Z|\Ax_|\Axǁ", "", name).replace("ǁ", "."),
                " ".join(line[2:].strip() for line in changed if line.startswith("- ")),
                " ".join(line[2:].strip() for line in changed if line.startswith("+ ")),
                None if code is None else code in _ALIVE,
            )


@dataclass(frozen=True, slots=True)
class _Rule:
    where: re.Pattern[str]
    before: re.Pattern[str]
    after: re.Pattern[str]


def _rules() -> list[_Rule]:
    tables = tomllib.loads(TOLERATED.read_text(encoding="utf-8"))["tolerated"]
    return [
        _Rule(*(re.compile(table.get(key, "")) for key in ("where", "before", "after")))
        for table in tables
    ]


def tolerated(mutant: Mutant) -> bool:
    """Whether the list of tolerated mutants names this one."""
    return any(
        rule.where.search(f"{mutant.module}.{mutant.function}")
        and rule.before.search(mutant.before)
        and rule.after.search(mutant.after)
        for rule in _rules()
    )


def main() -> int:
    """Run mutmut, print what lives and should not, and return the exit code."""
    subprocess.run([sys.executable, "-m", "mutmut", "run"], cwd=ROOT, check=False)
    tried = [mutant for mutant in mutants() if mutant.alive is not None]
    alive = [mutant for mutant in tried if mutant.alive]
    wrong = [mutant for mutant in alive if not tolerated(mutant)]
    print(*wrong, sep="\n")
    print(f"{len(tried)} tried, {len(alive)} alive, {len(alive) - len(wrong)} of them tolerated")
    if not tried:
        print("mutmut tried nothing: see what it says above")
        return 1
    return int(len(wrong) >= MOST_ALIVE * len(tried))


if __name__ == "__main__":
    sys.exit(main())
