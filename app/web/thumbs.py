"""Small pictures of photos, in the records and not."""

from __future__ import annotations

import io

import streamlit as st

from app.load.pictures import picture_of
from app.web.store import records

LONG_SIDE_PX = 340


@st.cache_data(max_entries=64, show_spinner=False)
def thumb(data: bytes, *, long_side_px: int = LONG_SIDE_PX) -> bytes:
    """Return a small JPEG of a photo that is known to be good."""
    from PIL import Image

    with Image.open(io.BytesIO(data)) as photo:
        photo.draft("RGB", (2 * long_side_px, 2 * long_side_px))
        small = photo.convert("RGB")
    small.thumbnail((long_side_px, long_side_px))
    file = io.BytesIO()
    small.save(file, "JPEG", quality=82)
    return file.getvalue()


@st.cache_data(max_entries=400, show_spinner=False)
def small_photo(sha256: str, record: str | None) -> bytes | None:
    """Return a piece's picture as printed pages take it, None where it is gone."""
    return picture_of(records(), sha256, record)
