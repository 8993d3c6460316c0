"""How thick is one strand of a cable whose end is fanned out?

Where strands lie apart (:mod:`vision.width.fan_lines`) each is measured as a thin wire is
(:mod:`vision.width.diameter`). Two strands side by side pass for one limb up to twice as wide,
so the strand is the thinnest width that several limbs share.

Uncertainty after JCGM 100: scatter from limb to limb; how far their widths depend on where
they were looked for; plainness of their edges; overexposure; scale and camera as for any
wire; how high over the table strands stand; what is left on rendered fans.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import hypot, sqrt

import numpy as np

from rules.findings import Form, FormFinding, Measurement, Unit
from vision.pieces.centreline import CentreLine
from vision.problems import problem_of
from vision.types import FloatArray, Image, Photo, Problem, Region, Scale
from vision.width.budget import camera_over, combined, diameters_mm, of_budget
from vision.width.diameter import closer_words
from vision.width.edges import MIN_STRETCHES, Edges, find_edges
from vision.width.fan_lines import Limb, find_fan
from vision.width.runs import AGREE_PX, AGREE_REL, plain_run

MOST_LIMBS = 10
"""So many limbs are measured, the longest first; 30 ms each."""

UNEVEN = 1.5
"""Thick over thin half-widths along the outline (tenth and ninetieth hundredths) from which a
closer look is taken: most rendered fans show 1.8 to 7, most other pieces under 1.5."""

BRANCHED_SHARE = 0.75
"""The same for how much of the thinned outline its longest way follows."""

LEAST_ENDS = 3
"""So many free ends of about equal width make a fan where one of them lies clear of the rest
by the piece's outline too (the dark rims of a shiny tube do not). One or two are as often the
bare conductor of a stripped wire, or a thinner wire that lies across a cable."""

MANY_ENDS = 5
"""So many make a cable wherever they lie; so do ``LEAST_ENDS`` of which as many limbs were
measured and agree. Tangles of rendered wire show four, with two that agree."""

LEAST_AGREEING = 3
"""Limbs that have to share one width; two did on a tangle, and where wire lay over cable."""

FANNED_P = 0.94
"""Probability of a cable then; the cores of a multicore cable fan out too. An estimate."""

MOST_SHARE = 0.5
"""A strand is at most so wide a part of the thickest of the piece: a third of a cable of
seven, the fewest in common cable, and what blur adds to its outline."""

TRUNK_WIDTHS = 2.5
"""What two wires that cross have in common is shorter than this, in widths; 50 of 53 rendered
fans have more, or many ends."""

LEAST_END_PX = 4.0
EQUAL_LOG = 0.25
"""Free ends count from this rough width on, and as equal within this, in logarithms."""

MOST_ENDS_WIDE = 2.5
"""Where there are such ends, a limb wider than so many of them is the bundle."""

MIN_LENGTH_WIDTHS = 4.0

CLEAR_SHARE = 0.5

LEAST_PLAINNESS = 2.8
"""Plainness under which a limb's edges are nowhere in particular."""

SURE_PLAINNESS = 3.2
"""The same for the middle one of a fan's limbs: of 59 rendered fans, those under it were off
by 25 % in the median."""

DARK_CODE = 40
"""Strands and table both darker than this are noise and JPEG."""

CLIPPED_CODE = 245
MOST_CLIPPED = 0.6
"""Where two channels pass this code along so much of a limb it is not measured ..."""

U_CLIPPED_PX = 1.5
"""... and where all of it did, its width would be in such doubt: wholly overexposed strands of
rendered fans seemed 2 to 3 px wider."""

MOST_WEIGHT = 20.0
"""A limb counts by its length in widths, up to this."""

SHARED_REL = 0.10
"""Limbs within this of each other, in logarithms, share one width."""

THINNER_LOG = 0.2
THINNER_SUPPORT = 0.4
"""Clearly thinner, and with this part of the support of the most common width: then the most
common one is two strands side by side."""

LIMB_U_REL = 0.07
"""How far the widths of limbs of one fan differ, as standard deviation: 7 % in the median of
rendered fans."""

MEAN_HEIGHT = 0.3
"""Fanned strands sink to the table: how high they stand, of the bundle's height."""

