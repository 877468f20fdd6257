"""Questions put to one instrument before there is a dialect for it; nothing can be set by them."""

from __future__ import annotations

import contextlib
import re
from collections.abc import Iterator, Mapping
from typing import Any

from harness.bench.dialect import Dialect
from harness.bench.link import OpenLink, open_link, open_visa
from harness.bench.registers import read_registers
from harness.bench.wire_text import SENDABLE
from harness.errors import InstrumentError, LinkError
from harness.profile.instruments import Instrument

#: Questions that set something going: self-test and calibration (IEEE 488.2-1992, 10.38 and 10.2).
_ACTS = re.compile(r"\*TST|[*:]?CAL|:?TEST", re.IGNORECASE)


def only_asks(message: str, protocol: str = "text") -> bool:
    """Whether a message can be nothing but a question.

    Every part of it has a question mark at the end of its header (IEEE 488.2-1992, 7.3.2: the query
    form), or it reads registers. What asks without one, as letters may, is not sent to find out.
    """
    if protocol == "modbus":
        with contextlib.suppress(ValueError):
            return read_registers(message).written is None
        return False
    parts = [part.strip() for part in message.split(";")]
    headers = [part.split()[0] if part else "" for part in parts]
    return bool(SENDABLE.fullmatch(message)) and all(
        header.endswith("?") and not _ACTS.match(header) for header in headers
    )


class Probe:
    """One instrument, asked by what the manual says."""

    def __init__(self, link: OpenLink, protocol: str) -> None:
        self._link = link
        self._protocol = protocol

    def ask(self, message: str) -> str:
        """Return its answer; what could be more than a question is never sent.

        Raises:
            ValueError: It is no question.
            InstrumentError: There is no answer.
        """
        if not only_asks(message, self._protocol):
            raise ValueError(f"{message!r} is not sent: it may be more than a question")
        try:
            return self._link.query(message)
        except LinkError:
            with contextlib.suppress(InstrumentError):  # the next question says so again
                self._link.reopen()  # it must not get the late answer
            raise


@contextlib.contextmanager
def probe_at(manager: Any, table: Mapping[str, Any], link: Mapping[str, Any]) -> Iterator[Probe]:
    """Open an instrument by its keys of a bench file, and what its dialect says under ``[link]``.

    Raises:
        LinkError: It cannot be opened.
    """
    instrument = Instrument.model_validate({**table, "dialect": "none yet"})
    dialect = Dialect.model_validate({"name": "none yet", "role": "meter", "link": dict(link)})
    opened = open_link(manager, "instrument", instrument, dialect)
    try:
        yield Probe(opened, dialect.link.protocol)
    finally:
        opened.close()


@contextlib.contextmanager
def probing(visa: str, table: Mapping[str, Any], link: Mapping[str, Any]) -> Iterator[Probe]:
    """Open a VISA library and an instrument through it, as :func:`probe_at` does."""
    manager = open_visa(visa)
    try:
        with probe_at(manager, table, link) as probe:
            yield probe
    finally:
        with contextlib.suppress(Exception):  # nothing was switched on
            manager.close()
