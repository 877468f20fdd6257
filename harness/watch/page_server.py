"""The run's end of its page: starts the process that serves it, and hears the one thing it says."""

from __future__ import annotations

import contextlib
import json
import logging
import subprocess
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

from harness.power.channel import see_out, start_own_process
from harness.power.off_line import OffLine

#: Longest wait for the page to be there, before anything is energised.
_START_S = 15.0
_OFF = b"off"
_LOG = logging.getLogger(__name__)


class PageServer:
    """A page of one run, from another process; ``switch_off`` is called where it is pressed."""

    def __init__(self, switch_off: Callable[[str], None]) -> None:
        self._switch_off = switch_off
        self._process: subprocess.Popen[bytes] | None = None
        self._known = threading.Event()
        self._facts: dict[str, Any] = {}
        self._ended = False

    def start(self, folder: Path, line: OffLine | None = None) -> None:
        """Serve a run's folder from now on; it waits until the page is there, or will not be.

        A press is heard on the line to the keeper as well, without this process.
        """
        try:
            self._process = start_own_process(
                "harness.watch.page_process",
                str(folder.resolve()),
                errors=subprocess.DEVNULL,
                off_end=None if line is None else line.writer,
            )
            threading.Thread(target=self._hear, name="page", daemon=True).start()
        except (OSError, RuntimeError) as error:  # no process or no thread to be had
            _LOG.warning("there is no page: %s", error)
            self._ended = True
            return
        self._known.wait(_START_S)

    @property
    def address(self) -> str:
        """Where the page is that can switch off; empty where there is none."""
        return self._address("bench_token")

    @property
    def view_address(self) -> str:
        """Where the page is that shows, for whoever else watches."""
        return self._address("view_token")

    def told(self) -> str:
        """Say in a line where the page is, or that it is gone."""
        if self._ended or not self._facts:
            return "the page is gone; the run goes on without it"
        return f"watch {self.address}"

    def close(self) -> None:
        """Let the process know that the run is over; it ends by itself a little later."""
        if self._process is not None and self._process.stdin is not None:
            with contextlib.suppress(OSError):
                self._process.stdin.close()

    def _address(self, token: str) -> str:
        if token not in self._facts:
            return ""
        return f"http://127.0.0.1:{self._facts['port']}/{self._facts[token]}/"

    def _hear(self) -> None:
        assert self._process is not None
        assert self._process.stdout is not None
        with contextlib.suppress(OSError, ValueError):
            facts = json.loads(self._process.stdout.readline())
            self._facts = facts if isinstance(facts, dict) else {}
            self._known.set()
            for line in self._process.stdout:
                if line.strip() == _OFF:
                    self._switch_off("on the page")
        self._ended = True
        self._known.set()
        see_out(self._process)  # it has said its last