U_LEFT_REL = 0.075
"""What is left of the error where all else is plain: strands bent up to the camera, shadows,
pairs among singles. Set on the 22 fans read of 59 rendered ones: half are then off by less
than 0.71 standard uncertainties, and the 95 % interval held 19."""

LEAST_STRAND_PX = 5.0
"""True width under which only a bound is given."""

GOOD_STRAND_PX = 10.0
"""What "go closer" aims at."""

LEAST_OUTLINE_PX = 8.0
"""By its outline alone a limb under this is too thin: blur is in it."""

BOUND = (0.25, 1.3)
"""A strand too thin to measure lies between these parts of its seen width: it may be two side
by side, and blur widens it; dark rims may be lost."""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FanReading:
    """What single strands that lie apart say.

    Attributes:
        strand_diameter: Of one strand, mm; None where their edges are not plain.
        width_px: Its width in the photo; NaN where not found.
        strands: How many limbs agreed in their measured widths.
        ends: How many limbs with free ends are about equally wide, measured or not.
        lines_px: ``(n, 2, 2)`` ends of the widths that were used, photo pixels.
        problems: What would make it better.
    """

    strand_diameter: Measurement | None
    width_px: float = float("nan")
    strands: int = 0
    ends: int = 0
    lines_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))
    problems: tuple[Problem, ...] = ()

    @property
    def is_sure(self) -> bool:
        """Whether the piece is a cable for this alone."""
        return self.ends >= MANY_ENDS or min(self.ends, self.strands) >= LEAST_ENDS


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LimbWidth:
    """One limb as measured.

    Attributes:
        diameter: In mm.
        width_px: The same in the photo.
        length_px: Length of its line.
        plainness: How plain its edges are (:attr:`vision.width.edges.Edges.plainness`).
        clipped: Share of it, or of the table beside it, that is overexposed.
        lines_px: ``(n, 2, 2)`` ends of its widths, photo pixels.
    """

    diameter: Measurement
    width_px: float
    length_px: float
    plainness: float = 5.0
    clipped: float = 0.0
    lines_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2, 2)))


def strands_of_fan(photo: Photo, region: Region, scale: Scale) -> FanReading | None:
    """Return what the strands of a fanned-out end say; None where nothing is fanned out.

    Args:
        photo: The photo.
        region: The piece; its mask may close the gaps between strands.
        scale: Of the same photo.
    """
    fan = find_fan(photo, region)
    thin = [limb for limb in fan.limbs if limb.width_px < MOST_SHARE * fan.widest_px]
    ends, end_px = equal_ends(thin)
    clear = any(limb.free and limb.clear > CLEAR_SHARE for limb in thin)
    if ends < LEAST_ENDS or not (clear or ends >= MANY_ENDS):
        return None
    if fan.trunk_widths < TRUNK_WIDTHS and ends < MANY_ENDS:
        return None
    thin = [limb for limb in thin if limb.width_px < MOST_ENDS_WIDE * end_px]
    widths = [width_of_limb(photo, limb, scale) for limb in thin[:MOST_LIMBS]]
    measured = [width for width in widths if width is not None]
    kept = single_strands(measured)
    plain = bool(kept) and float(np.median([w.plainness for w in kept])) >= SURE_PLAINNESS
    if not plain or len(kept) < LEAST_AGREEING:
        return _unmeasured(photo, scale, ends, end_px) if ends >= MANY_ENDS else None
    strand = pooled_strand(kept, photo, scale, bundle_px=fan.widest_px)
    width_px = float(np.median([w.width_px for w in kept]))
    too_thin = width_px < LEAST_STRAND_PX
    return FanReading(
        strand_diameter=bounded_by_width(strand.value) if too_thin else strand,
        width_px=width_px,
        strands=len(kept),
        ends=ends,
        lines_px=np.concatenate([w.lines_px for w in kept]),
        problems=(_too_thin(photo, scale, width_px),) if too_thin else (),
    )


def _unmeasured(photo: Photo, scale: Scale, ends: int, end_px: float) -> FanReading:
    """Say what stands in the way: too few pixels, or unclear edges."""
    thin = end_px < LEAST_OUTLINE_PX
    problem = _too_thin(photo, scale, end_px) if thin else problem_of("fanned_strands_unclear")
    return FanReading(strand_diameter=None, ends=ends, problems=(problem,))


