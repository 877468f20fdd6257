"""The process of a run's page: says where the page is, then loads what serves it.

The run waits for the address before it energises anything, not for the libraries: on a machine with
other work these take many seconds. Who opens the page meanwhile is answered once they are there. To
the run it says one line with its port and tokens, and later perhaps one more: to switch off.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from pathlib import Path

from harness.power.off_line import say_off, taken_over
from harness.watch.address import listening, new_token, port_of

#: What is said to the run to have it switched off.
OFF = "off"


def main() -> None:
    """Serve the run whose folder the command line names."""
    off_end = taken_over(sys.argv[2]) if len(sys.argv) > 2 else None
    told = os.fdopen(os.dup(1), "w", encoding="utf-8", newline="\n")
    null = os.open(os.devnull, os.O_RDWR)
    os.dup2(null, 1)  # whatever a library prints is no message
    listener = listening()
    tokens = {"bench_token": new_token(), "view_token": new_token()}

    def say(text: str) -> None:
        with contextlib.suppress(OSError, ValueError):  # the run is over
            told.write(f"{text}\n")
            told.flush()

    def switch_off() -> None:
        if off_end is not None:
            say_off(off_end, "on the page")  # to the keeper, whatever the run is doing
        say(OFF)

    say(json.dumps({"port": port_of(listener), **tokens}))
    from harness.watch.server import serve_run

    serve_run(Path(sys.argv[1]), listener, switch_off, **tokens)
    os._exit(0)  # nothing is left to do, and no thread is waited for


if __name__ == "__main__":
    main()
