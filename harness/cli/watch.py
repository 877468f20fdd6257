"""``softwake watch``: a page of the runs in a results folder; it only shows."""

from __future__ import annotations

import asyncio
import contextlib
from pathlib import Path

import typer

from harness.cli.documents import telling
from harness.cli.options import described
from harness.record.examine import folders
from harness.run.operator import Interrupted, StopRequest, stop_on_signals
from harness.watch.address import listening, new_token, port_of
from harness.watch.app import Page
from harness.watch.folder import Folder
from harness.watch.server import serve


@described
def watch(results: Path, *, json: bool = False) -> None:
    """Show the runs going on in a results folder, and those of today, as a page."""
    folders(results)  # refuses where there is none
    runs = Folder(results)
    stop = StopRequest()
    with contextlib.closing(listening()) as listener, stop_on_signals(stop):
        port, token = port_of(listener), new_token()
        page = Page(runs, port=port, view_token=token)
        address = f"http://127.0.0.1:{port}/{token}/"
        with telling(wanted=json) as tell:
            if tell is not None:
                tell("page", {"address": address})
            typer.echo(f"watch {address}\nCtrl-C ends it.")

        def turn() -> bool:
            try:
                stop.raise_if_requested()
            except Interrupted:
                return True
            return runs.turn()

        asyncio.run(serve(page, listener, turn))
