"""What a whole photo is about: one piece story a photo, spread over the grades."""

from __future__ import annotations

from dataclasses import dataclass

from models.recipe.look.noise import Rng
from models.recipe.pieces.kinds import KINDS, WEIGHTS

# Edge cases of the house sheet: kinds and finishes of the pieces of one photo.
STORIES: tuple[tuple[tuple[str, ...], tuple[str | None, ...]], ...] = (
    (("wire",), ("bright",)),
    (("wire",), ("light",)),
    (("wire",), ("dull",)),
    (("wire",), ("dark",)),
    (("wire",), ("enamel",)),
    (("wire",), ("green",)),
    (("wire",), ("tinned",)),
    (("tube",), ("bright",)),
    (("tube",), ("dull",)),
    (("tube",), ("green",)),
    (("stranded",), ("bright",)),
    (("stranded",), ("tinned",)),
    (("stranded",), ("dull",)),
    (("cut_end",), (None,)),
    (("fitting",), (None,)),
    (("elbow",), (None,)),
    (("soldered",), (None,)),
    (("insulated",), (None,)),
    (("sheet",), (None,)),
    (("coil",), ("enamel",)),
    (("coil",), ("bright",)),
    (("bar",), (None,)),
    (("tangle",), (None,)),
    (("brass",), (None,)),
    (("other_metal",), (None,)),
    (("wire", "wire"), ("bright", "dull")),
    (("tube", "wire"), (None, None)),
    (("wire", "stranded", "insulated"), (None, None, None)),
    (("tube", "fitting"), (None, None)),
    (("wire",), ("lacquer",)),
    (("tube",), ("paint",)),
    (("wire",), ("oil",)),
)


@dataclass(frozen=True, slots=True, kw_only=True)
class Story:
    """Pieces, reference and camera of one whole photo."""

    kinds: tuple[str, ...]
    finishes: tuple[str | None, ...]
    reference: str
    clutter: int
    camera_height_mm: float
    tilt_deg: float
    focal_35mm: float


def story(seed: int, *, rng: Rng, split: str, kinds: list[str] | None = None) -> Story:
    """Return the story of a seed: the list of edge cases in turn, then by weight."""
    if kinds:
        laid: tuple[str, ...] = (kinds[seed % len(kinds)],)
        finishes: tuple[str | None, ...] = (None,)
    elif split == "fixtures" or seed % 2 == 0:
        laid, finishes = STORIES[(seed if split == "fixtures" else seed // 2) % len(STORIES)]
    else:
        names = [k for k in KINDS if WEIGHTS[k] > 0]
        weights = [WEIGHTS[k] for k in names]
        total = sum(weights)
        count = int(rng.integers(1, 5))
        laid = tuple(str(k) for k in rng.choice(names, count, p=[w / total for w in weights]))
        finishes = (None,) * count
    reference = str(rng.choice(["card", "marker", "coin", "none"], p=[0.36, 0.32, 0.26, 0.06]))
    cut = "cut_end" in laid
    focal = float(rng.choice([24, 26, 28, 50], p=[0.25, 0.4, 0.2, 0.15]))
    low, high = (90, 160) if cut else (130, 300)
    height = float(rng.uniform(low, high)) * (focal / 26 if focal > 40 else 1.0)
    if cut and reference == "card":
        reference = "coin"
    tilt = float(min(abs(rng.normal(0, 8 if split == "fixtures" else 11)), 33))
    clutter = 0 if split == "fixtures" else int(rng.choice([0, 1, 2, 4], p=[0.4, 0.25, 0.2, 0.15]))
    return Story(kinds=laid, finishes=finishes, reference=reference, clutter=clutter,
                 camera_height_mm=height, tilt_deg=tilt, focal_35mm=focal)  # fmt: skip
