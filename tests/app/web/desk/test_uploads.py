"""Uploads in memory: a cap for all visitors together."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import pytest
from streamlit.proto.Common_pb2 import FileURLs
from streamlit.runtime.uploaded_file_manager import DeletedFile, UploadedFile, UploadedFileRec

from app.web.desk.uploads import PATH, UploadCap, still_held
from vision.photo.loading import MAX_BYTES


def statuses(
    cap: UploadCap, *sizes: int | None, method: str = "PUT", path: str = PATH
) -> list[int]:
    """Return the answers to uploads of these sizes that all come at once."""
    answers = [0] * len(sizes)

    async def run() -> None:
        async def one(number: int, size: int | None) -> None:
            async def receive() -> dict[str, Any]:
                return {"type": "http.request"}

            async def send(message: dict[str, Any]) -> None:
                if message["type"] == "http.response.start":
                    answers[number] = message["status"]

            said = [] if size is None else [(b"content-length", str(size).encode())]
            scope = {"type": "http", "method": method, "path": f"{path}s/f", "headers": said}
            await cap(scope, receive, send)  # type: ignore[arg-type]

        await asyncio.gather(*(one(number, size) for number, size in enumerate(sizes)))

    with ThreadPoolExecutor(1) as pool:
        pool.submit(asyncio.run, run()).result()
    return answers


async def slow_server(scope: Any, receive: Any, send: Any) -> None:
    await asyncio.sleep(0.01)
    await send({"type": "http.response.start", "status": 204, "headers": []})
    await send({"type": "http.response.body", "body": b""})


def test_what_is_held_and_what_is_coming_counts_together() -> None:
    held = [0]
    cap = UploadCap(slow_server, held=lambda: held[0], most_bytes=100)
    assert statuses(cap, 60, 40, 1) == [204, 204, 503]
    assert statuses(cap, 100) == [204], "what came and was let go of leaves room"
    held[0] = 90
    assert statuses(cap, 11) == [503]
    assert statuses(cap, 10) == [204]


def test_an_upload_that_fails_leaves_its_room() -> None:
    async def failing(scope: Any, receive: Any, send: Any) -> None:
        raise OSError

    cap = UploadCap(failing, held=lambda: 0, most_bytes=100)
    for _ in range(3):
        with pytest.raises(OSError):
            statuses(cap, 90)
    assert cap.coming == 0


def test_one_that_does_not_say_its_size_counts_as_the_largest() -> None:
    cap = UploadCap(slow_server, held=lambda: 0, most_bytes=2 * MAX_BYTES)
    assert statuses(cap, None, None, 1) == [204, 204, 503]


def test_nothing_but_uploads_is_counted() -> None:
    cap = UploadCap(slow_server, held=lambda: 10**9, most_bytes=1)
    assert statuses(cap, 50, method="GET") == [204]
    assert statuses(cap, 50, path="/other/") == [204]


def test_a_stand_in_for_what_was_let_go_of_is_no_upload(monkeypatch: pytest.MonkeyPatch) -> None:
    """What the page server gives for a file that a slow browser still tells of."""
    record = UploadedFileRec(file_id="b", name="b.jpg", type="image/jpeg", data=b"photo")
    real = UploadedFile(record, FileURLs(file_id="b"))
    for given in ([DeletedFile("a"), real], real):
        monkeypatch.setattr("streamlit.session_state", {"uploads": given})
        assert still_held("uploads") == [real]
    for gone in ([DeletedFile("a")], DeletedFile("a"), [], None):
        monkeypatch.setattr("streamlit.session_state", {"uploads": gone})
        assert still_held("uploads") == []
    assert still_held("another") == []
