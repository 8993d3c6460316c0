"""Requests of whoever stands before the door: none shows anything, and none keeps others out.

2,000 requests here, five times as many by ``make hostile``.
"""

from __future__ import annotations

import asyncio
import os
import random
from collections.abc import Coroutine
from concurrent.futures import ThreadPoolExecutor
from typing import Any, TypeVar

from app.web.server.door import MAX_ADDRESSES, Door
from app.web.server.gate import PATH, Gate, cookie_name
from app.web.server.origin import OwnOrigin
from app.web.server.settings import LOOPBACK

T = TypeVar("T")

TIMES = int(os.environ.get("CUPROSCOPE_HOSTILE", "1"))
SECRET = b"the records"
HERE = "192.168.1.5"
COOKIE = cookie_name(8757, is_secure=False)

ODD = (
    b"", b"\0", b"\xff\xfe", b"a" * 9000, b"../../x", b"%00", b"<script>1</script>", b"\r\nX: y",
    b"http://evil.example", b"null", b"localhost:8757", b"192.168.1.5:8757", b"[::1]:8757",
    b"http://192.168.1.5:8757", b"http://192.168.1.5:8758", b"192.168.1.5:8757@evil.example",
    COOKIE.encode() + b"=x", COOKIE.encode() + b'="', b"; ;=;", b"\xc3\xa9=\xc3\xa9",
    b'a={"b":1}', b"100000000000", b"-1", b"chunked", b"no-cache",
)  # fmt: skip
NAMES = (
    b"host", b"origin", b"cookie", b"content-length", b"transfer-encoding", b"referer",
    b"x-forwarded-for", b"x-forwarded-host", b"x-forwarded-proto", b"authorization", b"upgrade",
    b"sec-websocket-protocol", b"x-xsrftoken", b"x-original-url", b"range", b"\xff",
)  # fmt: skip
PATHS = (
    "/", PATH, PATH + "/", "/door/../", "/_stcore/stream", "/_stcore/health", "/media/x.jpg",
    "/_stcore/upload_file/x/y", "//", "/\x00", "/component/x/index.html", "*", "/%2e%2e/",
)  # fmt: skip
METHODS = ("GET", "POST", "PUT", "DELETE", "OPTIONS", "HEAD", "TRACE", "get", "DOOR", "")
QUERIES = (b"", b"code=", b"code=AAAAAAAA", b"code=%ff%00", b"code[]=x", b"&&&=&", b"a" * 9000)


async def page_server(scope: Any, receive: Any, send: Any) -> None:
    """Shows everything to whoever comes so far."""
    if scope["type"] == "websocket":
        await send({"type": "websocket.accept"})
        await send({"type": "websocket.send", "bytes": SECRET})
        return
    await send({"type": "http.response.start", "status": 200, "headers": []})
    await send({"type": "http.response.body", "body": SECRET})


def apart(running: Coroutine[Any, Any, T]) -> T:
    """Run in a thread of its own: the browser's tests leave a running loop in this one."""
    with ThreadPoolExecutor(1) as pool:
        return pool.submit(asyncio.run, running).result()


class Asking:
    """Sends requests to the door and remembers all that came back."""

    def __init__(self, door: Door) -> None:
        gate = Gate(page_server, door=door, cookie=COOKIE)
        self.app = OwnOrigin(gate, hosts=(*LOOPBACK, HERE))

    async def ask(self, scope: dict[str, Any], body: bytes = b"") -> list[dict[str, Any]]:
        parts = [body[i : i + 700] for i in range(0, len(body), 700)] or [b""]
        coming = [
            {"type": "http.request", "body": part, "more_body": n + 1 < len(parts)}
            for n, part in enumerate(parts)
        ]
        if scope["type"] == "websocket":
            coming = [{"type": "websocket.connect"}]
        sent: list[dict[str, Any]] = []

        async def receive() -> dict[str, Any]:
            return coming.pop(0) if coming else {"type": "http.disconnect"}

        async def send(message: dict[str, Any]) -> None:
            sent.append(message)

        await self.app(scope, receive, send)  # type: ignore[arg-type]
        return sent

    async def enter(self, code: str, address: str) -> int:
        headers = [(b"host", f"{HERE}:8757".encode()), (b"origin", f"http://{HERE}:8757".encode())]
        scope = asked(headers, method="POST", path=PATH, address=address)
        sent = await self.ask(scope, b"code=" + code.encode())
        return int(sent[0]["status"])


def asked(
    headers: list[tuple[bytes, bytes]],
    *,
    kind: str = "http",
    method: str = "GET",
    path: str = "/",
    query: bytes = b"",
    address: str = "192.168.1.66",
) -> dict[str, Any]:
    return {
        "type": kind,
        "scheme": "http" if kind == "http" else "ws",
        "method": method,
        "path": path,
        "query_string": query,
        "headers": headers,
        "client": (address, 40_000),
    }


def test_nothing_is_shown_and_nobody_is_kept_out() -> None:
    told: list[str] = []
    door = Door(tell=told.append)
    door.renew()
    asking = Asking(door)
    rng = random.Random(TIMES)

    async def run() -> None:
        for number in range(2000 * TIMES):
            headers = [(rng.choice(NAMES), rng.choice(ODD)) for _ in range(rng.randint(0, 4))]
            if rng.random() < 0.7:
                headers.append((b"host", f"{HERE}:8757".encode()))
            scope = asked(
                headers,
                kind=rng.choice(("http", "http", "http", "websocket")),
                method=rng.choice(METHODS),
                path=rng.choice(PATHS),
                query=rng.choice(QUERIES),
                address=f"192.168.1.{100 + number % 100}",
            )
            body = rng.choice((b"", b"code=" + rng.choice(ODD), rng.randbytes(5000)))
            sent = await asking.ask(scope, body)
            assert SECRET not in b"".join(
                message.get("body") or message.get("bytes") or b"" for message in sent
            )
            if scope["type"] == "websocket":
                assert [message["type"] for message in sent] == ["websocket.close"]
            else:
                assert sent[0]["status"] in (401, 403, 429)
                assert not any(name == b"set-cookie" for name, _ in sent[0]["headers"])
        assert len(told) == 1, "no guess, however often, replaces the code"
        assert len(door._wrong) <= MAX_ADDRESSES
        assert await asking.enter(told[0], "192.168.1.20") == 303

    apart(run())


def test_a_flood_of_wrong_codes_finds_nothing_and_closes_the_door_for_itself_alone() -> None:
    told: list[str] = []
    door = Door(tell=told.append)
    door.renew()
    asking = Asking(door)

    async def run() -> list[int]:
        found = [await asking.enter(f"GUESS{n:03}", "192.168.1.66") for n in range(300 * TIMES)]
        assert await asking.enter(told[0], "192.168.1.20") == 303
        return found

    answers = apart(run())
    assert answers.count(403) < 5 < answers.count(429)
