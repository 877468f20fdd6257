"""The site that is built from `docs/`: whole, searchable, and nothing on it needs a network."""

from __future__ import annotations

import importlib.util
import json
import re
import subprocess
import sys
from pathlib import Path

import pytest

from tests.markdown import assert_same_words

ROOT = Path(__file__).resolve().parents[1]
DOCS = ROOT / "docs"

#: What makes a browser fetch something: a source, a style sheet, an import of a style sheet.
_LOADS = re.compile(
    r"""(?:<(?:script|img|iframe|source|video|audio)\b[^>]*\bsrc\s*=\s*["']?"""
    r"""|<link\b[^>]*\bhref\s*=\s*["']?|url\(\s*["']?|@import\s+["']?|fetch\(\s*["'])"""
    r"""((?:https?:)?//[^"'\s)>]+)""",
    re.IGNORECASE,
)

#: Numbers of a drawing may differ so much from those stored: the last digit of a computation is a
#: matter of the machine.
_PIXEL = 0.5


@pytest.fixture(scope="module")
def site(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of the site, built strictly."""
    folder = tmp_path_factory.mktemp("site")
    built = subprocess.run(
        [sys.executable, "-m", "mkdocs", "build", "--strict", "--site-dir", str(folder)],
        cwd=ROOT,
        capture_output=True,
        encoding="utf-8",
        check=False,
    )
    assert built.returncode == 0, built.stderr
    return folder


class TestSite:
    def test_every_page_is_there(self, site: Path) -> None:
        """Each page of the folder is a page of the site, and named in its contents."""
        start = (site / "index.html").read_text(encoding="utf-8")

        for page in DOCS.glob("*.md"):
            assert (site / f"{page.stem}.html").is_file()
            assert page.stem == "index" or f'href="{page.stem}.html"' in start

    def test_nothing_on_it_needs_a_network(self, site: Path) -> None:
        """No page, script or style sheet fetches anything from elsewhere."""
        files = [path for path in site.rglob("*") if path.suffix in {".html", ".css", ".js"}]
        fetched = {
            (path.name, address)
            for path in files
            for address in _LOADS.findall(path.read_text(encoding="utf-8"))
        }

        assert len(files) > 10
        assert fetched == set()

    def test_what_fetches_would_be_found(self) -> None:
        """The pattern used here finds a font, a script and a style sheet from elsewhere."""
        for text in (
            '<script src="https://example.org/a.js">',
            '<link rel="stylesheet" href="//example.org/a.css">',
            "@font-face { src: url(https://example.org/a.woff2) }",
            '@import "https://example.org/a.css"',
        ):
            assert _LOADS.findall(text)

    def test_it_can_be_searched(self, site: Path) -> None:
        """The index of the search has the words of the pages."""
        index = json.loads((site / "search" / "search_index.json").read_text(encoding="utf-8"))
        found = {entry["location"].partition("#")[0] for entry in index["docs"]}

        assert "safety-rules.html" in found
        assert any("energy_budget" in entry["text"] for entry in index["docs"])


class TestPictures:
    @pytest.mark.parametrize("name", ["run.svg", "report.svg", "terminal.svg"])
    def test_the_script_draws_what_is_stored(self, name: str) -> None:
        """What is stored is what `python docs/pictures.py` draws: run it where they differ."""
        stored = (DOCS / "pictures" / name).read_text(encoding="utf-8")
        drawn = drawings()[name]

        assert re.sub(_NUMBER, "#", drawn) == re.sub(_NUMBER, "#", stored)
        assert_same_words(texts(stored), texts(drawn))
        pairs = zip(re.findall(_NUMBER, drawn), re.findall(_NUMBER, stored), strict=True)
        assert [pair for pair in pairs if abs(float(pair[0]) - float(pair[1])) > _PIXEL] == []

    @pytest.mark.parametrize("name", ["run.svg", "report.svg", "terminal.svg"])
    def test_they_load_nothing(self, name: str) -> None:
        """A picture holds all it needs: no script, no font, no picture from elsewhere."""
        text = (DOCS / "pictures" / name).read_text(encoding="utf-8")

        assert re.findall(r"https?://[^\s\"']+", text) == ["http://www.w3.org/2000/svg"]
        assert "<script" not in text


def texts(drawing: str) -> str:
    """Return what can be read in a drawing."""
    return " ".join(re.findall(r">([^<>]+)</text>", drawing))


_NUMBER = r"-?\d+(?:\.\d+)?"


def drawings() -> dict[str, str]:
    """Return what the script draws."""
    spec = importlib.util.spec_from_file_location("pictures", DOCS / "pictures.py")
    assert spec is not None
    assert spec.loader is not None
    script = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(script)
    drawn: dict[str, str] = script.pictures()
    return drawn
