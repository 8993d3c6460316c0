"""The door as the server sees it: every request passes here first."""

from __future__ import annotations

from html import escape
from http.cookies import CookieError, SimpleCookie
from typing import TYPE_CHECKING
from urllib.parse import parse_qs

from app.web.server.door import CODE_LENGTH, WINDOW_S, Door

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

COOKIE = "cuproscope_door"
PATH = "/door"
MAX_FORM_BYTES = 1024

_HEADERS = [
    (b"content-type", b"text/html; charset=utf-8"),
    (b"cache-control", b"no-store"),
    (b"referrer-policy", b"no-referrer"),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
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


class Gate:
    """ASGI middleware that lets through only browsers that entered the code."""

    def __init__(self, app: ASGIApp, *, door: Door) -> None:
        self.app = app
        self.door = door

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass the request on, or answer it with the form."""
        kind = scope["type"]
        if kind == "lifespan" or self.door.knows(_token(scope)):
            await self.app(scope, receive, send)
        elif kind == "websocket":
            await receive()
            await send({"type": "websocket.close", "code": 4403})
        elif scope["path"] == PATH and scope["method"] == "POST":
            await self._try(receive, send)
        else:
            # The code in a scanned link is only filled in: link previews must not use it up.
            code = parse_qs(scope["query_string"].decode("latin-1")).get("code", [""])[0]
            await _answer(send, 401, _form("It stands in the window that started the pages.", code))

    async def _try(self, receive: Receive, send: Send) -> None:
        body = b""
        while True:
            message = await receive()
            body += message.get("body", b"")
            if len(body) > MAX_FORM_BYTES or not message.get("more_body"):
                break
        code = parse_qs(body[:MAX_FORM_BYTES].decode("latin-1")).get("code", [""])[0]
        token = self.door.enter(code)
        if token is not None:
            cookie = f"{COOKIE}={token}; HttpOnly; SameSite=Strict; Path=/"
            headers = [(b"location", b"/"), (b"set-cookie", cookie.encode("ascii"))]
            await _answer(send, 303, "", headers)
        elif self.door.is_closed:
            text = f"Too many wrong codes. Wait {WINDOW_S:.0f} seconds, then take the newest code."
            await _answer(send, 429, _form(text), [(b"retry-after", b"%d" % WINDOW_S)])
        else:
            text = f"That is not the code. It has {CODE_LENGTH} letters and digits and opens once."
            await _answer(send, 403, _form(text))


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


def _token(scope: Scope) -> str | None:
    for name, value in scope.get("headers", ()):
        if name == b"cookie":
            try:
                morsel = SimpleCookie(value.decode("latin-1")).get(COOKIE)
            except CookieError:
                continue
            if morsel is not None:
                return morsel.value
    return None
