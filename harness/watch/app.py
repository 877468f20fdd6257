"""The page of a run, and of all runs in a folder: loopback only, and nothing without its token.

What a request may do hangs on the token in its path alone. Another host name, another origin, or a
path that is not spelled exactly as the page spells it gets nothing.
"""

from __future__ import annotations

import asyncio
import hmac
import json
from collections.abc import AsyncIterator, Callable
from importlib import resources
from typing import Protocol

from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response, StreamingResponse
from starlette.types import Receive, Scope, Send

from harness.watch.feed import RunFeed

#: Time between two looks for something new.
_TURN_S = 0.1
#: Viewers at a time.
_MOST_VIEWERS = 64

#: Files of the page, with their kinds.
_ASSETS = {
    "page.css": "text/css; charset=utf-8",
    "run.js": "text/javascript; charset=utf-8",
    "runs.js": "text/javascript; charset=utf-8",
}
_HEADERS = {
    "content-security-policy": "default-src 'none'; script-src 'self'; style-src 'self'; "
    "connect-src 'self'; img-src 'self' data:; frame-ancestors 'none'; base-uri 'none'; "
    "form-action 'none'",
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-resource-policy": "same-origin",
    "cross-origin-opener-policy": "same-origin",
    "cache-control": "no-store",
}


#: A drawing has its look in itself, and is no page: it loads and runs nothing.
_DRAWING_POLICY = "default-src 'none'; style-src 'unsafe-inline'; frame-ancestors 'none'"
_DRAWING = "image/svg+xml"


class Runs(Protocol):
    """What there is to be seen."""

    def feed(self, name: str) -> RunFeed | None:
        """Return a run by its name; empty: the only one."""

    def listed(self) -> str | None:
        """Return all runs in short, as JSON; None where there is only one."""


class Page:
    """The ASGI application.

    The bench's token shows and switches off, the viewers' shows. ``switch_off`` None: nobody can.
    """

    def __init__(
        self,
        runs: Runs,
        *,
        port: int,
        view_token: str,
        bench_token: str = "",
        switch_off: Callable[[], None] | None = None,
    ) -> None:
        self._runs = runs
        self._hosts = {f"{host}:{port}" for host in ("127.0.0.1", "localhost")}
        self._view_token, self._bench_token = view_token, bench_token
        self._switch_off = switch_off
        self._viewers = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer one request."""
        if scope["type"] != "http":
            return
        request = Request(scope, receive)
        response = self._answer(request)
        for name, value in _HEADERS.items():
            response.headers[name] = value
        if response.media_type == _DRAWING:
            response.headers["content-security-policy"] = _DRAWING_POLICY
        await response(scope, receive, send)

    def _answer(self, request: Request) -> Response:
        refused = self._refuse(request)
        if refused:
            return PlainTextResponse(f"{refused}\n", 403)
        raw = request.scope.get("raw_path") or request.scope["path"].encode()
        _, token, *rest = raw.partition(b"?")[0].decode("latin-1").split("/")
        may_press = _same(token, self._bench_token)
        if not may_press and not _same(token, self._view_token):
            return PlainTextResponse("not found\n", 404)
        name = ""
        if self._runs.listed() is not None and rest[:1] == ["runs"] and len(rest) == 3:
            name, rest = rest[1] or ".", rest[2:]
        if len(rest) != 1:
            return PlainTextResponse("not found\n", 404)
        if request.method == "POST":
            return self._post(rest[0], may_press=may_press and not name)
        return self._get(rest[0], name, may_press=may_press)

    def _refuse(self, request: Request) -> str:
        """Say why a request gets nothing: it does not come from this machine's own page."""
        headers = request.headers
        if headers.getlist("host") not in [[host] for host in self._hosts]:
            return "another host name"
        origin = headers.get("origin")
        if origin is not None and origin.removeprefix("http://") not in self._hosts:
            return "another origin"
        if request.method == "POST" and origin is None:
            return "no origin"
        if headers.get("sec-fetch-site", "none") not in {"same-origin", "none"}:
            return "another site"
        return "" if request.method in {"GET", "HEAD", "POST"} else "another method"

    def _post(self, what: str, *, may_press: bool) -> Response:
        if what != "off" or self._switch_off is None:
            return PlainTextResponse("not found\n", 404)
        if not may_press:
            return PlainTextResponse("only the bench's own address switches off\n", 403)
        self._switch_off()
        return PlainTextResponse("power off was asked for\n", 202)

    def _get(self, what: str, name: str, *, may_press: bool) -> Response:
        if what in _ASSETS:
            return Response(_file(what), media_type=_ASSETS[what])
        several = self._runs.listed() is not None and not name
        feed = None if several else self._runs.feed(name)
        if not several and feed is None:
            return PlainTextResponse("not found\n", 404)
        if what == "":
            text = _file("runs.html" if several else "run.html")
            pressed = may_press and self._switch_off is not None and not name
            text = text.replace("{{may}}", "off" if pressed else "look")
            return Response(text, media_type="text/html; charset=utf-8")
        if feed is not None and what.startswith("fit-"):
            drawing = feed.fits.svg(what.removeprefix("fit-").removesuffix(".svg"))
            if drawing is not None:
                return Response(drawing, media_type=_DRAWING)
        if what != "events":
            return PlainTextResponse("not found\n", 404)
        if self._viewers >= _MOST_VIEWERS:
            return PlainTextResponse("too many viewers\n", 503)
        sent = self._list() if feed is None else _sent(feed)
        return StreamingResponse(self._counted(sent), media_type="text/event-stream")

    async def _counted(self, sent: AsyncIterator[str]) -> AsyncIterator[str]:
        self._viewers += 1
        try:
            async for each in sent:
                yield each
        finally:
            self._viewers -= 1

    async def _list(self) -> AsyncIterator[str]:
        before = ""
        while True:
            now = self._runs.listed() or ""
            yield ": \n\n" if now == before else f"data: {now}\n\n"
            before = now
            await asyncio.sleep(1.0)


async def _sent(feed: RunFeed) -> AsyncIterator[str]:
    """Yield what is new to one viewer; one that is slow gets less often what it is new to it."""
    seen, beat = (-1, 0, 0), -1
    while True:
        if feed.beat != beat:
            beat = feed.beat
            plot, seen = feed.plot(seen)
            yield f'data: {{"view": {feed.text}, "plot": {json.dumps(plot)}}}\n\n'
            if feed.said_last:
                return
        await asyncio.sleep(_TURN_S)


def _same(given: str, known: str) -> bool:
    return bool(known) and hmac.compare_digest(given.encode(), known.encode())


def _file(name: str) -> str:
    return resources.files(__package__).joinpath("assets", name).read_text(encoding="utf-8")
