"""What `import harness` offers, and what it costs."""

from __future__ import annotations

import ast
import subprocess
import sys
from pathlib import Path

import pytest

import harness

ROOT = Path(__file__).resolve().parents[1]

#: What a script that only imports the package has not asked for yet.
DEAR = ("numpy", "pandas", "pint", "pydantic", "pyvisa", "pyvisa_sim", "rich", "scipy", "typer")


def in_a_new_process(code: str) -> str:
    """Return what code prints in an interpreter that has imported nothing yet."""
    done = subprocess.run(
        [sys.executable, "-c", code], cwd=ROOT, capture_output=True, encoding="utf-8", check=True
    )
    return done.stdout


class TestNames:
    @pytest.mark.parametrize("name", harness.__all__)
    def test_each_name_loads(self, name: str) -> None:
        """Each name of `harness.__all__` is there when it is asked for."""
        assert getattr(harness, name) is not None

    def test_names_come_from_the_type_checkers_list(self) -> None:
        """The names a type checker sees are the names that load, no more and no fewer."""
        tree = ast.parse(Path(harness.__file__).read_text(encoding="utf-8"))
        seen = {
            alias.asname or alias.name
            for node in ast.walk(tree)
            if isinstance(node, ast.If) and ast.unparse(node.test) == "TYPE_CHECKING"
            for statement in node.body
            if isinstance(statement, ast.ImportFrom)
            for alias in statement.names
        }

        assert seen == set(harness.__all__)

    def test_names_are_sorted_and_unique(self) -> None:
        """A reader finds a name in `harness.__all__` where the alphabet puts it."""
        assert list(harness.__all__) == sorted(set(harness.__all__))

    @pytest.mark.parametrize("name", harness.__all__)
    def test_each_name_is_explained(self, name: str) -> None:
        """Each name has a docstring of its own."""
        offered = getattr(harness, name)

        assert offered.__doc__
        assert offered.__doc__ != getattr(type(offered), "__doc__", None)

    def test_a_wrong_name_is_an_attribute_error(self) -> None:
        """A name that is not there is refused as Python refuses it everywhere."""
        with pytest.raises(AttributeError, match="no attribute 'rehearse_profil'"):
            _ = harness.rehearse_profil


class TestCost:
    def test_importing_the_package_loads_no_dear_library(self) -> None:
        """`import harness` loads none of the libraries that only its functions need."""
        loaded = in_a_new_process("import sys, harness; print(*sys.modules)").split()

        assert [name for name in DEAR if name in loaded] == []

    def test_loading_a_profile_opens_no_instruments_library(self) -> None:
        """Reading a profile loads no VISA library and no frames."""
        code = (
            "import sys, harness; harness.load_profile('mount-controller-board');"
            "print(*sys.modules)"
        )
        loaded = in_a_new_process(code).split()

        assert [
            name for name in ("pandas", "pyvisa", "pyvisa_sim", "scipy") if name in loaded
        ] == []
