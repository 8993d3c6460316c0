"""What colour is the light, as white paper shows it?

The white of the printed sheet or around a marker counts most; else white paper that the pieces
lie on; else nothing, and then the camera's own balance has to do. Paper is what a table of
uniform colour, no texture, near-neutral under that balance and bright in the photo most likely
is; wood, concrete and cloth fail one of these. Its colour counts, not its brightness: a grey
table passes too. Cards and coins are no white: nobody knows their colour. With the limits
below 22 of 26 white papers of 30 rendered photos pass (the others printed, burnt or dark), and
no wood, plastic or cardboard.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from vision.photo.colour import to_linear
from vision.photo.reduced import resized
from vision.types import FloatArray, Photo, Scale, Surface, SurfaceMap

SURE_TABLE_P = 0.9
"""A cell counts as table from this probability on."""

LEAST_SHARE = 0.1
"""Share of the photo that has to be table, and of the table that has to be lit paper."""

LIT = 0.55
"""Cells darker than this share of the brightest table lie in shadow."""

LEAST_LIGHT = 0.2
"""Linear light of lit paper in an ordinary exposure; a darker table is grey or unlit."""

BURNT = 0.93
"""Linear light (code 247) from which a channel may have been clipped."""

MOST_CAST = 0.30
"""Natural log of red over green or blue over green that a phone's balance leaves on white:
lamps leave 0.2 and more."""

MOST_HUE_SPREAD = 0.05
"""Spread (interquartile range over 1.35) of those logs over the lit table."""

MOST_TEXTURE = 0.05
"""Median of a cell's standard deviation over its mean, green."""

RING = 0.35
"""How far around a piece its own white is read, as a share of its box's longer side."""

FEWEST_CELLS = 12
"""A median of fewer cells follows one stain. Chosen, not measured."""

UNCHANGED = 0.8
"""Linear light of white at which the surface network's look changes no brightness
(:data:`vision.finish.surface.WHITE_TARGET`)."""

NOTES = {
    "sheet": "the light's colour is read off the printed sheet",
    "marker": "the light's colour is read off the white around the marker",
    "paper": "the light's colour is read off the white paper under the pieces",
    "none": "the light's colour is a guess from the scene: no white in view",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class White:
    """What shows the light's colour in a photo.

    Attributes:
        reference: ``(3,)`` linear light of a matte white at the reference, if it shows one.
        paper: White paper that the pieces lie on, if they do.
        note: Where the white comes from, in words.
    """

    reference: FloatArray | None = None
    paper: PaperWhite | None = None
    note: str = NOTES["none"]

    def near(self, box_px: tuple[int, int, int, int]) -> FloatArray | None:
        """Return ``(3,)`` linear light of a matte white beside a box, None where unknown.

        Of paper the colour counts: it is made so bright that nothing gets brighter or darker.
        """
        seen = self.light_near(box_px)
        if seen is None or self.reference is not None:
            return seen
        return np.asarray(seen * (UNCHANGED / seen.mean()))

    def light_near(self, box_px: tuple[int, int, int, int]) -> FloatArray | None:
        """Return the same as bright as it is in the photo."""
        if self.reference is not None or self.paper is None:
            return self.reference
        return self.paper.light_near(box_px)


def white_of(photo: Photo, overview: SurfaceMap, scale: Scale | None) -> White:
    """Return what shows the light's colour in a photo.

    Args:
        photo: The photo.
        overview: The surface network's look at all of it, as the camera saw it.
        scale: The reference that was found; its own white counts most.
    """
    if scale is not None and scale.white is not None:
        kind = "sheet" if scale.reference == "sheet" else "marker"
        return White(reference=scale.white, note=NOTES[kind])
    paper = paper_white(photo, overview)
    return White() if paper is None else White(paper=paper, note=NOTES["paper"])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PaperWhite:
    """White paper under the pieces, cell by cell of the overview.

    Attributes:
        light: ``(h, w, 3)`` mean linear light of each cell.
        lit: ``(h, w)`` bool, cells of paper in the light.
        cell_px: Width and height of a cell in photo pixels.
    """

    light: FloatArray
    lit: FloatArray
    cell_px: tuple[float, float]

    def light_near(self, box_px: tuple[int, int, int, int]) -> FloatArray:
        """Return ``(3,)`` linear light of white around a box, of all paper where none is near."""
        x, y, w, h = box_px
        reach = RING * max(w, h)
        (across, down), (rows, columns) = self.cell_px, self.lit.shape
        left, right = (int(np.clip(v / across, 0, columns)) for v in (x - reach, x + w + reach))
        top, bottom = (int(np.clip(v / down, 0, rows)) for v in (y - reach, y + h + reach))
        window = np.s_[top : bottom + 1, left : right + 1]
        lit = self.lit[window]
        if lit.sum() < FEWEST_CELLS:
            window, lit = np.s_[0 : rows + 1, 0 : columns + 1], self.lit
        return np.asarray(np.median(self.light[window][lit], axis=0))


def paper_white(photo: Photo, overview: SurfaceMap) -> PaperWhite | None:
    """Return the white paper of a photo's table, None where the table may be anything else.

    Args:
        photo: The photo.
        overview: The surface network's look at all of it, as the camera saw it.
    """
    rows, columns = overview.tarnish_level.shape
    size = (4 * columns, 4 * rows)
    if photo.width_px < size[0] or photo.height_px < size[1]:
        return None
    small = to_linear(resized(photo.rgb, size)).reshape(rows, 4, columns, 4, 3)
    # A plane for each of the 16 places in a cell: adding those takes a quarter of the time.
    planes = small.transpose(1, 3, 0, 2, 4).reshape(16, rows, columns, 3)
    light, spread = planes.mean(axis=0), planes[..., 1].std(axis=0)
    table = overview.p[list(Surface).index(Surface.TABLE)] >= SURE_TABLE_P
    table = cv2.erode(table.astype(np.uint8), np.ones((3, 3), np.uint8)) > 0
    if table.mean() < LEAST_SHARE:
        return None
    green = light[..., 1]
    lit = table & (green >= LIT * np.quantile(green[table], 0.9))
    clear = lit & (light.max(axis=-1) < BURNT)
    if lit.sum() < LEAST_SHARE * table.sum() or clear.sum() < 0.5 * lit.sum():
        return None
    cast = np.log(light[clear][:, [0, 2]] + 1e-4) - np.log(light[clear][:, [1]] + 1e-4)
    quarter, middle, three_quarters = np.quantile(cast, [0.25, 0.5, 0.75], axis=0)
    texture = float(np.median(spread[clear] / (green[clear] + 1e-4)))
    is_paper = (
        np.median(green[clear]) >= LEAST_LIGHT
        and np.abs(middle).max() <= MOST_CAST
        and ((three_quarters - quarter) / 1.35).max() <= MOST_HUE_SPREAD
        and texture <= MOST_TEXTURE
    )
    if not is_paper:
        return None
    return PaperWhite(
        light=light, lit=clear, cell_px=(photo.width_px / columns, photo.height_px / rows)
    )
