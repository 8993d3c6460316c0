"""A piece on a copy small enough to look at each pixel, and which of them show its own light."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from vision.photo.colour import strongest_channel
from vision.types import Float32Array, Image, Mask

CLIPPED_CODE = 250
"""A pixel with a channel above this is clipped: what it shows is the lamp."""

DARK_CODE = 16
"""A pixel whose brightest channel is below this is dark: noise and lens flare."""

TARGET_WIDTH_PX = 12.0
"""Pieces are shrunk until their narrow way is about this wide, never enlarged."""

LEAST_LONG_SIDE_PX = 96.0
"""Nor are they shrunk below this length: a sheet or a coin keeps its spots."""

MAX_BOX_PX = 80_000
"""Largest working box, so that a long coil costs no more than a short wire."""

RIM_PX = 7
"""Working pixels kept around the piece."""

INSIDE_CODE, MOSTLY_CODE = 242, 127
"""Cover, of 255, from which a working pixel is wholly and mostly the piece's."""

CLIPPED_SHARE_CODE, DARK_SHARE_CODE = 77, 128
"""Of 255: a working pixel with so much clipped or dark is not seen."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class WorkCopy:
    """A piece on a working copy.

    Attributes:
        mask: ``(h, w)`` the piece's own pixels.
        valid: ``(h, w)`` those that are neither clipped nor dark.
        origin_px: Photo pixel of the copy's upper left corner, ``(x, y)``.
        factor: Photo pixels per working pixel.
        width_px: Narrow width of the piece, working pixels.
    """

    mask: Mask
    valid: Mask
    origin_px: tuple[int, int]
    factor: float
    width_px: float

    @property
    def seen_share(self) -> float:
        """Share of the piece that is neither clipped nor dark."""
        return float(self.valid.sum() / max(int(self.mask.sum()), 1))

    @property
    def patches(self) -> float:
        """How many patches of the piece doubt independently: squares of twice its width."""
        return max(1.0, float(self.mask.sum()) / (2 * self.width_px) ** 2)

    @property
    def box_px(self) -> tuple[int, int, int, int]:
        """What the copy covers of the photo, ``(x, y, w, h)``."""
        h, w = self.mask.shape
        return (*self.origin_px, round(w * self.factor), round(h * self.factor))

    def part_box_px(self, part: Mask, *, photo_size: tuple[int, int]) -> tuple[int, int, int, int]:
        """Return the box of some of its pixels in the photo, whose size is ``(w, h)``."""
        rows, columns = np.nonzero(part)
        left = int(columns.min() * self.factor) + self.origin_px[0]
        top = int(rows.min() * self.factor) + self.origin_px[1]
        right = int(np.ceil((columns.max() + 1) * self.factor)) + self.origin_px[0]
        bottom = int(np.ceil((rows.max() + 1) * self.factor)) + self.origin_px[1]
        return left, top, min(right, photo_size[0]) - left, min(bottom, photo_size[1]) - top

    def resampled(self, planes: Float32Array, box_px: tuple[int, int, int, int]) -> Float32Array:
        """Return planes ``(c, rows, columns)`` over ``box_px`` of the photo on this copy's grid."""
        x, y, w, h = box_px
        rows, columns = self.mask.shape
        # Pixel centres: working pixel -> photo pixel -> map pixel.
        px = (np.arange(columns) + 0.5) * self.factor - 0.5 + self.origin_px[0]
        py = (np.arange(rows) + 0.5) * self.factor - 0.5 + self.origin_px[1]
        mx = (px - x + 0.5) * planes.shape[2] / w - 0.5
        my = (py - y + 0.5) * planes.shape[1] / h - 0.5
        map_x, map_y = np.meshgrid(mx.astype(np.float32), my.astype(np.float32))
        return np.stack(
            [
                cv2.remap(plane, map_x, map_y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
                for plane in np.ascontiguousarray(planes)
            ]
        )


def narrow_width_px(mask: Mask) -> float:
    """Return how wide a piece is across its narrow way, in pixels of its mask."""
    padded = np.pad(mask.astype(np.uint8), 1)
    depth = cv2.distanceTransform(padded, cv2.DIST_L2, 3)
    inside = depth[depth > 0]
    # On a strip the depth is uniform from 0 to w/2, so its 90th percentile is 0.45 w.
    return float(np.percentile(inside, 90) / 0.45) if inside.size else 1.0


def work_copy(rgb: Image, mask: Mask, box_px: tuple[int, int, int, int]) -> WorkCopy:
    """Return a piece on a working copy whose narrow way is about 12 pixels.

    Args:
        rgb: ``(H, W, 3)`` the whole photo.
        mask: ``(height, width)`` the piece's pixels inside ``box_px``.
        box_px: ``(x, y, width, height)`` of the piece in the photo.
    """
    x, y, w, h = box_px
    coarse = max(1.0, max(w, h) / 512)
    small = mask
    if coarse > 1:
        size = (max(1, round(w / coarse)), max(1, round(h / coarse)))
        small = cv2.resize(mask.astype(np.uint8), size, interpolation=cv2.INTER_AREA) > 0
    width = narrow_width_px(small) * coarse
    by_width = min(width / TARGET_WIDTH_PX, max(w, h) / LEAST_LONG_SIDE_PX)
    factor = max(1.0, by_width, (w * h / MAX_BOX_PX) ** 0.5)
    margin = int(np.ceil(RIM_PX * factor))
    left, top = max(0, x - margin), max(0, y - margin)
    right = min(rgb.shape[1], x + w + margin)
    bottom = min(rgb.shape[0], y + h + margin)
    # Every stride-th pixel first: two or more a side still average into each one kept.
    stride = max(1, int(factor // 2))
    peak = strongest_channel(np.ascontiguousarray(rgb[top:bottom:stride, left:right:stride]))
    planes = [
        _thinned(mask, (x - left, y - top), (bottom - top, right - left), stride),
        cv2.threshold(peak, CLIPPED_CODE, 255, cv2.THRESH_BINARY)[1],
        cv2.threshold(peak, DARK_CODE - 1, 255, cv2.THRESH_BINARY_INV)[1],
    ]
    if factor > 1:
        size = (max(1, round((right - left) / factor)), max(1, round((bottom - top) / factor)))
        planes = [np.asarray(cv2.resize(p, size, interpolation=cv2.INTER_AREA)) for p in planes]
    cover, clipped, dark = planes
    # Only pixels wholly inside: an edge pixel is a mixture with the table.
    inside = cover > INSIDE_CODE
    if inside.sum() < 0.3 * (cover > MOSTLY_CODE).sum():
        inside = cover > MOSTLY_CODE
    elif width / factor > 5:
        shrunk = cv2.erode(inside.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
        inside = shrunk if shrunk.sum() > 0.3 * inside.sum() else inside
    return WorkCopy(
        mask=inside,
        valid=inside & (clipped < CLIPPED_SHARE_CODE) & (dark < DARK_SHARE_CODE),
        origin_px=(left, top),
        factor=float(factor),
        width_px=width / factor,
    )


def _thinned(
    mask: Mask, at: tuple[int, int], shape: tuple[int, int], stride: int
) -> NDArray[np.uint8]:
    """Return a mask laid into a larger frame, 255 inside, every ``stride``-th pixel of it."""
    rows, columns = -(-shape[0] // stride), -(-shape[1] // stride)
    out = np.zeros((rows, columns), np.uint8)
    # First frame pixel on the stride's grid that lies in the mask, along each axis.
    first_x, first_y = -(-at[0] // stride), -(-at[1] // stride)
    part = mask[first_y * stride - at[1] :: stride, first_x * stride - at[0] :: stride]
    out[first_y : first_y + part.shape[0], first_x : first_x + part.shape[1]] = part
    return np.asarray(out * np.uint8(255), dtype=np.uint8)
