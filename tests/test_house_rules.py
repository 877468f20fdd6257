"""Rules of the house that no linter knows, checked on the source text."""

from __future__ import annotations

import ast
import re
import subprocess
import sys
from collections.abc import Callable, Iterable, Iterator
from functools import cache
from pathlib import Path

from tests.acceptance.conftest import LONGEST

ROOT = Path(__file__).resolve().parents[1]
HARNESS = ROOT / "harness"
MODULES = sorted(HARNESS.rglob("*.py"))
TESTS = sorted((ROOT / "tests").rglob("test_*.py"))
TEMPLATES = sorted(HARNESS.rglob("*.j2"))

MOST_LINES = 400

#: Modules of the standard library that Windows benches do not have.
POSIX_ONLY = {"fcntl", "grp", "posix", "pty", "pwd", "resource", "syslog", "termios", "tty"}

#: What `softwake --help` has no use for, each dear to import.
HEAVY = {"jinja2", "matplotlib", "numpy", "pandas", "pint", "pydantic", "pyvisa", "rich", "scipy"}

#: Prints what is loaded once the command line is there, and then with what works nothing out.
QUICK_STARTS = """
import sys
import harness.cli.main
print(*sys.modules)
import harness.watch.server, harness.cli.results, harness.cli.assess
from harness.unit.unit_file import load_unit
load_unit("units/dome-shutter-HRW-0007")
print(*sys.modules)
"""


@cache
def parsed(path: Path) -> ast.Module:
    return ast.parse(path.read_text(encoding="utf-8"), filename=str(path))


def name_of(path: Path) -> str:
    return path.relative_to(ROOT).as_posix()


def those(paths: Iterable[Path], wrong: Callable[[Path], object]) -> dict[str, object]:
    """Return what is wrong with each file, by its name, of those with which something is."""
    return {name_of(path): found for path in paths if (found := wrong(path))}


class TestSpecification:
    def test_each_test_states_its_rule(self) -> None:
        """Every test function has a sentence that begins with a capital and ends in a stop."""

        def silent(path: Path) -> list[str]:
            return [
                f"line {node.lineno}: {node.name}"
                for node in ast.walk(parsed(path))
                if isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
                and node.name.startswith("test_")
                and not re.match(r"[A-Z0-9`\"*].*[.]\Z", ast.get_docstring(node) or "", re.DOTALL)
            ]

        assert those(TESTS, silent) == {}


class TestOrder:
    def test_what_is_begun_first_is_there(self) -> None:
        """Each file of whole runs that is begun before others is still called that."""
        there = {path.stem for path in (ROOT / "tests" / "acceptance").iterdir()}

        assert [name for name in LONGEST if name not in there] == []


class TestSize:
    def test_a_module_keeps_to_one_subject(self) -> None:
        """No module of the harness is longer than 400 lines."""

        def too_long(path: Path) -> int:
            lines = len(path.read_text(encoding="utf-8").splitlines())
            return lines if lines > MOST_LINES else 0

        assert those(MODULES, too_long) == {}, "split it by subject"


class TestMirror:
    def test_tests_stand_in_the_rooms_they_test(self) -> None:
        """Each folder of tests is a room of the harness, or one that DEVELOPERS.md explains."""
        rooms = {path.parent.relative_to(HARNESS) for path in HARNESS.rglob("*.py")}
        folders = {path.parent.relative_to(ROOT / "tests") for path in TESTS} - {Path()}
        explained = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")

        assert [
            folder.as_posix()
            for folder in sorted(folders - rooms)
            if f"`tests/{folder.parts[0]}/`" not in explained
        ] == []


class TestPublicDoor:
    def test_what_is_public_is_told_by_its_name(self) -> None:
        """A package lists what it offers in `__all__`; in a module the name says it: no `_`.

        A list in each module would hide from `vulture` what nothing calls.
        """

        def told_otherwise(path: Path) -> list[str]:
            tree = parsed(path)
            listed = listed_names(tree)
            if path.name != "__init__.py":
                return ["__all__"] if listed is not None else []
            offered = defined_names(tree) | taken_names(tree, path.parent)
            missing = set(listed or ()) - bound_names(tree)
            return sorted(missing | (offered - set(listed or ())))

        assert those(MODULES, told_otherwise) == {}


class TestErrors:
    def test_the_tree_in_the_docstring_is_the_tree_of_the_classes(self) -> None:
        """`harness/errors.py` draws every public error under the class it derives from."""
        tree = parsed(HARNESS / "errors.py")
        classes = {
            node.name: ast.unparse(node.bases[0])
            for node in tree.body
            if isinstance(node, ast.ClassDef) and node.bases and node.name != "ExitCode"
        }

        assert drawn_tree(ast.get_docstring(tree) or "") == classes

    def test_errors_stand_on_nothing(self) -> None:
        """`harness/errors.py` imports the standard library only."""
        imported = {module.split(".")[0] for module in imports(parsed(HARNESS / "errors.py").body)}

        assert sorted(imported - sys.stdlib_module_names) == []