def is_uneven(line: CentreLine) -> bool:
    """Return whether a piece's outline may be that of a fanned-out end: a quick look, which
    spares a plain wire the long one."""
    thin, thick = np.quantile(line.radii_px, [0.1, 0.9])
    return bool(thick > UNEVEN * thin) or line.path_share < BRANCHED_SHARE


def fanned_form() -> FormFinding:
    """Return the form of a piece that is surely fanned out."""
    rest = (1 - FANNED_P) / 3
    return FormFinding(
        p={
            Form.WIRE: rest,
            Form.STRANDED: FANNED_P,
            Form.TUBE: 0.0,
            Form.SHEET: rest,
            Form.OTHER: rest,
        }
    )


def equal_ends(limbs: Sequence[Limb]) -> tuple[int, float]:
    """Return how many limbs with free ends are about as wide as each other, and how wide.

    Of two widths that as many share the thinner wins.
    """
    widths = np.sort([w for limb in limbs if limb.free and (w := limb.width_px) >= LEAST_END_PX])
    if not len(widths):
        return 0, float("nan")
    equal = np.abs(np.log(widths[:, None] / widths[None, :])) < EQUAL_LOG
    most = int(np.argmax(equal.sum(axis=1)))
    return int(equal[most].sum()), float(np.median(widths[equal[most]]))


def width_of_limb(photo: Photo, limb: Limb, scale: Scale) -> LimbWidth | None:
    """Return the width of one limb, None where its edges are not plain all along."""
    edges = find_edges(photo, limb.line)
    if edges is None or edges.plainness < LEAST_PLAINNESS:
        return None
    found_px = float(np.median(edges.width_px))
    diameters = diameters_mm(edges, photo, scale)
    run = plain_run(diameters, tolerance_rel=max(AGREE_REL, AGREE_PX / found_px))
    if run.sum() < MIN_STRETCHES or limb.length_px < MIN_LENGTH_WIDTHS * found_px:
        return None
    edges = edges.only(run)
    clipped = clipped_share(photo, edges)
    if clipped > MOST_CLIPPED or _is_dark(photo, edges):
        return None
    seen = combined(diameters[run], edges, photo, scale)
    return LimbWidth(
        diameter=seen,
        width_px=found_px,
        length_px=limb.length_px,
        plainness=edges.plainness,
        clipped=clipped,
        lines_px=np.stack([edges.left_px, edges.right_px], axis=1),
    )


def clipped_share(photo: Photo, edges: Edges) -> float:
    """Return how much of a limb, or of the table beside it, is overexposed, 0 to 1.

    What is clipped blooms: its blurred rim looks like more of it.
    """
    middle, half = (edges.left_px + edges.right_px) / 2, (edges.right_px - edges.left_px) / 2
    beside = [_overexposed(photo, middle + side * half) for side in (-2, 2)]
    return max(_overexposed(photo, middle), sum(beside) / 2)


def _is_dark(photo: Photo, edges: Edges) -> bool:
    middle, half = (edges.left_px + edges.right_px) / 2, (edges.right_px - edges.left_px) / 2
    codes = [_codes(photo, middle + side * half) for side in (-2, 0, 2)]
    return all(float(np.median(c.max(axis=1))) < DARK_CODE for c in codes)


def _overexposed(photo: Photo, points_px: FloatArray) -> float:
    second = np.sort(_codes(photo, points_px), axis=1)[:, 1]
    return float(np.mean(second >= CLIPPED_CODE))


def _codes(photo: Photo, points_px: FloatArray) -> Image:
    limit = (photo.width_px - 1, photo.height_px - 1)
    at = np.clip(np.rint(points_px).astype(int), 0, limit)
    return np.asarray(photo.rgb[at[:, 1], at[:, 0]])


def _weights(widths: Sequence[LimbWidth]) -> FloatArray:
    return np.array([min(w.length_px / w.width_px, MOST_WEIGHT) for w in widths])


def single_strands(widths: Sequence[LimbWidth]) -> list[LimbWidth]:
    """Return the limbs that are one strand: the thinnest width that enough of them share.

    The most common width is the peak of a Gaussian density over the logarithms; longer
    limbs count for more. A clearly thinner one with a part of its support wins: two
    strands side by side are common in a fan.
    """
    if not widths:
        return []
    logs = np.log([w.diameter.value for w in widths])
    away = logs[:, None] - logs[None, :]
    density = np.exp(-0.5 * (away / (SHARED_REL / 2)) ** 2) @ _weights(widths)
    mode = int(np.argmax(density))
    thinner = (logs < logs[mode] - THINNER_LOG) & (density > THINNER_SUPPORT * density[mode])
    if thinner.any():
        mode = int(np.argmax(np.where(thinner, density, 0)))
    return [w for w, log in zip(widths, logs, strict=True) if abs(log - logs[mode]) < SHARED_REL]


