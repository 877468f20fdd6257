"""The page answers its own tokens, by its own name, and nothing else."""

from __future__ import annotations

import asyncio
import datetime as dt
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from harness.errors import CUT_MAINS
from harness.power.trip import Trip, TripReason
from harness.record.csv_text import EVENTS, header
from harness.record.events import EventKind
from harness.record.last_words import GONE, add_last_words
from harness.watch.app import Page
from harness.watch.feed import RunFeed
from harness.watch.folder import Folder

PORT = 8765
HOST = (b"host", b"127.0.0.1:8765")
ORIGIN = (b"origin", b"http://127.0.0.1:8765")
BENCH, VIEW = "bench-token", "view-token"


class One:
    """One run."""

    def __init__(self, folder: Path) -> None:
        self.known = RunFeed(folder)
        self.known.poll()

    def feed(self, name: str) -> RunFeed | None:
        """Return it."""
        return None if name else self.known

    def listed(self) -> str | None:
        """There is one."""
        return None


def ask(
    page: Page,
    path: str,
    *headers: tuple[bytes, bytes],
    method: str = "GET",
    host: tuple[bytes, bytes] | None = HOST,
) -> tuple[int, dict[str, str], str]:
    """Ask a page; return status, headers and body."""
    sent: list[dict[str, Any]] = []
    raw, _, query = path.encode().partition(b"?")
    scope = {
        "type": "http",
        "method": method,
        "path": path.partition("?")[0],
        "raw_path": raw,
        "query_string": query,
        "headers": [*([host] if host else []), *headers],
        "http_version": "1.1",
        "scheme": "http",
        "server": ("127.0.0.1", PORT),
        "client": ("127.0.0.1", 1),
        "root_path": "",
    }

    async def receive() -> dict[str, Any]:
        await asyncio.sleep(30.0)
        return {"type": "http.disconnect"}

    async def send(message: Any) -> None:
        sent.append(message)

    asyncio.run(page(scope, receive, send))
    got = {name.decode(): value.decode() for name, value in sent[0]["headers"]}
    return sent[0]["status"], got, b"".join(each.get("body", b"") for each in sent[1:]).decode()


@pytest.fixture
def pressed() -> list[str]:
    """What was pressed."""
    return []


@pytest.fixture
def page(record: Callable[..., Path], pressed: list[str]) -> Page:
    """The page of a finished run, with a control to press."""
    return Page(
        One(record()),
        port=PORT,
        view_token=VIEW,
        bench_token=BENCH,
        switch_off=lambda: pressed.append("off"),
    )


class TestTokens:
    @pytest.mark.parametrize("token", [BENCH, VIEW])
    def test_each_token_shows(self, page: Page, token: str) -> None:
        """With either token there is the page, its files, and what happens."""
        for what in ("", "page.css", "run.js"):
            assert ask(page, f"/{token}/{what}")[0] == 200
        status, headers, body = ask(page, f"/{token}/events")

        assert (status, headers["content-type"]) == (200, "text/event-stream; charset=utf-8")
        assert json.loads(body.removeprefix("data: "))["view"]["power"] == "off"

    def test_the_bench_presses(self, page: Page, pressed: list[str]) -> None:
        """With the bench's token power off is asked for."""
        assert ask(page, f"/{BENCH}/off", ORIGIN, method="POST")[0] == 202
        assert pressed == ["off"]

    def test_nobody_else_presses(self, page: Page, pressed: list[str]) -> None:
        """A viewer's token shows no control and presses none, nor does a GET."""
        assert 'data-may="off"' in ask(page, f"/{BENCH}/")[2]
        assert 'data-may="look"' in ask(page, f"/{VIEW}/")[2]
        assert ask(page, f"/{VIEW}/off", ORIGIN, method="POST")[0] == 403
        assert ask(page, f"/{BENCH}/off")[0] == 404
        assert pressed == []

    @pytest.mark.parametrize(
        "path",
        [
            "/",
            "//",
            "/off",
            "/events",
            "/wrong-token/",
            f"/{VIEW}",
            f"/{VIEW[:-1]}/",
            f"/{VIEW}x/",
            f"/{VIEW.upper()}/",
            f"/{VIEW}//",
            f"/{VIEW}/../{BENCH}/",
            f"/{VIEW}/%2e%2e/{BENCH}/",
            f"/{VIEW}/page.css/",
            f"/{VIEW}/./page.css",
            f"/{VIEW}/run.html",
            f"/{VIEW}/../app.py",
            f"/{VIEW}/%2e%2e%2fapp.py",
            f"/{VIEW}/..%5capp.py",
            f"/{VIEW}/runs/x/",
            "/%62ench-token/",
            f"http://evil.example/{BENCH}/",
            f"/x/{BENCH}/",
        ],
    )
    def test_no_other_path_gives_anything(self, page: Page, path: str) -> None:
        """Without a whole token, and by no trick of a path, is anything told."""
        assert ask(page, path)[0] == 404


