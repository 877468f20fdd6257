"""What every test can ask for."""

from __future__ import annotations

import gc
import os
import shutil
from collections.abc import Callable, Iterator
from pathlib import Path

import hypothesis
import pytest

from tests.units import SHIPPED_PROFILES

#: True on the machine that decides whether a change goes in.
IN_CI = os.environ.get("CI", "").lower() == "true"

# No deadline: a shared machine pauses when it likes, and a slow example is no wrong one. In CI the
# same change meets the same examples each time; elsewhere each run tries new ones.
hypothesis.settings.register_profile("everywhere", deadline=None)
hypothesis.settings.register_profile("ci", deadline=None, derandomize=True, print_blob=True)
# A mutation tool runs the same tests again and again (`make mutants`): the same examples each time.
hypothesis.settings.register_profile("mutants", deadline=None, derandomize=True, database=None)
hypothesis.settings.load_profile("ci" if IN_CI else "everywhere")


def pytest_collection_finish() -> None:
    """Take eight thousand collected tests out of the collector's sight.

    To look through them takes it about half a second: so long a program under test gives no sign of
    life, and its keeper cuts power. A run by itself has no such heap.
    """
    gc.collect()
    gc.freeze()


@pytest.fixture(scope="session", autouse=True)
def _folders_of_its_own(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Keep locks and libraries, in subprocesses too, out of the user's own folders (on Linux)."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("XDG_STATE_HOME", str(tmp_path_factory.mktemp("state")))
        patch.setenv("XDG_CACHE_HOME", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(params=SHIPPED_PROFILES)
def shipped_profile(request: pytest.FixtureRequest) -> str:
    """Return the name of each shipped profile in turn: one that is added is held as well."""
    name: str = request.param
    return name


@pytest.fixture
def needs_program() -> Callable[[str], str]:
    """Return a function from a program's name to its path, for tests against Debian packages.

    Where the program is missing the test is skipped, and fails in CI, so that a comparison with the
    outside world never goes quiet unnoticed.
    """
    return _path_of_program


def _path_of_program(name: str) -> str:
    path = shutil.which(name)
    if path is None and IN_CI:
        pytest.fail(f"{name} is not installed; .ci/run installs the packages that tests need")
    if path is None:
        pytest.skip(f"{name} is not installed")
    return path


@pytest.fixture
def written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Callable[[str | bytes], str]:
    """Return a function that writes a file ``it.toml`` into the working folder."""
    monkeypatch.chdir(tmp_path)

    def write(content: str | bytes) -> str:
        raw = content if isinstance(content, bytes) else content.encode()
        Path("it.toml").write_bytes(raw)
        return "it.toml"

    return write
