"""All that watches one run: the terminal it was started on, and its page if one is wanted."""

from __future__ import annotations

from pathlib import Path

from harness.run.operator import StopRequest
from harness.watch.page_server import PageServer
from harness.watch.terminal import RunScreen


class Watching:
    """Begins with the run's folder, and ends with the run."""

    def __init__(self, shown: RunScreen, stop: StopRequest, *, page: bool) -> None:
        self._shown = shown
        self._stop = stop
        self._server = PageServer(stop.by_hand) if page else None

    def begin(self, folder: Path) -> None:
        """Watch a run by its folder from now on; nothing is energised before this returns."""
        if self._server is None:
            self._shown.follow(folder)
            return
        self._server.start(folder, self._stop.line)
        self._shown.say(f"{self._server.told()}\n")
        if self._server.view_address:
            self._shown.say(f"to look only: {self._server.view_address}\n")
        self._shown.follow(folder, notice=self._server.told)

    def end(self) -> None:
        """Show no more on the terminal; open pages see the end, and then theirs ends as well."""
        self._shown.end()
        if self._server is not None:
            self._server.close()
