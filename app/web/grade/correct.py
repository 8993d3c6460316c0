"""Wrong size or outline: the person taps, and it is measured again."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from app.web.grade.again import Taps
from app.web.grade.answers import Answer, is_readable
from app.web.grade.tapping import FINGER_PX, Tapping, on_photo
from app.web.server.inbox import path_of
from app.web.state import Visit, inbox_folder

SIZE, PIECE = "The size is wrong", "The outline is wrong"


def correct(told: Answer, here: Visit) -> None:
    """Show the way to mend a wrong reference or outline."""
    if not is_readable(told) or told.size_px is None:
        return
    sha = told.kept.sha256
    taps = here.taps.get(sha, Taps())
    name = f"tapping-{sha}"
    title = "Measured with your taps" if taps else "The size or the outline is wrong?"
    with st.expander(title, icon=":material/touch_app:"):
        what = st.segmented_control(
            "What shall be mended?", [SIZE, PIECE], default=None, key=f"mend-{sha[:12]}"
        )
        if what == SIZE:
            _two_points(told, here, taps, name)
        elif what == PIECE:
            _one_point(told, here, taps)
        if taps and st.button("Forget my taps", key=f"forget-{sha[:12]}"):
            here.taps.pop(sha, None)
            here.seen.pop(name, None)
            st.rerun()


def _two_points(told: Answer, here: Visit, taps: Taps, name: str) -> None:
    assert told.size_px is not None
    state = here.seen.get(name)
    tapping = state if isinstance(state, Tapping) else Tapping()
    st.markdown(
        "Choose two points on the table that you know the distance of: the ends of a card, "
        "marks of a ruler. The longer the better."
    )
    st.markdown(f"**{tapping.asks()}**")
    view = tapping.near or (0, 0, *told.size_px)
    step = 2 * len(tapping.points) + (tapping.near is not None)
    tap = _picture(told, view, tapping, key=f"two-{told.kept.sha256[:12]}-{step}")
    if tap is not None and not tapping.is_done:
        after = tapping.tapped(tap, size_px=told.size_px)
        if after != tapping:
            here.seen[name] = after
            st.rerun()
    if (tapping.points or tapping.near) and st.button("One step back", key=f"back-{name}"):
        here.seen[name] = tapping.back()
        st.rerun()
    if not tapping.is_done:
        typed = _typed_points(told)
        if typed is not None:
            here.seen[name] = typed
            st.rerun()
        return
    length = st.number_input(
        "Distance between the two points, mm",
        min_value=1.0,
        max_value=2000.0,
        value=85.6,
        step=0.1,
        format="%.1f",
        key=f"length-{told.kept.sha256[:12]}",
        help="A bank card is 85.6 mm long and 54.0 mm wide.",
    )
    if st.button("Measure again", type="primary", key=f"again-{told.kept.sha256[:12]}"):
        here.taps[told.kept.sha256] = tapping.taps(length, before=taps)
        here.seen.pop(name, None)
        st.rerun()


def _one_point(told: Answer, here: Visit, taps: Taps) -> None:
    assert told.size_px is not None
    st.markdown("**Tap the middle of the piece that counts.**")
    view = (0, 0, *told.size_px)
    count = here.seen.get("piece-taps", 0)
    tap = _picture(told, view, Tapping(), key=f"one-{told.kept.sha256[:12]}-{count}")
    at = on_photo(tap, view) if tap is not None else None
    with st.expander("Without tapping"):
        left, right = st.columns(2)
        x = left.number_input("Pixels from the left", 0, told.size_px[0] - 1, key="one-x")
        y = right.number_input("Pixels from the top", 0, told.size_px[1] - 1, key="one-y")
        if st.button("Take this point", key="one-typed"):
            at = (float(x), float(y))
    if at is not None:
        here.taps[told.kept.sha256] = replace(taps, at=at)
        here.seen["piece-taps"] = int(count) + 1 if isinstance(count, int) else 1
        st.rerun()


def _typed_points(told: Answer) -> Tapping | None:
    assert told.size_px is not None
    width, height = told.size_px
    with st.expander("Without tapping"):
        st.markdown(f"The photo is {width} pixels wide and {height} high.")
        ends = []
        for name in ("A", "B"):
            left, right = st.columns(2)
            x = left.number_input(f"{name}: pixels from the left", 0, width - 1, key=f"x-{name}")
            y = right.number_input(f"{name}: pixels from the top", 0, height - 1, key=f"y-{name}")
            ends.append((float(x), float(y)))
        if st.button("Take these two points", key="two-typed"):
            return Tapping(points=tuple(ends), u_px=FINGER_PX)
    return None


def _picture(
    told: Answer, view: tuple[int, int, int, int], tapping: Tapping, *, key: str
) -> dict[str, float] | None:
    """Show a part of the photo and return the last tap on it."""
    from PIL import Image
    from streamlit_image_coordinates import streamlit_image_coordinates

    from app.web.grade.tap_picture import tap_picture

    path = path_of(told.kept, folder=inbox_folder())
    picture = Image.fromarray(tap_picture(path, view, tapping.points))
    found: dict[str, float] | None = streamlit_image_coordinates(
        picture, width="stretch", key=key, image_format="JPEG", jpeg_quality=88, cursor="crosshair"
    )
    return found