def pooled_strand(
    kept: Sequence[LimbWidth], photo: Photo, scale: Scale, *, bundle_px: float
) -> Measurement:
    """Return the diameter of one strand with its budget, from limbs that agree.

    Args:
        kept: The limbs, each one strand.
        photo: For the camera, where the scale does not know it.
        scale: Of the same photo.
        bundle_px: Thickest part of the piece: strands may stand as high.
    """
    values = np.array([w.diameter.value for w in kept])
    weight = _weights(kept) / _weights(kept).sum()
    n_eff = 1 / float(np.sum(weight**2))
    mean = float(weight @ values)
    width_px = float(weight @ [w.width_px for w in kept])
    mm_per_px = mean / width_px
    # Strands lie between the table and the bundle's top, and nearer to the camera look wider.
    room = max(bundle_px * mm_per_px - mean, 0.0) / camera_over(photo, scale).height_mm
    value = mean * (1 - MEAN_HEIGHT * room)
    budget = {
        name: float(weight @ [w.diameter.budget[name] for w in kept])
        for name in kept[0].diameter.budget
    }
    # One limb tells nothing of how far limbs differ: what they do elsewhere counts as one more.
    spread = sqrt(float(weight @ (values - mean) ** 2) + (LIMB_U_REL * mean) ** 2 / n_eff)
    budget["scatter"] = hypot(spread, budget["scatter"]) / sqrt(n_eff)
    budget["layout"] /= sqrt(n_eff)
    budget["left"] = U_LEFT_REL * value
    budget["clipped"] = mm_per_px * U_CLIPPED_PX * float(weight @ [w.clipped for w in kept])
    budget["height"] = value * room / sqrt(12)
    return of_budget(value, budget, n_eff=n_eff)


def bounded_by_width(seen_mm: float) -> Measurement:
    """Return what can be said of a strand too thin to measure, by how wide it looks.

    Taken as evenly likely between the two bounds (JCGM 100, 4.3.7).
    """
    return _even(BOUND[0] * seen_mm, BOUND[1] * seen_mm, "strand too thin in the photo")


def joined(
    bundle: Measurement | None, fan: FanReading | None
) -> tuple[Measurement | None, tuple[Problem, ...]]:
    """Return one strand's diameter from what the bundle's look and its fanned end say.

    The surer one where they agree; where they don't, all that either allows.

    Args:
        bundle: One strand by the look of the bundle (:mod:`vision.width.strands`).
        fan: By its fanned end.
    """
    strand = fan.strand_diameter if fan is not None else None
    problems = fan.problems if fan is not None else ()
    if bundle is None or strand is None:
        return (strand if bundle is None else bundle), problems
    if agree(bundle, strand):
        return min(bundle, strand, key=lambda m: m.u), problems
    low, high = min(bundle.low95, strand.low95), max(bundle.high95, strand.high95)
    return _even(max(low, 0.0), high, "bundle and fan disagree"), (
        *problems,
        problem_of("strands_disagree"),
    )


def agree(one: Measurement, other: Measurement) -> bool:
    """Return whether two results differ by no more than 1.96 times the doubt of both."""
    return abs(one.value - other.value) <= 1.96 * hypot(one.u, other.u)


def _even(low: float, high: float, why: str) -> Measurement:
    spread = high - low
    u = spread / sqrt(12)
    return Measurement(
        value=(low + high) / 2,
        u=u,
        unit=Unit.MILLIMETRE,
        low95=low + 0.025 * spread,
        high95=high - 0.025 * spread,
        budget={why: u},
    )


def _too_thin(photo: Photo, scale: Scale, width_px: float) -> Problem:
    """Say how thin a strand is in the photo and how close to go."""
    return problem_of(
        "strand_too_thin_in_photo",
        width_px=width_px,
        least_px=LEAST_STRAND_PX,
        closer=closer_words(photo, scale, width_px=width_px, wanted_px=GOOD_STRAND_PX),
    )
