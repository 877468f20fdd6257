from __future__ import annotations

import ast
import re
from pathlib import Path

from harness.record.events import EventKind

ROOT = Path(__file__).resolve().parents[2]
PAGE = (ROOT / "docs" / "events.md").read_text(encoding="utf-8")


class TestEvents:
    def test_the_page_lists_each_kind(self) -> None:
        """The table of events has each kind once, in order, and no other."""
        rows = re.findall(r"^\| `([a-z ]+)` \| .+ \|$", PAGE, re.MULTILINE)

        assert rows == list(EventKind)

    def test_each_kind_happens(self) -> None:
        """Every kind is entered somewhere in the program."""
        named = {
            node.attr
            for path in (ROOT / "harness").rglob("*.py")
            for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
            if isinstance(node, ast.Attribute)
            and isinstance(node.value, ast.Name)
            and node.value.id == "EventKind"
        }

        assert named == set(EventKind.__members__)
