"""What can go on the wire, and where a number stands in it (pure)."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

#: What can go on the wire: printable ASCII.
SENDABLE = re.compile("[ -~]+")

#: Stands in a message for a number: the one that is set, or another setting by its name.
PLACEHOLDER = re.compile(r"\{([a-z_]+)\}")

#: Operations by which power may go on: nothing but the keeper sends them.
ENERGISES = ("output_on", "input_on", "contact_close")

#: The tables of a dialect as they were read, by name; one that is left out is empty.
Tables = Mapping[str, Mapping[str, Any]]


def wrong_message(form: str, message: str) -> str:
    """Say what is wrong with the message of an operation of this form; empty where nothing is."""
    if not SENDABLE.fullmatch(message):
        return "must be printable ASCII text"
    if form == "number":
        return "" if message.count("{value}") == 1 else "must hold {value} once"
    return "has no number to hold {value}" if "{value}" in message else ""
