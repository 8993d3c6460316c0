"""What lies on a bench, photographed as people are advised to.

Two halves make the renders. The hard one knows everything and spares nothing. This is
the other one: what somebody who strips houses and takes appliances apart holds in their
hand, one to four pieces apart on white paper in daylight. How often which comes is
common practice, no source; it is stated where each piece comes from, as a person may
state it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from models.recipe.look.noise import Rng


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """Where pieces come from.

    Attributes:
        weight: How often; as in ``rules/base_rates.toml``.
        kinds: Which pieces, by weight.
        finishes: What is on their metal, by weight.
        wound: How often a coil, a hank or a bobbin is of enamelled wire.
    """

    weight: float
    kinds: Mapping[str, float]
    finishes: Mapping[str, float]
    wound: float = 0.0


ENAMELLED = ("coil", "hank", "bobbin", "tangle", "wire", "soldered")
"""What is made of winding wire: nothing else wears enamel."""

WOUND = ("coil", "hank", "bobbin")

# Weights are set so that what is on the pieces is there as often as rules/base_rates.toml
# says it is on a bench.
SOURCES: Mapping[str, Source] = {
    "house_wiring": Source(
        weight=0.35,
        kinds={"wire": 5, "insulated": 3.2, "multicore": 1.5, "stranded": 2, "fan": 0.3,
               "rods": 0.3, "hank": 0.3, "tangle": 0.2, "other_metal": 0.3,
               "lugged": 0.15},
        finishes={"bright": 5, "light": 2.5, "dull": 1.5, "dark": 0.5, "green": 0.15,
                  "paint": 0.12, "tinned": 0.15, "lacquer": 0.04},
    ),
    "plumbing": Source(
        weight=0.25,
        kinds={"tube": 4.2, "elbow": 1.3, "coupling": 1.1, "fitting": 1.2, "brass": 0.5,
               "valve": 0.4, "other_metal": 0.25, "sleeved": 0.2},
        finishes={"bright": 1.2, "light": 2.5, "dull": 3.5, "dark": 1.4, "heat": 0.5,
                  "green": 1.0, "paint": 0.55, "lacquer": 0.05},
    ),
    "cord_cable": Source(
        weight=0.15,
        kinds={"insulated": 2, "twin": 1.5, "multicore": 1, "fan": 1.5, "leads": 0.4,
               "stranded": 2.6, "braid": 0.2, "lugged": 0.25},
        finishes={"bright": 5, "light": 1.8, "dull": 0.7, "dark": 0.2, "tinned": 0.9},
    ),
    "motor_transformer": Source(
        weight=0.08,
        kinds={"hank": 2.5, "coil": 2.5, "bobbin": 1.5, "tangle": 1.2, "wire": 1, "leads": 0.3,
               "stranded": 0.3, "other_metal": 0.2},
        finishes={"enamel": 8, "bright": 0.2, "light": 0.2, "dull": 0.2, "dark": 0.1},
        wound=0.95,
    ),
    "appliance": Source(
        weight=0.10,
        kinds={"tube": 1.6, "twin": 1, "leads": 0.5, "insulated": 1.3, "stranded": 0.7, "wire": 1,
               "fitting": 0.4, "soldered": 0.8, "braid": 0.25, "lugged": 0.3,
               "brass": 0.4, "other_metal": 0.8, "coil": 0.5},
        finishes={"bright": 3, "light": 2, "dull": 1.5, "dark": 0.5, "tinned": 1.0, "enamel": 0.7,
                  "paint": 0.15, "oil": 0.1},
        wound=0.9,
    ),
    "outdoors": Source(
        weight=0.07,
        kinds={"tube": 2.5, "sheet": 1.5, "wire": 2.2, "stranded": 2.6, "elbow": 0.3, "bar": 0.3,
               "braid": 0.3},
        finishes={"green": 4.6, "dark": 2.2, "dull": 1.3, "black": 0.7, "paint": 0.8,
                  "light": 0.5, "tinned": 0.4},
    ),
}  # fmt: skip

MIXED = 0.3
"""Share of photos whose pieces come from several places."""

TABLES = {"white_paper": 7.0, "backdrop": 0.8, "wood": 0.9, "concrete": 0.3, "cloth": 0.3,
          "plastic": 0.2, "cardboard": 0.3, "tile": 0.2}  # fmt: skip
REFERENCES = {"card": 0.40, "marker": 0.16, "coin": 0.22, "sheet": 0.18, "none": 0.04}
LIGHTS = {"window": 3.0, "overcast": 2.0, "sun": 1.6, "low_sun": 0.5, "sky_image": 2.5}
FOCAL_35MM = (24.0, 24.0, 26.0, 26.0, 26.0, 28.0)
HEIGHT_MM = (150.0, 300.0)
PICTURE_MM = (34.6, 26.0)
"""A 4:3 picture with the diagonal of a 36 x 24 mm frame."""
TILT_DEG = 6.0
MOST_TILT_DEG = 20.0
ROLL_DEG = 6.0
"""How far from square to what lies there the phone is held, one standard deviation."""
SHEET_MM = 297 * 1.06
"""The printed sheet (A4) is seen whole, with a rim: then so are its markers."""
ONLY_STRANGERS = 0.05
"""Share of photos that show nothing of the trade."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Plan:
    """One photo as advised, before anything is laid.

    Attributes:
        kinds: Pieces in the order in which they are laid.
        finishes: What is on the metal of each.
        sources: Where each comes from.
        table, reference, light: Names as their modules know them.
        clutter: Number of strangers.
        focal_35mm, camera_height_mm, tilt_deg, roll_deg: Of the camera, which has in view
            what the plan spans.
    """

    kinds: tuple[str, ...]
    finishes: tuple[str | None, ...]
    sources: tuple[str | None, ...]
    table: str
    reference: str
    light: str
    clutter: int
    focal_35mm: float
    camera_height_mm: float
    tilt_deg: float
    roll_deg: float

    @property
    def half_mm(self) -> tuple[float, float]:
        """Half the width and height of what a 4:3 photo shows of the table, less a rim."""
        wide, high = PICTURE_MM
        reach = 0.86 * self.camera_height_mm / self.focal_35mm / 2
        return wide * reach, high * reach


