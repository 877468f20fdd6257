"""Finding the files that come with the harness, in a checkout."""

from __future__ import annotations

from pathlib import Path

import pytest

from harness import shipped as module
from harness.shipped import shipped, shipped_names


@pytest.fixture
def checkout(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A checkout with two profiles, one in a folder of its own, and two tables of one stem."""
    for name in (
        "pyproject.toml",
        "secret.toml",
        "harness/shipped.py",
        "profiles/README.md",
        "profiles/b-shutter.toml",
        "profiles/a/mount.toml",
        "shared/mains.toml",
        "shared/mains.csv",
    ):
        path = tmp_path / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text("", encoding="utf-8")
    monkeypatch.setattr(module, "_PACKAGE", tmp_path / "harness")
    return tmp_path


class TestNames:
    def test_names_are_sorted_and_leave_out_the_readme(self, checkout: Path) -> None:
        """The names of a kind are its files, sorted, with `/` inside, without README.md."""
        assert checkout.is_dir()
        assert shipped_names("profiles") == ("a/mount.toml", "b-shutter.toml")

    @pytest.mark.usefixtures("checkout")
    def test_a_kind_without_a_folder_has_no_names(self) -> None:
        """A kind whose folder does not exist has no names."""
        assert shipped_names("sim_configs") == ()

    def test_an_installed_package_never_looks_beside_itself(self, checkout: Path) -> None:
        """Without a project file beside the package, a folder beside it is somebody else's."""
        (checkout / "pyproject.toml").unlink()

        assert shipped_names("profiles") == ()

    def test_the_packages_own_folder_comes_first(self, checkout: Path) -> None:
        """Where the package carries a kind itself, the folder beside it does not count."""
        carried = checkout / "harness" / "shipped" / "profiles" / "carried.toml"
        carried.parent.mkdir(parents=True)
        carried.write_text("", encoding="utf-8")

        assert shipped_names("profiles") == ("carried.toml",)


class TestOneFile:
    @pytest.mark.parametrize("name", ["b-shutter.toml", "b-shutter"])
    def test_a_name_may_leave_out_its_suffix(self, checkout: Path, name: str) -> None:
        """A file is found by its name, and by its name without the suffix."""
        assert shipped("profiles", name) == checkout / "profiles" / "b-shutter.toml"

    @pytest.mark.usefixtures("checkout")
    def test_a_short_name_that_two_files_share_finds_none(self) -> None:
        """A name without suffix finds nothing where it could mean two files."""
        assert shipped("shared", "mains") is None

    @pytest.mark.parametrize(
        "name",
        ["", ".", "..", "a", "../secret.toml", "../secret", "a/../b-shutter.toml", "b-shutter."],
    )
    def test_no_name_leads_out_of_the_folder(self, checkout: Path, name: str) -> None:
        """A name that is not in the list finds nothing, whatever path it spells."""
        assert shipped("profiles", name) is None
        assert shipped("profiles", str(checkout / "secret.toml")) is None
