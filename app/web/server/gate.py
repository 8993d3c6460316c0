"""The door as the server sees it: every request passes here first."""

from __future__ import annotations

import asyncio
from contextlib import suppress
from html import escape
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from app.web.server.door import CODE_LENGTH, WINDOW_S, Door

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

PATH = "/door"
MAX_FORM_BYTES = 1024

MOST_COOKIES = 8
"""So many cookies of our name are looked at: a browser sends one, and one more for each
folder of this host that somebody else's page set it for."""

LOOK_AGAIN_S = 1.0
"""How often an open stream's token is looked up again."""

EVICTED = 4403
"""Close code of a stream whose visitor is no longer in; 4000 and up are free for programs
(RFC 6455, 7.4.2)."""

_HEADERS = [
    (b"content-type", b"text/html; charset=utf-8"),
    (b"cache-control", b"no-store"),
    # Not "no-referrer": browsers then send the form without saying where it comes from.
    (b"referrer-policy", b"same-origin"),
    (
        b"content-security-policy",
        b"default-src 'none'; style-src 'unsafe-inline'; form-action 'self'",
    ),
]

_PAGE = """<!doctype html>
<html lang="en"><head><meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Code, please</title>
<style>
:root {{ color-scheme: light dark; }}
body {{ font: 1.25rem/1.5 system-ui, sans-serif; max-width: 24rem; margin: 12vh auto;
  padding: 0 1.2rem; background: #F7F5F0; color: #222226; }}
input, button {{ font: inherit; width: 100%; box-sizing: border-box; padding: .8rem 1rem;
  border-radius: .7rem; border: 2px solid #2F587F; margin-top: .6rem; }}
input {{ letter-spacing: .15em; text-transform: uppercase; background: #fff; color: #222226; }}
button {{ background: #2F587F; color: #fff; }}
@media (prefers-color-scheme: dark) {{ body {{ background: #1B1C20; color: #F0EDE6; }} }}
</style></head><body>
<h1>Code, please</h1>
<p role="status">{message}</p>
<form method="post" action="{path}">
<label for="code">Code from the computer's terminal</label>
<input id="code" name="code" value="{code}" autocomplete="off" autocapitalize="characters"
  maxlength="16" required autofocus>
<button>Come in</button>
</form></body></html>"""


def cookie_name(port: int, *, is_secure: bool) -> str:
    """Return the name of the cookie that holds a visitor's token.

    Cookies are shared by all ports of a host, so the port is in the name: another server on
    this machine has its own. Over TLS the prefix keeps pages without TLS from setting it
    (RFC 6265bis, 4.1.3.2).
    """
    return f"{'__Host-' if is_secure else ''}cuproscope-door-{port}"


class Gate:
    """ASGI middleware that lets through only browsers that entered the code."""

    def __init__(self, app: ASGIApp, *, door: Door, cookie: str) -> None:
        self.app = app
        self.door = door
        self.cookie = cookie

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with the form."""
        kind = scope["type"]
        tokens = _tokens(scope, self.cookie)
        if kind == "lifespan":
            await self.app(scope, receive, send)
        elif kind == "websocket":
            if self.door.knows(tokens):
                await _while_inside(self.app, self.door, tokens, scope, receive, send)
            else:
                await receive()
                await send({"type": "websocket.close", "code": EVICTED})
        elif self.door.knows(tokens):
            await self.app(scope, receive, send)
        elif scope["path"] == PATH and scope["method"] == "POST":
            await self._try(scope, receive, send)
        else:
            self.door.renew_if_old()
            # The code in a scanned link is only filled in: link previews must not use it up.
            code = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
            await _answer(send, 401, _form("It stands in the window that started the pages.", code))

    async def _try(self, scope: Scope, receive: Receive, send: Send) -> None:
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if len(body) > MAX_FORM_BYTES or not message.get("more_body"):
                break
        code = parse_qs(body[:MAX_FORM_BYTES].decode("latin-1")).get("code", [""])[0]
        client = scope.get("client")
        address = str(client[0]) if client else ""
        token = self.door.enter(code, address=address)
        if token is not None:
            secure = "; Secure" if scope.get("scheme") == "https" else ""
            cookie = f"{self.cookie}={token}; HttpOnly; SameSite=Strict; Path=/{secure}"
            headers = [(b"location", b"/"), (b"set-cookie", cookie.encode("ascii"))]
            await _answer(send, 303, "", headers)
        elif self.door.is_closed(address):
            text = f"Too many wrong codes. Wait {WINDOW_S:.0f} seconds, then take the newest code."
            await _answer(send, 429, _form(text), [(b"retry-after", b"%d" % WINDOW_S)])
        else:
            self.door.renew_if_old()
            text = (
                f"That is not the code, or it is too old. It has {CODE_LENGTH} letters and digits "
                "and opens once: take the newest one."
            )
            await _answer(send, 403, _form(text))


async def _while_inside(
    app: ASGIApp, door: Door, tokens: tuple[str, ...], scope: Scope, receive: Receive, send: Send
) -> None:
    """Run a stream for as long as its visitor is in; then it is closed from both ends."""
    coming: asyncio.Future[Message] | None = None
    is_over = False

    async def receive_while_inside() -> Message:
        nonlocal coming, is_over
        if coming is None:
            coming = asyncio.ensure_future(receive())
        while door.knows(tokens):
            done, _ = await asyncio.wait({coming}, timeout=LOOK_AGAIN_S)
            if done:
                message, coming = coming.result(), None
                return message
        if not is_over:
            is_over = True
            with suppress(Exception):  # the browser may have gone by itself meanwhile
                await send({"type": "websocket.close", "code": EVICTED})
        return {"type": "websocket.disconnect", "code": EVICTED}

    async def send_while_inside(message: Message) -> None:
        if not is_over and door.knows(tokens):
            await send(message)

    try:
        await app(scope, receive_while_inside, send_while_inside)
    finally:
        if coming is not None:
            coming.cancel()


def _form(message: str, code: str = "") -> str:
    return _PAGE.format(message=escape(message), code=escape(code[:16]), path=PATH)


async def _answer(
    send: Send, status: int, text: str, headers: list[tuple[bytes, bytes]] | None = None
) -> None:
    body = text.encode()
    length = (b"content-length", str(len(body)).encode())
    all_headers = [*_HEADERS, length, *(headers or [])]
    await send({"type": "http.response.start", "status": status, "headers": all_headers})
    await send({"type": "http.response.body", "body": body})


def _tokens(scope: Scope, cookie: str) -> tuple[str, ...]:
    """Return what stands under our name in the request's cookies.

    Read by hand (RFC 6265, 5.4): the standard library's reader gives up at the first odd
    cookie, and then one that somebody else's server set would lock our visitor out.
    """
    found = []
    for name, value in scope.get("headers", ()):
        if name == b"cookie":
            for pair in value.decode("latin-1").split(";"):
                key, _, token = pair.strip().partition("=")
                if key == cookie and token:
                    found.append(token)
    return tuple(found[:MOST_COOKIES])
