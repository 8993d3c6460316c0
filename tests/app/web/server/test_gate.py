"""The door in front of the server: nothing comes through without the code."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

import pytest

from app.web.server.door import MAX_TRIES, Door
from app.web.server.gate import COOKIE, PATH, Gate

SECRET = b"the records"


async def records(scope: Any, receive: Any, send: Any) -> None:
    """A server that shows everything to everybody."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.send", "text": SECRET.decode()})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": SECRET})


@dataclass
class Answer:
    status: int
    body: bytes
    headers: dict[bytes, bytes]
    sent: list[dict[str, Any]]


@dataclass
class Browser:
    """Speaks ASGI to the gate and keeps its cookie."""

    gate: Gate
    cookie: str | None = None
    sent: list[dict[str, Any]] = field(default_factory=list)

    def ask(self, method: str, target: str, body: bytes = b"", kind: str = "http") -> Answer:
        path, _, query = target.partition("?")
        sent: list[dict[str, Any]] = []
        parts = [body[i : i + 4096] for i in range(0, len(body), 4096)] or [b""]
        waiting = [
            {"type": "http.request", "body": part, "more_body": part is not parts[-1]}
            for part in parts
        ]
        if kind == "websocket":
            waiting = [{"type": "websocket.connect"}]

        async def receive() -> dict[str, Any]:
            return waiting.pop(0)

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        headers = [(b"host", b"x")]
        headers += [(b"cookie", self.cookie.encode("latin-1"))] if self.cookie is not None else []
        scope = {
            "type": kind,
            "method": method,
            "path": path,
            "query_string": query.encode(),
            "headers": headers,
        }
        # In a thread of its own: the browser tests keep a loop running in this one.
        with ThreadPoolExecutor(1) as pool:
            pool.submit(asyncio.run, self.gate(scope, receive, send)).result()  # type: ignore[arg-type]
        start = next((m for m in sent if m["type"] == "http.response.start"), {})
        told = dict(start.get("headers", []))
        if b"set-cookie" in told:
            self.cookie = told[b"set-cookie"].split(b";")[0].decode()
        whole = b"".join(m.get("body", b"") for m in sent)
        return Answer(start.get("status", 0), whole, told, sent)

    def enter(self, code: str) -> Answer:
        return self.ask("POST", PATH, urlencode({"code": code}).encode())


@pytest.fixture
def told() -> list[str]:
    return []


@pytest.fixture
def browser_(told: list[str]) -> Browser:
    door = Door(tell=told.append)
    door.renew()
    return Browser(Gate(records, door=door))


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE"])
@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/media/x.jpg", "/static/a.js", "/door"])
def test_without_the_code_nothing_is_shown(browser_: Browser, method: str, path: str) -> None:
    answer = browser_.ask(method, path)
    assert answer.status in (401, 403)
    assert SECRET not in answer.body


def test_without_the_code_no_stream_opens(browser_: Browser) -> None:
    answer = browser_.ask("GET", "/_stcore/stream", kind="websocket")
    assert answer.sent == [{"type": "websocket.close", "code": 4403}]


def test_the_code_lets_in_and_is_used_up(browser_: Browser, told: list[str]) -> None:
    answer = browser_.enter(told[0])
    assert (answer.status, answer.headers[b"location"]) == (303, b"/")
    assert b"HttpOnly" in answer.headers[b"set-cookie"]
    assert b"SameSite=Strict" in answer.headers[b"set-cookie"]
    assert browser_.ask("GET", "/").body == SECRET
    stream = browser_.ask("GET", "/_stcore/stream", kind="websocket")
    assert stream.sent[-1]["text"] == SECRET.decode()
    other = Browser(browser_.gate)
    assert other.ask("GET", "/").status == 401
    assert other.enter(told[0]).status == 403


def test_a_scanned_link_only_fills_in_the_code(browser_: Browser, told: list[str]) -> None:
    for _ in range(3):  # a preview of the link must not use the code up
        answer = browser_.ask("GET", f"/?code={told[0]}")
        assert answer.status == 401
        assert f'value="{told[0]}"'.encode() in answer.body
    assert browser_.enter(told[0]).status == 303


def test_what_is_typed_is_never_markup(browser_: Browser) -> None:
    answer = browser_.ask("GET", "/?" + urlencode({"code": '"><script>1'}))
    assert b"<script>" not in answer.body
    assert b"default-src 'none'" in answer.headers[b"content-security-policy"]
    assert answer.headers[b"cache-control"] == b"no-store"


def test_tries_are_limited(browser_: Browser, told: list[str]) -> None:
    codes = [browser_.enter("WRONG").status for _ in range(MAX_TRIES)]
    assert codes == [403] * (MAX_TRIES - 1) + [429]
    answer = browser_.enter(told[0])
    assert answer.status == 429
    assert int(answer.headers[b"retry-after"]) > 0


@pytest.mark.parametrize("cookie", [f"{COOKIE}=made-up", f"{COOKIE}=", "; ;=;", "a" * 5000])
def test_a_made_up_cookie_lets_nobody_in(browser_: Browser, cookie: str) -> None:
    browser_.cookie = cookie
    assert browser_.ask("GET", "/").status == 401


def test_a_huge_form_is_cut_short(browser_: Browser) -> None:
    answer = browser_.ask("POST", PATH, b"code=" + b"A" * 100_000)
    assert answer.status == 403
