"""What travels between the steps from a photo to findings.

Pixels are ``(x, y)`` with (0, 0) at the CENTRE of the upper left pixel, as in
OpenCV; arrays are ``(row, column)``. Images are RGB. "Linear" means linear
light: sRGB decoded by its standard curve, 0 to 1.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from rules.findings import Findings, What

if TYPE_CHECKING:
    from vision.flash.types import FlashReading

# OpenCV's stubs widen every dtype, so a checked dtype would cost a cast at each call:
# these names say the dtype to the reader; the type checker sees an array.
FloatArray = NDArray[Any]
Float32Array = NDArray[Any]
Image = NDArray[Any]
Mask = NDArray[Any]
Box = tuple[int, int, int, int]
"""A place on the photo, ``(x, y, width, height)`` in whole pixels."""
Boxes = tuple[Box, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """One decoded photo, upright, in sRGB.

    Attributes:
        name: What the person called it; only ever shown, never used as a path.
        sha256: Hex digest of the bytes as they came.
        rgb: ``(height, width, 3)`` uint8, sRGB, orientation applied.
        focal_px: Focal length in pixels of ``rgb`` from EXIF, None where not told.
        flash_fired: Whether the camera's notes say that the flash fired; None where untold.
        taken: When by the camera's own clock, ISO 8601; None where untold.
        notes: What loading did, in words (rotated, converted from Display P3).
    """

    name: str
    sha256: str
    rgb: Image
    focal_px: float | None = None
    notes: tuple[str, ...] = ()
    flash_fired: bool | None = None
    taken: str | None = None

    @property
    def width_px(self) -> int:
        """Width after orientation."""
        return int(self.rgb.shape[1])

    @property
    def height_px(self) -> int:
        """Height after orientation."""
        return int(self.rgb.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Scale:
    """How big a pixel is on the plane of the reference's upper face.

    Attributes:
        reference: Key of the reference, e.g. ``card``, ``marker:40``, ``eu-1``.
        mm_from_px: ``(3, 3)`` homography from photo pixels to mm on the face plane.
            From a coin it is that of the mean of the planes that the coin allows.
        mm_per_px: Scale at the reference's centre, mm.
        u_rel: Relative standard uncertainty of the scale at the reference.
        budget: Parts of ``u_rel`` by name; their root sum of squares is ``u_rel``.
        tilt_deg: Angle between the camera's axis and the plane's normal.
        residual_px: RMS distance of the fitted edges from the model, pixels.
        outlines_px: Outlines of everything that belongs to the reference, each
            ``(n, 2)``: never part of a piece.
        face_height_mm: Height of the face plane over the table the piece lies on.
        camera_mm: ``(x, y, z)`` of the camera in the face plane's mm, z above it.
        u_camera_rel: Relative standard uncertainty of the camera's height.
        white: ``(3,)`` linear light of a matte white at the reference, as seen in
            the photo; None where the reference shows no neutral surface.
        u_away_rel_per_mm: Further relative uncertainty for each mm away from the
            reference (a coin can't tell which way the plane tilts).
        away_covariance_px: ``(2, 2)`` covariance of how the log of the scale changes a
            pixel in x and in y, about the origin of the mm, where the direction
            matters; None where ``u_away_rel_per_mm`` says all.
    """

    reference: str
    mm_from_px: FloatArray
    mm_per_px: float
    u_rel: float
    budget: Mapping[str, float]
    tilt_deg: float
    residual_px: float
    outlines_px: tuple[FloatArray, ...]
    camera_mm: tuple[float, float, float]
    face_height_mm: float = 0.0
    u_camera_rel: float = 0.0
    white: FloatArray | None = None
    u_away_rel_per_mm: float = 0.0
    away_covariance_px: FloatArray | None = None

    def away_u_rel(self, points_px: FloatArray) -> FloatArray:
        """Return what being away from the reference adds to ``u_rel`` at ``(n, 2)`` pixels."""
        if self.away_covariance_px is not None:
            origin = np.linalg.inv(self.mm_from_px)[:, 2]
            away = points_px - origin[:2] / origin[2]
            u: FloatArray = np.sqrt(np.einsum("ni,ij,nj->n", away, self.away_covariance_px, away))
            return u
        points = self.to_mm(points_px)
        if not self.outlines_px:
            middle = points.mean(axis=0)
        else:
            outlines = np.concatenate([np.asarray(o, np.float64) for o in self.outlines_px])
            middle = self.to_mm(outlines).mean(axis=0)
        distance: FloatArray = np.linalg.norm(points - middle, axis=1)
        return self.u_away_rel_per_mm * distance

    def to_mm(self, points_px: FloatArray) -> FloatArray:
        """Map ``(n, 2)`` photo pixels to ``(n, 2)`` mm on the face plane."""
        homogeneous = np.column_stack([points_px, np.ones(len(points_px))]) @ self.mm_from_px.T
        mapped: FloatArray = homogeneous[:, :2] / homogeneous[:, 2:]
        return mapped


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Region:
    """One piece as found: where it is and which pixels are its own.

    Attributes:
        box_px: ``(x, y, width, height)`` in whole photo pixels.
        mask: ``(height, width)`` bool inside the box, at full photo resolution.
        outline_px: ``(n, 2)`` outer outline in photo pixels.
        score: How sure the finder is that this is a piece of metal, 0 to 1.
        one_p: How likely it is one whole piece, neither several nor a part of one.
    """

    box_px: tuple[int, int, int, int]
    mask: Mask
    outline_px: FloatArray
    score: float
    one_p: float = 1.0


class Surface(StrEnum):
    """Classes of a surface map, in the order of its planes.

    ``coated`` is enamel, lacquer, paint or oil, ``insulation`` a jacket of plastic or rubber,
    ``stranger`` a thing that is neither piece nor reference nor table.
    """

    TABLE = "table"
    REFERENCE = "reference"
    BRIGHT = "bright"
    TARNISHED = "tarnished"
    GREEN = "green"
    COATED = "coated"
    INSULATION = "insulation"
    TINNED = "tinned"
    BRASS = "brass"
    SOLDER = "solder"
    OTHER_METAL = "other_metal"
    STRANGER = "stranger"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SurfaceMap:
    """Per-pixel class probabilities over a part of the photo.

    Attributes:
        p: ``(len(Surface), h, w)`` float32, summing to 1 over the first axis.
        tarnish_level: ``(h, w)`` float32, 0 fresh to 1 black-brown.
        box_px: The part of the photo that the map covers, ``(x, y, w, h)``. The map
            may be coarser than the photo; its cells divide the box evenly.
        outline: ``(2, h', w')`` float32, finer than the other maps: how likely a pixel
            is part of a piece, and that another piece begins there.
        features: ``(c, h, w)`` float32, what the head for the piece pools.
    """

    p: Float32Array
    tarnish_level: Float32Array
    box_px: tuple[int, int, int, int]
    outline: Float32Array
    features: Float32Array = field(default_factory=lambda: np.zeros((0, 1, 1), np.float32))

    @property
    def ground_p(self) -> Float32Array:
        """Probability of table or reference, ``(h, w)``."""
        own = [list(Surface).index(s) for s in (Surface.TABLE, Surface.REFERENCE)]
        p: Float32Array = self.p[own].sum(axis=0)
        return p


@dataclass(frozen=True, slots=True, kw_only=True)
class Problem:
    """Something that kept the photo from answering, and what to do about it.

    Attributes:
        code: Short name of it, for programs.
        text: What it is, a sentence.
        fix: What to do about it, whatever the channel.
        pieces: Numbers of the pieces that have it, from 1 on; none where it is the photo's.
        variant: Which of several wordings of that code it is; mostly empty.
    """

    code: str
    text: str
    fix: str
    pieces: tuple[int, ...] = ()
    variant: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceReading:
    """One piece as examined: its findings and where on the photo they come from.

    Attributes:
        region: Where the piece is.
        findings: What the rules will see.
        boxes_px: Where each thing that may be on it lies, ``(x, y, w, h)``.
        measured_lines_px: ``(n, 2, 2)`` ends of the widths that were measured,
            for drawing; n may be 0.
        notes: What a person should know of how it was measured.
    """

    region: Region
    findings: Findings
    boxes_px: Mapping[What, Boxes] = field(default_factory=dict)
    measured_lines_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))
    notes: tuple[str, ...] = ()


class Why(StrEnum):
    """Why something that lies there is no piece."""

    STRANGER = "stranger"
    SHORT = "short"


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LeftOut:
    """Something on the photo that was seen and is no piece.

    Attributes:
        outline_px: ``(n, 2)`` its outline in photo pixels, to a few of them.
        why: Whether it looks like no copper, or is too short to be sorted.
    """

    outline_px: FloatArray
    why: Why


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Examination:
    """A photo as examined: scale, pieces, and what stood in the way.

    Attributes:
        photo: The photo.
        scale: How big a pixel is; None without a reference.
        pieces: The pieces in reading order.
        problems: What stood in the way.
        left_out: What else lies there, seen to be no piece.
        flash_p: How likely the photo was lit by the phone's flash.
        flash: What a second photo with the flash gave, where there was one.
    """

    photo: Photo
    scale: Scale | None
    pieces: tuple[PieceReading, ...]
    problems: tuple[Problem, ...] = ()
    left_out: tuple[LeftOut, ...] = ()
    flash_p: float = 0.0
    flash: FlashReading | None = None
