"""The door in front of the server: nothing comes through without the code."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import urlencode

import pytest

from app.web.server import gate as gate_module
from app.web.server.door import CODE_LIFE_S, MAX_TRIES, MAX_VISITORS, Door
from app.web.server.gate import EVICTED, PATH, Gate, cookie_name

SECRET = b"the records"
COOKIE = cookie_name(8757, is_secure=False)


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
    address: str = "192.168.1.20"
    scheme: str = "http"
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
            "scheme": self.scheme,
            "client": (self.address, 40_000),
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
    return Browser(Gate(records, door=door, cookie=COOKIE))


@pytest.mark.parametrize("method", ["GET", "POST", "PUT", "DELETE"])
@pytest.mark.parametrize("path", ["/", "/_stcore/health", "/media/x.jpg", "/static/a.js", "/door"])
def test_without_the_code_nothing_is_shown(browser_: Browser, method: str, path: str) -> None:
    answer = browser_.ask(method, path)
    assert answer.status in (401, 403)
    assert SECRET not in answer.body


def test_without_the_code_no_stream_opens(browser_: Browser) -> None:
    answer = browser_.ask("GET", "/_stcore/stream", kind="websocket")
    assert answer.sent == [{"type": "websocket.close", "code": EVICTED}]


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
    other = Browser(browser_.gate, address="192.168.1.21")
    assert other.enter(told[0]).status == 303, "somebody else's wrong codes are not theirs"


# Cookies that other servers of the same host were seen to set (ports share them).
@pytest.mark.parametrize(
    "foreign",
    ['prefs={"a": [1]}', 'a="', "odd,name=1", "bad[name]=x", "x=é", "=;;= ;", f"{COOKIE}=theirs"],
)
@pytest.mark.parametrize("is_first", [True, False])
def test_a_foreign_cookie_locks_nobody_out(
    browser_: Browser, told: list[str], foreign: str, is_first: bool
) -> None:
    browser_.enter(told[0])
    own = browser_.cookie
    browser_.cookie = f"{foreign}; {own}" if is_first else f"{own}; {foreign}"
    assert browser_.ask("GET", "/").body == SECRET


def test_another_server_of_this_machine_has_a_cookie_of_its_own() -> None:
    names = {cookie_name(port, is_secure=s) for port in (8757, 8758) for s in (True, False)}
    assert len(names) == 4
    assert cookie_name(8757, is_secure=True).startswith("__Host-")


def test_over_tls_the_cookie_never_goes_without(browser_: Browser, told: list[str]) -> None:
    browser_.scheme = "https"
    assert b"; Secure" in browser_.enter(told[0]).headers[b"set-cookie"]


def test_an_old_code_opens_nothing_and_a_fresh_one_is_told_to_who_comes(told: list[str]) -> None:
    now = [0.0]
    door = Door(tell=told.append, clock=lambda: now[0])
    door.renew()
    browser = Browser(Gate(records, door=door, cookie=COOKIE))
    now[0] = CODE_LIFE_S + 1
    assert browser.enter(told[0]).status == 403
    assert len(told) == 2
    browser.ask("GET", "/")
    assert len(told) == 2, "one is enough for ten minutes"
    assert browser.enter(told[1]).status == 303


def test_the_form_says_where_it_comes_from(browser_: Browser) -> None:
    """With "no-referrer" a browser sends ``Origin: null`` with a form (Fetch, 3.2), which the
    server could not tell from a foreign page's."""
    assert browser_.ask("GET", "/").headers[b"referrer-policy"] == b"same-origin"


def test_a_visitor_who_is_put_out_loses_the_open_stream(
    browser_: Browser, told: list[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(gate_module, "LOOK_AGAIN_S", 0.01)
    door = browser_.gate.door
    browser_.enter(told[-1])
    cookie = browser_.cookie
    assert cookie is not None
    sent: list[dict[str, Any]] = []

    async def page_server(scope: Any, receive: Any, send: Any) -> None:
        await send({"type": "websocket.accept"})
        for _ in range(MAX_VISITORS):
            door.enter(told[-1], address="x")  # so many others that the first must go
        message = await receive()
        assert message == {"type": "websocket.disconnect", "code": EVICTED}
        await send({"type": "websocket.send", "text": SECRET.decode()})

    async def run() -> None:
        async def receive() -> dict[str, Any]:
            await asyncio.sleep(3600)  # a browser that says nothing
            raise AssertionError

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        gate = Gate(page_server, door=door, cookie=COOKIE)
        headers = [(b"cookie", cookie.encode())]
        scope = {"type": "websocket", "path": "/_stcore/stream", "headers": headers}
        await asyncio.wait_for(gate(scope, receive, send), timeout=30)  # type: ignore[arg-type]

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, run()).result()
    assert sent == [{"type": "websocket.accept"}, {"type": "websocket.close", "code": EVICTED}]


@pytest.mark.parametrize("cookie", [f"{COOKIE}=made-up", f"{COOKIE}=", "; ;=;", "a" * 5000])
def test_a_made_up_cookie_lets_nobody_in(browser_: Browser, cookie: str) -> None:
    browser_.cookie = cookie
    assert browser_.ask("GET", "/").status == 401


def test_a_huge_form_is_cut_short(browser_: Browser) -> None:
    answer = browser_.ask("POST", PATH, b"code=" + b"A" * 100_000)
    assert answer.status == 403
