"""Only our own pages may talk to the server, and nobody may frame them.

A web page of somebody else, open in the same browser, can reach a server on this machine.
What it asks carries its own origin (RFC 6454), and that is refused before the page server
sees it: that one would take every port of this machine for a friend, and would look up its
own outside address to find out whether the origin is itself.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

POLICY_VIOLATION = 1008
"""Close code for what the server will not hear (RFC 6455, 7.4.1)."""

COMPONENTS = "/component/"
"""Parts of a page that the page itself frames: the picture to tap on."""


class OwnOrigin:
    """ASGI middleware that refuses what comes from another page or under another name.

    Attributes:
        app: What stands behind it.
        hosts: Names and addresses under which the pages may be asked for; under any other a
            foreign page could reach in by having its own name point here (DNS rebinding).
    """

    def __init__(self, app: ASGIApp, *, hosts: Sequence[str]) -> None:
        self.app = app
        self.hosts = frozenset(hosts)

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass on what is our own, with headers that keep others out; refuse the rest."""
        kind = scope["type"]
        if kind == "lifespan":
            await self.app(scope, receive, send)
        elif not is_own(scope, self.hosts):
            await _refuse(kind, receive, send)
        elif kind == "websocket":
            await self.app(scope, receive, send)
        else:
            is_framed = scope["path"].startswith(COMPONENTS)

            async def send_guarded(message: Message) -> None:
                if message["type"] == "http.response.start":
                    message = {**message, "headers": _guarded(message["headers"], is_framed)}
                await send(message)

            await self.app(scope, receive, send_guarded)


def is_own(scope: Scope, hosts: frozenset[str]) -> bool:
    """Whether a request asks for one of our names and comes from no other page.

    Browsers say the origin with every stream and everything that changes something; where
    none is said it is no page's doing.
    """
    headers = [(name, value.decode("latin-1")) for name, value in scope.get("headers", ())]
    named = [value for name, value in headers if name == b"host"]
    origins = [value for name, value in headers if name == b"origin"]
    if len(named) != 1 or len(origins) > 1 or _host_of(named[0]) not in hosts:
        return False
    scheme = {"ws": "http", "wss": "https"}.get(scope["scheme"], scope["scheme"])
    return not origins or origins[0] == f"{scheme}://{named[0]}"


def _host_of(named: str) -> str | None:
    """Return the name or address in a Host header, None where it is malformed."""
    try:
        parts = urlsplit(f"//{named}")
        _ = parts.port  # says so where it is no port
    except ValueError:
        return None
    is_plain = not (parts.path or parts.query or parts.fragment or "@" in named)
    return parts.hostname if is_plain else None


def _guarded(headers: Sequence[tuple[bytes, bytes]], is_framed: bool) -> list[tuple[bytes, bytes]]:
    own: list[tuple[bytes, bytes]] = [
        # A second policy only ever narrows the first (CSP level 3, 4.2).
        (b"content-security-policy", b"frame-ancestors " + (b"'self'" if is_framed else b"'none'")),
        (b"x-content-type-options", b"nosniff"),
    ]
    names = {name.lower() for name, _ in headers}
    if b"referrer-policy" not in names:
        own.append((b"referrer-policy", b"no-referrer"))
    kept = [(name, value) for name, value in headers if name.lower() != b"x-content-type-options"]
    return [*kept, *own]


async def _refuse(kind: str, receive: Receive, send: Send) -> None:
    if kind == "websocket":
        await receive()
        await send({"type": "websocket.close", "code": POLICY_VIOLATION})
        return
    body = b"Only the program's own pages may ask for this.\n"
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"x-content-type-options", b"nosniff"),
    ]
    await send({"type": "http.response.start", "status": 403, "headers": headers})
    await send({"type": "http.response.body", "body": body})
