"""Where a page is: a free port of this machine, and tokens that nobody guesses.

Nothing here has to be loaded first, so that an address is known before what answers at it.
"""

from __future__ import annotations

import secrets
import socket

#: 96 bits: half as many again as a session on the open network is asked for (common practice).
_TOKEN_BYTES = 12


def listening() -> socket.socket:
    """Return a socket on a free port of this machine that only this machine reaches."""
    listener = socket.socket(socket.AF_INET, socket.SOCK_STREAM)
    listener.bind(("127.0.0.1", 0))
    listener.listen()  # whoever is told the port may call at once
    return listener


def port_of(listener: socket.socket) -> int:
    """Return the port of a socket."""
    return int(listener.getsockname()[1])


def new_token() -> str:
    """Return a token that nobody guesses; with it an address still fits into 40 columns."""
    return secrets.token_urlsafe(_TOKEN_BYTES)