class TestWords:
    def test_the_tool_never_calls_a_unit_safe(self) -> None:
        """No text that the harness can print or write calls anything "safe"."""

        def called_safe(path: Path) -> list[str]:
            text = path.read_text(encoding="utf-8")
            texts = [text] if path.suffix == ".j2" else spoken(parsed(path))
            return [text for text in texts if re.search(r"\bsafe(ly)?\b", text, re.IGNORECASE)]

        assert those(MODULES + TEMPLATES, called_safe) == {}


class TestPortability:
    def test_a_module_imports_on_windows(self) -> None:
        """No module needs a POSIX-only part of the standard library to be imported."""

        def posix_only(path: Path) -> set[str]:
            return POSIX_ONLY & {module.split(".")[0] for module in imports(parsed(path).body)}

        assert those(MODULES, posix_only) == {}


class TestQuickStart:
    def test_no_command_waits_for_a_library_it_has_no_use_for(self) -> None:
        """The command line loads none; page, records and assessment neither solvers nor pint."""
        run = subprocess.run(
            [sys.executable, "-c", QUICK_STARTS],
            cwd=ROOT,
            capture_output=True,
            encoding="utf-8",
            check=True,
        )
        bare, without_figures = (set(line.split()) for line in run.stdout.splitlines())

        assert sorted(HEAVY & bare) == []
        assert sorted({"pandas", "pint", "pyvisa", "scipy"} & without_figures) == []


def listed_names(tree: ast.Module) -> tuple[str, ...] | None:
    for node in tree.body:
        if isinstance(node, ast.Assign) and ast.unparse(node.targets[0]) == "__all__":
            return tuple(ast.literal_eval(node.value))
    return None


def defined_names(tree: ast.Module) -> set[str]:
    """Return the public classes and functions that a module defines itself."""
    kinds = ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef
    return {node.name for node in tree.body if isinstance(node, kinds) and node.name[0] != "_"}


def taken_names(tree: ast.Module, folder: Path) -> set[str]:
    """Return the public names that a package takes from its own modules, not these modules."""
    package = ".".join(folder.relative_to(ROOT).parts)
    names = {
        alias.asname or alias.name
        for node in tree.body
        if isinstance(node, ast.ImportFrom)
        and (node.level or (node.module or "").startswith(package))
        for alias in node.names
    }
    modules = {path.stem for path in folder.iterdir()}
    return {name for name in names - modules if name[0] != "_"}


def bound_names(tree: ast.Module) -> set[str]:
    """Return every name that the top level of a module binds, a lazy `__getattr__` included."""
    names = defined_names(tree)
    for node in ast.walk(tree):
        match node:
            case ast.Import(names=aliases) | ast.ImportFrom(names=aliases):
                names |= {(alias.asname or alias.name).split(".")[0] for alias in aliases}
            case ast.Name(id=name, ctx=ast.Store()):
                names.add(name)
    return names


def imports(body: list[ast.stmt]) -> Iterator[str]:
    """Yield the modules that statements import at once, without any guard around them."""
    for node in body:
        match node:
            case ast.Import(names=aliases):
                yield from (alias.name for alias in aliases)
            case ast.ImportFrom(module=str(module), level=0):
                yield module
            case ast.ImportFrom():
                yield "harness"


def spoken(tree: ast.Module) -> Iterator[str]:
    """Yield every text of a module but docstrings: what may reach a reader."""
    docstrings = {id(node.value) for node in ast.walk(tree) if isinstance(node, ast.Expr)}
    for node in ast.walk(tree):
        match node:
            case ast.Constant(value=str(text)) if id(node) not in docstrings:
                yield text


def drawn_tree(docstring: str) -> dict[str, str]:
    """Read the tree drawn in a docstring: class to parent, the root's parent being `Exception`."""
    parents: dict[str, str] = {}
    above: list[str] = ["Exception"]
    for line in docstring.splitlines():
        drawn = re.match(r"((?:│ {3}| {4})*)(├── |└── )?([A-Z][A-Za-z]+)\b", line)
        if drawn is None or (drawn[2] is None and drawn[3] != "HarnessError"):
            continue
        depth = 1 + (0 if drawn[2] is None else len(drawn[1]) // 4)
        del above[depth:]
        parents[drawn[3]] = above[-1]
        above.append(drawn[3])
    return parents
