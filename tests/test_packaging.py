"""The built archives: what is in them, and that an installed wheel needs no checkout."""

from __future__ import annotations

import ast
import hashlib
import importlib.metadata
import itertools
import os
import re
import shutil
import subprocess
import sys
import tomllib
import zipfile
from pathlib import Path

import pytest
from packaging.requirements import Requirement
from packaging.utils import canonicalize_name

ROOT = Path(__file__).resolve().parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]

#: A line of the constraints: a name and an exact version, and no more than a remark.
PIN = re.compile(r"(?P<name>[a-z0-9][a-z0-9.-]*)==(?P<version>[0-9][0-9a-z.]*)(?:  # .*)?")


def build(out: Path, *options: str) -> Path:
    """Build from the checkout without the network and return the folder of archives."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "build",
            "--no-isolation",
            "--outdir",
            str(out),
            *options,
            str(ROOT),
        ],
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        check=False,
    )
    assert done.returncode == 0, done.stdout
    return out


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    [archive] = build(tmp_path_factory.mktemp("wheel"), "--wheel").iterdir()
    return archive


@pytest.fixture(scope="module")
def installed(wheel: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel unpacked: what an installer puts into site-packages."""
    folder = tmp_path_factory.mktemp("site-packages")
    shutil.unpack_archive(wheel, folder, format="zip")
    return folder


def run_installed(
    installed: Path, empty: Path, *arguments: str
) -> subprocess.CompletedProcess[str]:
    """Run Python in an empty folder where the unpacked wheel is the only softwake to be found."""
    return subprocess.run(
        [sys.executable, *arguments],
        cwd=empty,
        env={**os.environ, "PYTHONPATH": str(installed), "PYTHONDONTWRITEBYTECODE": "1"},
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        encoding="utf-8",
        check=False,
    )


def files_below(folder: Path) -> set[str]:
    return {
        path.relative_to(folder).as_posix()
        for path in folder.rglob("*")
        if path.is_file() and "__pycache__" not in path.parts
    }


def digests(wheel: Path) -> dict[str, str]:
    with zipfile.ZipFile(wheel) as archive:
        return {name: hashlib.sha256(archive.read(name)).hexdigest() for name in archive.namelist()}


class TestWheel:
    def test_it_holds_every_file_of_the_package(self, installed: Path) -> None:
        """The wheel holds the whole package: modules, dialects, templates, and the type marker."""
        missing = files_below(ROOT / "harness") - files_below(installed / "harness")

        assert sorted(missing) == []

    @pytest.mark.parametrize("kind", ["profiles", "sim_configs", "shared"])
    def test_it_holds_what_the_checkout_has_at_its_top(self, installed: Path, kind: str) -> None:
        """The wheel holds profiles, simulated instruments and reference data inside the package."""
        assert files_below(installed / "harness" / "shipped" / kind) == files_below(ROOT / kind)

    def test_it_installs_one_package_and_nothing_beside_it(self, installed: Path) -> None:
        """The wheel puts `harness` and its own metadata into site-packages, nothing else."""
        version = PROJECT["version"]

        assert {path.name for path in installed.iterdir()} == {
            "harness",
            f"softwake-{version}.dist-info",
        }

    def test_the_sdist_builds_the_same_wheel(self, wheel: Path, tmp_path: Path) -> None:
        """A wheel built from the sdist is, file by file, the wheel built from the checkout."""
        by_way_of_sdist = build(tmp_path) / wheel.name

        assert digests(by_way_of_sdist) == digests(wheel)


