"""Small drawn pictures of how not to take the photo, and how to."""

from __future__ import annotations

import io
from dataclasses import dataclass, replace
from functools import cache

from PIL import Image, ImageDraw, ImageEnhance, ImageFilter

SIZE = (360, 250)
_GAP = 16
_BADGE = 46
_TABLE = (214, 206, 192)
_CARD = (92, 128, 160)
_COPPER = (186, 108, 66)
_COPPER_EDGE = (120, 62, 36)
_GOOD, _BAD = (36, 110, 70), (160, 50, 40)


@dataclass(frozen=True, slots=True, kw_only=True)
class Scene:
    """How a drawn photo is taken.

    Attributes:
        size: Of everything in it; 1 fills the picture well.
        slant: Share by which the far side is narrower.
        card: ``whole``, ``cut`` by the picture's edge, or ``none``.
        piece: ``tube``, ``thin``, ``coil``, ``short``, ``cut``, ``crossed``, ``apart`` or ``none``.
        table: Colour of the table.
        light: Brightness, 1 is right.
        blur_px: Blur.
        glare: Whether a lamp shines back.
        tint: Colour of the light.
    """

    size: float = 1.0
    slant: float = 0.0
    card: str = "whole"
    piece: str = "tube"
    table: tuple[int, int, int] = _TABLE
    light: float = 1.0
    blur_px: float = 0.0
    glare: bool = False
    tint: tuple[float, float, float] = (1.0, 1.0, 1.0)


RIGHT = Scene()
_APART = (
    Scene(piece="crossed"),
    Scene(piece="apart"),
    "each piece by itself, a finger's breadth apart",
)

# What goes wrong, and where the right way is not the usual one, how it looks.
PAIRS: dict[str, tuple[Scene, Scene, str]] = {
    "solid_or_strands": (Scene(size=0.45, piece="thin"), Scene(piece="thin"), "nearer"),
    "no_reference": (Scene(card="none"), RIGHT, "a card lies whole beside the piece"),
    "references_disagree": (Scene(card="cut"), RIGHT, "one whole reference"),
    "ambiguous_reference": (Scene(card="cut"), RIGHT, "one whole reference"),
    "reference_too_small": (Scene(size=0.45), RIGHT, "nearer, so that both fill the picture"),
    "too_far": (Scene(size=0.45), RIGHT, "nearer, so that both fill the picture"),
    "too_thin_in_photo": (Scene(size=0.45, piece="thin"), Scene(piece="thin"), "nearer"),
    "strands_not_resolved": (Scene(), Scene(piece="thin"), "one strand laid alone, from near"),
    "tilt_too_big": (Scene(slant=0.42), RIGHT, "from straight above"),
    "residual_too_big": (Scene(slant=0.42), RIGHT, "flat, from straight above"),
    "no_piece": (Scene(table=_COPPER), RIGHT, "on plain white paper"),
    "nothing_there": (Scene(table=_COPPER), RIGHT, "on plain white paper"),
    "edges_unclear": (Scene(table=_COPPER), RIGHT, "on plain white paper"),
    "blurred": (Scene(blur_px=5), RIGHT, "sharp: tap the piece to focus, hold still"),
    "too_dark": (Scene(light=0.35), RIGHT, "by a window or in the shade outside"),
    "too_bright": (Scene(light=1.55), RIGHT, "out of direct sun"),
    "glare": (Scene(glare=True), RIGHT, "without flash, the piece turned a little"),
    "colour_cast": (Scene(tint=(1.0, 0.78, 0.45)), RIGHT, "in daylight"),
    "coil_or_tangle": (Scene(piece="coil"), RIGHT, "one end pulled straight"),
    "thickness_uneven": _APART,
    "pieces_side_by_side": _APART,
    "cut_by_frame": (Scene(piece="cut"), RIGHT, "with its whole width in view"),
    "piece_too_short": (Scene(piece="short"), RIGHT, "with more of its length in view"),
}


def has_picture(code: str) -> bool:
    """Whether there is a picture for a problem."""
    return code in PAIRS


def alt_of(code: str) -> str:
    """Return the picture in words."""
    return f"Two small drawings. Left, crossed out: how it went wrong. Right: {PAIRS[code][2]}"


@cache
def picture_of(code: str) -> bytes:
    """Return wrong and right side by side, as a PNG file.

    Raises:
        KeyError: There is no picture for this code.
    """
    wrong, right, _ = PAIRS[code]
    width, height = SIZE
    sheet = Image.new("RGB", (2 * width + _GAP, height), (247, 245, 240))
    sheet.paste(_framed(wrong, is_good=False), (0, 0))
    sheet.paste(_framed(right, is_good=True), (width + _GAP, 0))
    file = io.BytesIO()
    sheet.quantize(128).save(file, "PNG", optimize=True)
    return file.getvalue()


