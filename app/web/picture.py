"""How is a picture shown so that nothing moves when it comes late?"""

from __future__ import annotations

import io
from typing import Literal

import streamlit as st


def show_picture(
    data: bytes,
    *,
    alt: str,
    width: int | Literal["stretch"] = "stretch",
    caption: str | None = None,
) -> None:
    """Show a picture in a place that is kept free for it from the start.

    The browser fetches pictures after the page stands. One without a height of its own would
    then push down what lies below, away from under a finger that is about to press it.

    Args:
        data: A JPEG or PNG.
        alt: The same in words.
        width: In pixels of the screen, or all the width there is.
        caption: What stands beneath it.
    """
    from PIL import Image

    with Image.open(io.BytesIO(data)) as picture:  # reads the header only
        across, down = picture.size
    # "auto": once it is there, a picture's own shape counts.
    st.html(
        f'<style>img[alt="{as_css(alt)}"] '
        f"{{ display: block; height: auto; aspect-ratio: auto {across} / {down}; }}</style>"
    )
    st.image(data, alt=alt, width=width, caption=caption)


def as_css(text: str) -> str:
    """Return text as the inside of a CSS string, every sign that is no letter escaped."""
    return "".join(c if c.isascii() and c.isalnum() else f"\\{ord(c):x} " for c in text)