class TestInstalled:
    @pytest.mark.parametrize("kind", ["profiles", "sim_configs", "shared"])
    def test_it_finds_the_shipped_files(self, installed: Path, tmp_path: Path, kind: str) -> None:
        """An installed softwake finds the same shipped names as a checkout, in its own package."""
        code = (
            "from harness.shipped import shipped, shipped_names\n"
            f"for name in shipped_names({kind!r}): print(name, shipped({kind!r}, name), sep='\\t')"
        )
        done = run_installed(installed, tmp_path, "-c", code)
        found = dict(line.split("\t") for line in done.stdout.splitlines())
        folder = installed.resolve() / "harness" / "shipped" / kind

        assert found == {
            name: str(folder / name)
            for name in files_below(ROOT / kind)
            if not name.endswith("README.md")
        }

    def test_it_rehearses_in_an_empty_folder(self, installed: Path, tmp_path: Path) -> None:
        """An installed softwake releases the demo unit in a folder that holds nothing."""
        done = run_installed(installed, tmp_path, "-m", "harness", "rehearse")

        assert done.returncode == 0, done.stdout


class TestDependencies:
    def test_every_import_is_declared(self) -> None:
        """Every third-party package the harness imports is a declared dependency, or an extra's."""
        imported = {
            module.split(".")[0]
            for path in (ROOT / "harness").rglob("*.py")
            for module in imported_modules(ast.parse(path.read_text(encoding="utf-8")))
        }
        providers = importlib.metadata.packages_distributions()
        needed = {
            canonicalize_name(providers.get(module, [module])[0])
            for module in imported
            - sys.stdlib_module_names
            - {"harness", "_typeshed"}  # the type checker's own
        }
        extras = PROJECT["optional-dependencies"]
        lines = [
            *PROJECT["dependencies"],
            *(line for one in extras.keys() - {"dev"} for line in extras[one]),
        ]
        declared = {canonicalize_name(Requirement(line).name) for line in lines}

        assert sorted(needed - declared) == []

    def test_constraints_are_names_and_exact_versions(self) -> None:
        """Every line of the constraints pins one name to one version, in order, and only once."""
        names = [pin["name"] for pin in pins()]

        assert names == sorted(set(names))

    def test_constraints_pin_everything_declared(self) -> None:
        """The constraints pin every dependency and every extra, inside its declared range."""
        versions = {pin["name"]: pin["version"] for pin in pins()}
        lists = [PROJECT["dependencies"], *PROJECT["optional-dependencies"].values()]
        declared = [Requirement(line) for line in itertools.chain.from_iterable(lists)]
        loose = [
            str(requirement)
            for requirement in declared
            if not requirement.specifier.contains(
                versions.get(canonicalize_name(requirement.name), "0")
            )
        ]

        assert loose == []

    def test_constraints_pin_what_dependencies_need_in_turn(self) -> None:
        """The constraints pin what the pinned packages require in turn, to the last one."""
        pinned = {pin["name"] for pin in pins()}
        loose = {
            f"{name} needs {needed}"
            for name in pinned
            for needed in needs(name)
            if needed not in pinned
        }

        assert sorted(loose) == []


def imported_modules(tree: ast.Module) -> list[str]:
    modules: list[str] = []
    for node in ast.walk(tree):
        match node:
            case ast.Import(names=aliases):
                modules += [alias.name for alias in aliases]
            case ast.ImportFrom(module=str(module), level=0):
                modules.append(module)
    return modules


def pins() -> list[dict[str, str]]:
    """Read the constraints; a line that is no pin and no remark fails the test that asks."""
    lines = (ROOT / "constraints.txt").read_text(encoding="utf-8").splitlines()
    matches = {line: PIN.fullmatch(line) for line in lines if not line.startswith("#")}
    assert [line for line, match in matches.items() if match is None] == []
    return [match.groupdict() for match in matches.values() if match is not None]


def needs(name: str) -> set[str]:
    """Return what an installed distribution requires here without extras; nothing where absent."""
    try:
        lines = importlib.metadata.requires(name) or []
    except importlib.metadata.PackageNotFoundError:
        return set()
    requirements = [Requirement(line) for line in lines]
    return {
        canonicalize_name(requirement.name)
        for requirement in requirements
        if requirement.marker is None or requirement.marker.evaluate({"extra": ""})
    }
