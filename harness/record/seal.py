"""``run.json``: written last, by rename, with the SHA-256 of every file and a seal over itself.

The seal is the SHA-256 of the file's own bytes with 64 zeros in place of the seal. It shows that a
byte changed, by accident or by an edit; it is no signature, since anybody can work it out again.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Mapping
from typing import Any

#: The file that makes a folder a whole record.
RUN_FILE = "run.json"

_BLANK = "0" * 64
_SEAL = re.compile(rb'\n  "seal": "([0-9a-f]{64})"\n}\n\Z')
_SURROGATE = re.compile("[\ud800-\udfff]")


def sealed(facts: Mapping[str, Any]) -> bytes:
    """Return the bytes of ``run.json``: UTF-8 JSON, the seal its last key."""
    blank = _json({**facts, "seal": _BLANK})
    seal = hashlib.sha256(blank).hexdigest()
    return blank[: -len(_BLANK) - 4] + f'{seal}"\n}}\n'.encode()


def seal_holds(content: bytes) -> bool:
    """Whether no byte of a ``run.json`` differs from when it was sealed."""
    match = _SEAL.search(content)
    if match is None:
        return False
    start, end = match.span(1)
    blank = content[:start] + _BLANK.encode() + content[end:]
    return hashlib.sha256(blank).hexdigest().encode() == match[1]


def _json(facts: Mapping[str, Any]) -> bytes:
    text = json.dumps(facts, indent=2, ensure_ascii=False, allow_nan=False) + "\n"
    # Text from a command line can hold bytes that are no UTF-8; JSON can name them all the same.
    return _SURROGATE.sub(lambda half: f"\\u{ord(half[0]):04x}", text).encode()
