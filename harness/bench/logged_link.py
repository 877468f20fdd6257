"""A link that says each message of its conversation to the log, where that is wanted."""

from __future__ import annotations

import logging
from contextlib import AbstractContextManager

from harness.bench.link import OpenLink

_LOG = logging.getLogger(__name__)


def logged(link: OpenLink) -> OpenLink:
    """Return the link, one that speaks to the log where every message is wanted there."""
    _LOG.info("opened %s", link.name)
    return LoggedLink(link) if _LOG.isEnabledFor(logging.DEBUG) else link


class LoggedLink:
    """Fulfils :class:`~harness.bench.link.OpenLink` by the link it has, word by word."""

    def __init__(self, link: OpenLink) -> None:
        self.name = link.name
        self._link = link

    @property
    def timeout_s(self) -> float:
        """Longest wait for an answer."""
        return self._link.timeout_s

    def write(self, message: str) -> None:
        """Send one message."""
        _LOG.debug("%s > %s", self.name, message)
        self._link.write(message)

    def query(self, message: str) -> str:
        """Send one message and return its answer without the terminator."""
        _LOG.debug("%s > %s", self.name, message)
        try:
            answer = self._link.query(message)
        except Exception as error:
            _LOG.debug("%s < %s", self.name, error)
            raise
        _LOG.debug("%s < %s", self.name, answer)
        return answer

    def reopen(self) -> None:
        """Begin the conversation again."""
        _LOG.info("%s is opened again", self.name)
        self._link.reopen()

    def close(self) -> None:
        """End the conversation."""
        self._link.close()

    def extended_timeout(self, timeout_s: float) -> AbstractContextManager[None]:
        """Wait longer for answers while the block runs."""
        return self._link.extended_timeout(timeout_s)
