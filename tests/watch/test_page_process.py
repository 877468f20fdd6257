from __future__ import annotations

import json
import subprocess
import sys
import urllib.request
from pathlib import Path

from harness.power.channel import start_own_process

ROOT = Path(__file__).resolve().parents[2]

#: What serves the page and folds its run.
SERVES = {"harness.watch.app", "harness.watch.feed", "harness.watch.server"}
DEAR = {"asyncio", "numpy", "pydantic", "starlette", "uvicorn"}


class TestAddress:
    def test_it_waits_for_no_library(self) -> None:
        """All that is loaded before the address is told is what tells it."""
        told = subprocess.run(
            [sys.executable, "-c", "import sys, harness.watch.page_process; print(*sys.modules)"],
            cwd=ROOT,
            capture_output=True,
            encoding="utf-8",
            check=True,
        )

        assert set(told.stdout.split()) & (SERVES | DEAR) == set()

    def test_who_calls_at_once_is_answered(self, tmp_path: Path) -> None:
        """Whoever opens the page before what serves it is loaded gets it all the same."""
        process = start_own_process(
            "harness.watch.page_process", str(tmp_path), errors=subprocess.DEVNULL
        )
        try:
            assert process.stdout is not None
            facts = json.loads(process.stdout.readline())
            address = f"http://127.0.0.1:{facts['port']}/{facts['view_token']}/"
            with urllib.request.urlopen(address, timeout=60) as answer:
                page = answer.read().decode()
        finally:
            process.kill()
            process.wait()
            for stream in (process.stdin, process.stdout):
                assert stream is not None
                stream.close()

        assert "<title>" in page
