"""Wrong size or outline: the person taps, and it is measured again."""

from __future__ import annotations

from dataclasses import replace
from functools import partial

import streamlit as st

from app.web.desk.again import Taps
from app.web.desk.inbox import path_of
from app.web.desk.state import Visit, inbox_folder
from app.web.grade.answers import Answer, is_readable
from app.web.grade.tapping import FINGER_PX, Tapping, on_photo
from app.web.pressing import press, typed

SIZE, PIECE = "The size is wrong", "The outline is wrong"


def correct(told: Answer, here: Visit) -> None:
    """Show the way to mend a wrong reference or outline."""
    if not is_readable(told) or told.size_px is None:
        return
    sha = told.kept.sha256
    taps = here.taps.get(sha, Taps())
    name = f"tapping-{sha}"
    title = "Measured with your taps" if taps else "The size or the outline is wrong?"
    # Its title changes once something is tapped; its key keeps it open then.
    with st.expander(title, key=f"correct-{sha[:12]}", icon=":material/touch_app:"):
        what = st.segmented_control(
            "What shall be mended?", [SIZE, PIECE], default=None, key=f"mend-{sha[:12]}"
        )
        if what == SIZE:
            _two_points(told, here, taps, name)
        elif what == PIECE:
            _one_point(told, here, taps)
        if taps:
            press("Forget my taps", partial(_forget, here, sha), key=f"forget-{sha[:12]}")


def _forget(here: Visit, sha: str) -> None:
    here.taps.pop(sha, None)
    here.seen.pop(f"tapping-{sha}", None)


def _two_points(told: Answer, here: Visit, taps: Taps, name: str) -> None:
    assert told.size_px is not None
    state = here.seen.get(name)
    tapping = state if isinstance(state, Tapping) else Tapping()
    st.markdown(
        "Choose two points on the table that you know the distance of: the ends of a card, "
        "marks of a ruler. The longer the better."
    )
    # The words change once the picture has: a tap on the one before it would be for nothing.
    asks = st.empty()
    view = tapping.near or (0, 0, *told.size_px)
    step = 2 * len(tapping.points) + (tapping.near is not None)
    tap = _picture(told, view, tapping, key=f"two-{told.kept.sha256[:12]}-{step}")
    asks.markdown(f"**{tapping.asks()}**")
    if tap is not None and not tapping.is_done:
        after = tapping.tapped(tap, size_px=told.size_px)
        if after != tapping:
            here.seen[name] = after
            st.rerun()
    if tapping.points or tapping.near:
        back = partial(here.seen.__setitem__, name, tapping.back())
        press("One step back", back, key=f"back-{name}-{step}")
    if not tapping.is_done:
        _typed_points(told, here, name)
        return
    length = f"length-{told.kept.sha256[:12]}"
    st.number_input(
        "Distance between the two points, mm",
        min_value=1.0,
        max_value=2000.0,
        value=85.6,
        step=0.1,
        format="%.1f",
        key=length,
        help="A bank card is 85.6 mm long and 54.0 mm wide.",
    )

    def again() -> None:
        here.taps[told.kept.sha256] = tapping.taps(typed(length), before=taps)
        here.seen.pop(name, None)

    press("Measure again", again, key=f"again-{told.kept.sha256[:12]}", type="primary")


def _one_point(told: Answer, here: Visit, taps: Taps) -> None:
    assert told.size_px is not None
    st.markdown("**Tap the middle of the piece that counts.**")
    view = (0, 0, *told.size_px)
    count = here.seen.get("piece-taps", 0)
    tap = _picture(told, view, Tapping(), key=f"one-{told.kept.sha256[:12]}-{count}")

    def take(at: tuple[float, float]) -> None:
        here.taps[told.kept.sha256] = replace(taps, at=at)
        here.seen["piece-taps"] = int(count) + 1 if isinstance(count, int) else 1

    with st.expander("Without tapping", key="one-without"):
        left, right = st.columns(2)
        left.number_input("Pixels from the left", 0, told.size_px[0] - 1, key="one-x")
        right.number_input("Pixels from the top", 0, told.size_px[1] - 1, key="one-y")
        press(
            "Take this point",
            lambda: take((float(typed("one-x")), float(typed("one-y")))),
            key="one-typed",
        )
    if tap is not None:
        take(on_photo(tap, view))
        st.rerun()


def _typed_points(told: Answer, here: Visit, name: str) -> None:
    assert told.size_px is not None
    width, height = told.size_px
    with st.expander("Without tapping", key="two-without"):
        st.markdown(f"The photo is {width} pixels wide and {height} high.")
        for end in ("A", "B"):
            left, right = st.columns(2)
            left.number_input(f"{end}: pixels from the left", 0, width - 1, key=f"x-{end}")
            right.number_input(f"{end}: pixels from the top", 0, height - 1, key=f"y-{end}")

        def take() -> None:
            ends = tuple((float(typed(f"x-{end}")), float(typed(f"y-{end}"))) for end in "AB")
            here.seen[name] = Tapping(points=ends, u_px=FINGER_PX)

        press("Take these two points", take, key="two-typed")


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