def draw(rng: Rng, weights: Mapping[str, float]) -> str:
    """Return a name by its weight."""
    total = np.array(list(weights.values()), float)
    return str(rng.choice(list(weights), p=total / total.sum()))


def piece_of(rng: Rng, source: str) -> tuple[str, str]:
    """Return kind and finish of a piece from there."""
    told = SOURCES[source]
    kind = draw(rng, told.kinds)
    if kind in WOUND and rng.random() < told.wound:
        return kind, "enamel"
    ways = told.finishes if kind in ENAMELLED else {**told.finishes, "enamel": 0.0}
    return kind, draw(rng, ways)


def light(rng: Rng, *, skies: bool) -> str:
    """Return a light by daylight; ``skies`` says whether there are pictures of them."""
    return draw(rng, LIGHTS if skies else {k: v for k, v in LIGHTS.items() if k != "sky_image"})


def plan(rng: Rng, *, skies: bool = True) -> Plan:
    """Return what one photo as advised shows; ``skies`` says whether there are pictures of them."""
    weights = {name: source.weight for name, source in SOURCES.items()}
    first = draw(rng, weights)
    mixed = rng.random() < MIXED
    count = int(rng.choice([1, 2, 3, 4], p=[0.32, 0.28, 0.22, 0.18]))
    clutter = int(rng.choice([0, 1, 2, 3], p=[0.45, 0.3, 0.17, 0.08]))
    if rng.random() < ONLY_STRANGERS:
        count, clutter = 0, max(clutter, 2)
    sources = [draw(rng, weights) if mixed and k else first for k in range(count)]
    pieces = [(*piece_of(rng, source), source) for source in sources]
    reference = draw(rng, REFERENCES)
    focal_35mm = float(rng.choice(FOCAL_35MM))
    lowest, highest = HEIGHT_MM
    if reference == "sheet":
        lowest = SHEET_MM * focal_35mm / PICTURE_MM[0]
    return Plan(
        kinds=tuple(kind for kind, _, _ in pieces),
        finishes=tuple(finish for _, finish, _ in pieces),
        sources=tuple(source for _, _, source in pieces),
        table=draw(rng, TABLES),
        reference=reference,
        light=light(rng, skies=skies),
        clutter=clutter,
        focal_35mm=focal_35mm,
        camera_height_mm=float(rng.uniform(lowest, highest)),
        tilt_deg=float(min(abs(rng.normal(0, TILT_DEG)), MOST_TILT_DEG)),
        # The sheet's longer side lies along y.
        roll_deg=float(
            rng.normal(0, ROLL_DEG) + rng.choice([0, 180]) + (90 if reference == "sheet" else 0)
        ),
    )
