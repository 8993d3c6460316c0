"""From taps on a picture on the screen to points on the photo: whole picture, then near."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

from app.web.desk.again import Taps

FINGER_PX = 2.0
"""How well a finger or mouse is placed on the screen, k = 1, in its pixels: assumed."""

NEAR_SHARE = 0.2
"""The near view shows a fifth of the photo: five times as fine as the first tap."""

Point = tuple[float, float]
Box = tuple[int, int, int, int]


@dataclass(frozen=True, slots=True, kw_only=True)
class Tapping:
    """How far the person has come with two points.

    Attributes:
        points: The points that are placed.
        near: The part of the photo shown from near; None where the whole is shown.
        u_px: Standard uncertainty of the points, in photo pixels.
        last: When the last tap came, so that it isn't taken twice.
    """

    points: tuple[Point, ...] = ()
    near: Box | None = None
    u_px: float = 0.0
    last: float = 0.0

    @property
    def is_done(self) -> bool:
        """Whether both points are placed."""
        return len(self.points) == 2

    def tapped(self, tap: Mapping[str, float], *, size_px: tuple[int, int]) -> Tapping:
        """Return the state after a tap; one that was taken already changes nothing."""
        at = float(tap.get("unix_time", 0.0))
        if at <= self.last or self.is_done:
            return self
        view = self.near or (0, 0, *size_px)
        point = on_photo(tap, view)
        if self.near is None:
            return replace(self, near=near_box(point, size_px), last=at)
        u_px = max(self.u_px, FINGER_PX * view[2] / max(1.0, float(tap["width"])))
        return replace(self, points=(*self.points, point), near=None, u_px=u_px, last=at)

    def back(self) -> Tapping:
        """Return the state one step before."""
        if self.near is not None:
            return replace(self, near=None)
        return replace(self, points=self.points[:-1])

    def asks(self) -> str:
        """Return what to do next, in words."""
        which = "first" if not self.points else "second"
        if self.is_done:
            return "Both points are placed. How far are they apart?"
        if self.near is None:
            return f"Tap near the {which} point. The picture then comes nearer."
        return f"Now tap the {which} point exactly."

    def taps(self, length_mm: float, *, before: Taps) -> Taps:
        """Return what is measured with: both points, and a piece tapped before."""
        first, second = self.points
        return replace(before, ends=(first, second), length_mm=length_mm, u_px=self.u_px)


def on_photo(tap: Mapping[str, float], view: Box) -> Point:
    """Return where on the photo a tap on a shown part of it lies.

    Args:
        tap: ``x``, ``y``, and the shown ``width`` and ``height``, in screen pixels.
        view: The part shown, ``(x, y, width, height)`` in photo pixels.
    """
    x, y, w, h = view
    # Whole numbers are pixel centres: the left edge of the picture is at -0.5.
    u = min(max(float(tap["x"]) / max(1.0, float(tap["width"])), 0.0), 1.0)
    v = min(max(float(tap["y"]) / max(1.0, float(tap["height"])), 0.0), 1.0)
    return (
        min(max(x + u * w - 0.5, x), x + w - 1.0),
        min(max(y + v * h - 0.5, y), y + h - 1.0),
    )


def near_box(point: Point, size_px: tuple[int, int]) -> Box:
    """Return the part of the photo around a point, of the photo's own shape."""
    width, height = size_px
    w, h = max(1, round(NEAR_SHARE * width)), max(1, round(NEAR_SHARE * height))
    x = min(max(round(point[0] - w / 2), 0), width - w)
    y = min(max(round(point[1] - h / 2), 0), height - h)
    return (x, y, w, h)