class TestElsewhere:
    @pytest.mark.parametrize("path", [f"/{BENCH}/", f"/{BENCH}/events", f"/{BENCH}/page.css"])
    @pytest.mark.parametrize(
        "host",
        [
            b"evil.example",
            b"evil.example:8765",
            b"127.0.0.1",
            b"127.0.0.1:80",
            b"127.0.0.1:8765.evil.example",
            b"[::1]:8765",
            b"",
        ],
    )
    def test_another_host_name_gets_nothing(self, page: Page, path: str, host: bytes) -> None:
        """A name that was bent to this machine is refused, token or not."""
        assert ask(page, path, host=(b"host", host))[0] == 403

    def test_no_host_and_two_hosts_get_nothing(self, page: Page) -> None:
        """A request without a host name, or with two, is refused."""
        assert ask(page, f"/{BENCH}/", host=None)[0] == 403
        assert ask(page, f"/{BENCH}/", (b"host", b"evil.example"))[0] == 403

    @pytest.mark.parametrize(
        "origin",
        [b"http://evil.example", b"null", b"https://127.0.0.1:8765", b"http://127.0.0.1:80", b""],
    )
    def test_another_origin_presses_nothing(
        self, page: Page, pressed: list[str], origin: bytes
    ) -> None:
        """A page from elsewhere presses nothing, and reads nothing."""
        assert ask(page, f"/{BENCH}/off", (b"origin", origin), method="POST")[0] == 403
        assert ask(page, f"/{BENCH}/events", (b"origin", origin))[0] == 403
        assert pressed == []

    def test_a_press_without_an_origin_is_none(self, page: Page, pressed: list[str]) -> None:
        """A browser says where a press comes from; one that does not is refused."""
        assert ask(page, f"/{BENCH}/off", method="POST")[0] == 403
        assert pressed == []

    def test_another_site_gets_nothing(self, page: Page) -> None:
        """A request that another site's page makes is refused."""
        assert ask(page, f"/{BENCH}/", (b"sec-fetch-site", b"cross-site"))[0] == 403

    @pytest.mark.parametrize("method", ["PUT", "DELETE", "OPTIONS", "PATCH"])
    def test_other_methods_get_nothing(self, page: Page, method: str) -> None:
        """Only to show and to press is anything answered."""
        assert ask(page, f"/{BENCH}/off", ORIGIN, method=method)[0] == 403

    def test_nothing_may_come_from_elsewhere(self, page: Page) -> None:
        """Each answer keeps scripts, frames and copies of it away."""
        for path in (f"/{BENCH}/", "/nothing"):
            _, headers, _ = ask(page, path)
            assert headers["content-security-policy"].startswith("default-src 'none'; ")
            assert "frame-ancestors 'none'" in headers["content-security-policy"]
            assert headers["cache-control"] == "no-store"
            assert headers["referrer-policy"] == "no-referrer"


class TestFolder:
    @pytest.fixture
    def wall(self, record: Callable[..., Path]) -> tuple[Page, str]:
        """The page of a results folder, and the name of a run in it."""
        folder = record()
        return Page(Folder(folder.parent), port=PORT, view_token=VIEW), folder.name

    def test_it_lists_and_shows(self, wall: tuple[Page, str]) -> None:
        """Each run of today is listed, and has a page that only shows."""
        page, name = wall
        assert "Runs of today" in ask(page, f"/{VIEW}/")[2]
        assert 'data-may="look"' in ask(page, f"/{VIEW}/runs/{name}/")[2]
        for what in ("page.css", "run.js"):
            assert ask(page, f"/{VIEW}/runs/{name}/{what}")[0] == 200

    @pytest.mark.parametrize("name", ["..", "%2e%2e", "", ".", "20200101T000000Z-x-0000"])
    def test_no_other_folder_is_shown(self, wall: tuple[Page, str], name: str) -> None:
        """A name that is no run of the folder leads nowhere."""
        assert ask(wall[0], f"/{VIEW}/runs/{name}/")[0] == 404

    def test_no_token_is_none(self, wall: tuple[Page, str]) -> None:
        """Where there is no bench's token, an empty one is not it."""
        for path in ("//", "//events", "//page.css"):
            assert ask(wall[0], path)[0] == 404

    def test_nothing_can_be_pressed(self, wall: tuple[Page, str]) -> None:
        """The page of a folder switches nothing."""
        page, name = wall
        assert ask(page, f"/{VIEW}/off", ORIGIN, method="POST")[0] == 404
        assert ask(page, f"/{VIEW}/runs/{name}/off", ORIGIN, method="POST")[0] == 404

    def test_a_run_is_told_in_short(self, record: Callable[..., Path]) -> None:
        """The list has each run's unit, how it ended, and why."""
        folder = record()
        [told] = [
            run for run in json.loads(Folder(folder.parent).listed()) if run["name"] == folder.name
        ]

        assert told["over"] is True
        assert (told["serial"], told["word"]) == ("HRW-0007", "Rehearsal passed")

    @pytest.mark.parametrize(("off", "over"), [("confirmed", True), ("unconfirmed", False)])
    def test_a_run_whose_program_is_gone(self, tmp_path: Path, off: str, over: bool) -> None:
        """With the keeper's word that power is off it is over; else the mains come first."""
        now = dt.datetime.now(dt.UTC)
        folder = tmp_path / f"{now:%Y%m%dT%H%M%SZ}-HRW-0007-3fa2"
        folder.mkdir()
        begun = header(EVENTS) + "0.1,switching on,start,\n0.2,power on,start,\n"
        (folder / "events.csv").write_text(begun, encoding="utf-8")
        trip = Trip(reason=TripReason.CLIENT_SILENT, detail=GONE, time_s=1.0, live=True)
        words = [(1.0, EventKind.TRIP, str(trip)), (1.1, EventKind.POWER_OFF, off)]
        add_last_words(folder, words)
        runs = Folder(tmp_path)
        while not json.loads(runs.listed())[0]["told"].count("client_silent"):
            runs.turn()
        [told] = json.loads(runs.listed())

        assert told["over"] is over
        assert told["word"] == ("Run was cut short" if over else CUT_MAINS)
