"""Uploads in the server's memory: let go of as soon as they are dealt with, and capped."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import TYPE_CHECKING, Protocol

from vision.photo.loading import MAX_BYTES

if TYPE_CHECKING:
    from starlette.types import ASGIApp, Receive, Scope, Send

PATH = "/_stcore/upload_file/"
"""Where the page server takes uploads in."""

MOST_BYTES = 12 * MAX_BYTES
"""All uploads that wait in memory, of all visitors together: 300 MB."""

TRY_AGAIN_S = 10


class Upload(Protocol):
    """What a page gets from an uploader, as far as it is asked here."""

    file_id: str
    name: str

    def getvalue(self) -> bytes:
        """Return all of it."""
        ...


def still_held(key: str) -> list[Upload]:
    """Return what an uploader gave that was not let go of yet.

    A slow browser tells of its files once more after they were dealt with: the server then
    has empty stand-ins for them.
    """
    import streamlit as st
    from streamlit.runtime.uploaded_file_manager import UploadedFile

    given = st.session_state.get(key) or []
    several = given if isinstance(given, list) else [given]
    return [one for one in several if isinstance(one, UploadedFile)]


def let_go(uploads: Iterable[Upload]) -> None:
    """Take uploads out of the server's memory: it would keep them until their visitor leaves."""
    from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager
    from streamlit.runtime.scriptrunner import get_script_run_ctx

    visit = get_script_run_ctx()
    if visit is None or not isinstance(visit.uploaded_file_mgr, MemoryUploadedFileManager):
        return
    for upload in uploads:
        visit.uploaded_file_mgr.remove_file(session_id=visit.session_id, file_id=upload.file_id)


def held_bytes() -> int:
    """Return how many bytes of uploads the page server holds, of all visitors."""
    from streamlit import runtime
    from streamlit.runtime.memory_uploaded_file_manager import MemoryUploadedFileManager

    held = runtime.get_instance().uploaded_file_mgr if runtime.exists() else None
    if not isinstance(held, MemoryUploadedFileManager):
        return 0
    return sum(stat.byte_length for family in held.get_stats().values() for stat in family)


class UploadCap:
    """ASGI middleware that refuses an upload while too many wait in memory."""

    def __init__(
        self, app: ASGIApp, *, held: Callable[[], int] = held_bytes, most_bytes: int = MOST_BYTES
    ) -> None:
        self.app = app
        self.held = held
        self.most_bytes = most_bytes
        self.coming = 0

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Pass everything on but uploads beyond the cap."""
        is_upload = scope["type"] == "http" and scope["method"] == "PUT"
        if not (is_upload and scope["path"].startswith(PATH)):
            await self.app(scope, receive, send)
            return
        size = _said_size(scope)
        if self.held() + self.coming + size > self.most_bytes:
            await _refuse(send)
            return
        self.coming += size
        try:
            await self.app(scope, receive, send)
        finally:
            self.coming -= size


def _said_size(scope: Scope) -> int:
    """Return how large an upload says it is; one that doesn't counts as the largest."""
    said = [value for name, value in scope["headers"] if name == b"content-length"]
    return int(said[0]) if said and said[0].isdigit() else MAX_BYTES


async def _refuse(send: Send) -> None:
    body = b"Too many photos are on their way at once. Try again in a moment.\n"
    headers = [
        (b"content-type", b"text/plain; charset=utf-8"),
        (b"content-length", str(len(body)).encode()),
        (b"retry-after", str(TRY_AGAIN_S).encode()),
    ]
    await send({"type": "http.response.start", "status": 503, "headers": headers})
    await send({"type": "http.response.body", "body": body})