def _framed(scene: Scene, *, is_good: bool) -> Image.Image:
    picture = _drawn(scene)
    pen = ImageDraw.Draw(picture)
    colour = _GOOD if is_good else _BAD
    pen.rectangle((0, 0, SIZE[0] - 1, SIZE[1] - 1), outline=colour, width=5)
    left, top = SIZE[0] - _BADGE - 10, SIZE[1] - _BADGE - 10
    pen.ellipse((left, top, left + _BADGE, top + _BADGE), fill=colour, outline="white", width=3)
    c = [(left + _BADGE * u, top + _BADGE * v) for u, v in _marks(is_good)]
    if is_good:
        pen.line(c, fill="white", width=6, joint="curve")
    else:
        pen.line(c[:2], fill="white", width=6)
        pen.line(c[2:], fill="white", width=6)
    return picture


def _marks(is_good: bool) -> list[tuple[float, float]]:
    if is_good:
        return [(0.27, 0.52), (0.44, 0.70), (0.74, 0.32)]
    return [(0.30, 0.30), (0.70, 0.70), (0.70, 0.30), (0.30, 0.70)]


def _drawn(scene: Scene) -> Image.Image:
    width, height = SIZE
    big = Image.new("RGB", (2 * width, 2 * height), scene.table)
    _lay(ImageDraw.Draw(big), replace(scene, table=scene.table))
    if scene.slant:
        inset = scene.slant * width
        corners = (-inset, 0, 0 + 0, 2 * height, 2 * width, 2 * height, 2 * width + inset, 0)
        big = big.transform(big.size, Image.Transform.QUAD, corners, fillcolor=scene.table)
    picture = big.resize(SIZE, Image.Resampling.LANCZOS)
    if scene.blur_px:
        picture = picture.filter(ImageFilter.GaussianBlur(scene.blur_px))
    if scene.light != 1:
        picture = ImageEnhance.Brightness(picture).enhance(scene.light)
    if scene.tint != (1.0, 1.0, 1.0):
        bands = [
            band.point([min(255, round(v * share)) for v in range(256)])
            for band, share in zip(picture.split(), scene.tint, strict=True)
        ]
        picture = Image.merge("RGB", bands)
    return picture


def _lay(pen: ImageDraw.ImageDraw, scene: Scene) -> None:
    """Lay card and piece on a table of twice the picture's size."""
    width, height = 2 * SIZE[0], 2 * SIZE[1]

    def at(u: float, v: float) -> tuple[float, float]:
        return (
            width * (0.5 + (u - 0.5) * scene.size),
            height * (0.5 + (v - 0.5) * scene.size),
        )

    if scene.card != "none":
        shift = -0.24 if scene.card == "cut" else 0.0
        box = (*at(0.07 + shift, 0.16), *at(0.47 + shift, 0.55))
        pen.rounded_rectangle(box, radius=18 * scene.size, fill=_CARD, outline=(50, 74, 98))
        pen.line([at(0.11 + shift, 0.45), at(0.30 + shift, 0.45)], fill="white", width=6)
    thick = {"tube": 58.0, "short": 58.0, "cut": 58.0, "thin": 9.0}.get(scene.piece, 0.0)
    thick *= scene.size
    ends = [at(0.56, 0.16), at(0.88, 0.86)]
    if scene.piece == "short":
        ends = [at(0.66, 0.38), at(0.72, 0.51)]
    if scene.piece == "cut":  # one side beyond the picture
        ends = [at(0.96, 0.12), at(1.01, 0.88)]
    if thick:
        pen.line(ends, fill=_COPPER_EDGE, width=round(thick + 6))
        pen.line(ends, fill=_COPPER, width=round(thick))
        if scene.piece != "thin":
            pen.line(
                [(x + 0.18 * thick, y) for x, y in ends],
                fill=(226, 160, 118),
                width=round(0.22 * thick),
            )
    if scene.glare:
        (x0, y0), (x1, y1) = ends
        x, y, r = (x0 + x1) / 2, (y0 + y1) / 2, 74
        pen.ellipse((x - r, y - r, x + r, y + r), fill="white")
    if scene.piece == "coil":
        for turn in range(9):
            x, y = at(0.55 + 0.028 * turn, 0.34)
            pen.ellipse((x, y, x + 130, y + 190), outline=_COPPER, width=12)
    several = {
        "crossed": [((0.56, 0.20), (0.90, 0.80)), ((0.90, 0.24), (0.56, 0.84))],
        "apart": [((0.60, 0.18), (0.66, 0.84)), ((0.80, 0.18), (0.86, 0.84))],
    }
    for start, end in several.get(scene.piece, []):
        pen.line([at(*start), at(*end)], fill=_COPPER_EDGE, width=round(30 * scene.size))
        pen.line([at(*start), at(*end)], fill=_COPPER, width=round(24 * scene.size))
