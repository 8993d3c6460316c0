"""Fit how likely two fragments of the outline map are one piece, and a group one whole piece.

    python -m models.recipe.fits.fragments --photos DIR ... [--cache DIR] [--folds 7]

Photos with the true number of the piece at each pixel (``NAME.pieces.png``), tables full of
things above all. Pairs and groups are those of :mod:`vision.pieces.fragments`; a fragment counts
where seven tenths of it are one piece's, a group is one whole piece where it overlaps one by
``WHOLE``. Logistic regression with a weak prior; groups are those of photos that their fold left
out of the fit of pairs. Printed are the constants of that module, and what pieces come out of
photos that a fold left out: found (overlap 0.3, one to one), false ones a true piece, panoptic
quality (Kirillov et al., arXiv 1801.00868). With ``--cache`` the network looks at each photo once.
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from models.recipe import panoptic
from vision.finish.surface import load_surface_model, surface_map
from vision.photo.loading import load_photo
from vision.pieces import fragments
from vision.pieces.outlines import LEAST_P, PIECE_P, WEAK_P, cut, grown_from
from vision.types import SurfaceMap

LEAST_SHARE = 1.2e-4
"""Of the photo; chosen: a smaller piece, true or found, is too little of one to judge by."""

PURE = 0.7
FOUND, WHOLE = 0.3, 0.6
"""Overlap from which a piece is found, and from which it is whole."""

PRIOR = 2.0
"""Each weight, for features as wide as their spread, is normal about 0 with a variance of 1 / 2."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """One photo's fragments, their pairs and the truth.

    Attributes:
        labels: ``(h, w)`` fragment at each pixel.
        piece: ``(h, w)`` how likely it is a piece's.
        gap: ``(h, w)`` how likely another begins there.
        pairs: That may be one piece.
        same: ``(n,)`` whether they are.
        known: ``(n,)`` whether that can be told.
        counts: ``(fragments, 256)`` pixels of each that truly are each piece's.
        areas: ``(256,)`` pixels of each true piece.
    """

    labels: fragments.Labels
    piece: Floats
    gap: Floats
    pairs: fragments.Pairs
    same: NDArray[np.bool_]
    known: NDArray[np.bool_]
    counts: Floats
    areas: NDArray[np.int64]

    @property
    def least_px(self) -> float:
        """Smaller pieces don't count."""
        return LEAST_SHARE * self.labels.size


def main() -> None:
    """Read the arguments, fit and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--cache", type=Path)
    parser.add_argument("--folds", type=int, default=7)
    asked = parser.parse_args()
    files = [p for folder in asked.photos for p in sorted(folder.glob("*.jpg"))]
    cuts = [read(p, asked.cache) for p in files]
    folds = [range(k, len(cuts), asked.folds) for k in range(asked.folds)]
    told: dict[int, tuple[Floats, Floats]] = {}
    for own in folds:
        fit_pairs([c for k, c in enumerate(cuts) if k not in own])
        for k in own:
            told[k] = _told(cuts[k])
    p, overlaps = [], []
    for own in folds:
        fit_groups([t for k, t in told.items() if k not in own])
        for k in own:
            features, overlap = told[k]
            p.append(fragments.whole_p(features))
            overlaps.append(overlap)
    likely = [overlap[one >= LEAST_P] for overlap, one in zip(overlaps, p, strict=True)]
    _print_found("likely pieces", likely)
    _print_found("all groups", overlaps)
    whole = np.concatenate([best_of(overlap) >= WHOLE for overlap in overlaps])
    _print_calibration(np.concatenate(p), whole)
    fit_pairs(cuts)
    fit_groups(list(told.values()))
    for name in ("WEIGHTS", "OFFSET", "WHOLE_WEIGHTS", "WHOLE_OFFSET"):
        print(name, "=", np.round(getattr(fragments, name), 3).tolist())


def read(path: Path, cache: Path | None = None) -> Cut:
    """Return a photo's fragments and the truth about its pairs."""
    surface = _looked_at(path, cache)
    piece, gap = surface.outline
    labels, count = cut(grown_from(piece > PIECE_P, piece > WEAK_P), gap)
    size = piece.shape[::-1]
    pairs = fragments.pairs_of(labels, fragments.Maps(gap=gap, surface=surface, size_px=size))
    told = cv2.imread(str(path.with_name(f"{path.stem}.pieces.png")), cv2.IMREAD_UNCHANGED)
    if told is None:
        raise ValueError(f"{path} has no pieces.png")
    truth = cv2.resize(told, size, interpolation=cv2.INTER_NEAREST_EXACT).astype(np.uint8)
    counts = np.zeros((count, 256))
    np.add.at(counts, (labels.ravel(), truth.ravel()), 1)
    area = counts.sum(axis=1)
    owned = counts[:, 1:]
    best, pure = owned.argmax(axis=1), owned.max(axis=1) > PURE * area
    return Cut(
        labels=labels,
        piece=piece,
        gap=gap,
        pairs=pairs,
        same=best[pairs.first] == best[pairs.second],
        known=pure[pairs.first] & pure[pairs.second],
        counts=counts,
        areas=np.bincount(truth.ravel(), minlength=256),
    )


def _looked_at(path: Path, cache: Path | None) -> SurfaceMap:
    """Return what the network sees on a photo, from a file where it looked before."""
    kept = cache / f"{path.parent.name}_{path.stem}.npz" if cache is not None else None
    names = ("p", "outline", "features", "tarnish_level")
    if kept is not None and kept.exists():
        with np.load(kept) as saved:
            maps = {name: saved[name].astype(np.float32) for name in names}
            return SurfaceMap(box_px=tuple(saved["box_px"].tolist()), **maps)
    photo = load_photo(path.read_bytes(), name=path.name)
    seen = surface_map(photo, model=load_surface_model())
    if kept is not None:
        kept.parent.mkdir(parents=True, exist_ok=True)
        maps = {name: getattr(seen, name).astype(np.float16) for name in names}
        np.savez(kept, box_px=seen.box_px, **maps)
    return seen


def fit_pairs(cuts: Sequence[Cut]) -> None:
    """Set the weights of pairs by those of some photos."""
    x = np.concatenate([c.pairs.features[c.known] for c in cuts])
    weights, fragments.OFFSET = fitted(x, np.concatenate([c.same[c.known] for c in cuts]))
    fragments.WEIGHTS = tuple(weights)


def fit_groups(told: Sequence[tuple[Floats, Floats]]) -> None:
    """Set the weights of groups by those of some photos."""
    x = np.concatenate([features for features, _ in told])
    y = np.concatenate([best_of(overlap) >= WHOLE for _, overlap in told])
    weights, fragments.WHOLE_OFFSET = fitted(x, y)
    fragments.WHOLE_WEIGHTS = tuple(weights)


def fitted(x: Floats, y: NDArray[np.bool_]) -> tuple[Floats, float]:
    """Return weights and offset of the log-odds of ``y``."""
    middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    scaled = np.column_stack([np.ones(len(x)), (x - middle) / spread])
    prior = PRIOR * (np.arange(x.shape[1] + 1) > 0)

    def loss(w: Floats) -> tuple[float, Floats]:
        odds = scaled @ w
        value = float((np.logaddexp(0, odds) - y * odds).sum() + (prior * w * w).sum() / 2)
        return value, scaled.T @ (1 / (1 + np.exp(-odds)) - y) + prior * w

    w = minimize(loss, np.zeros(scaled.shape[1]), jac=True, method="L-BFGS-B").x
    weights = w[1:] / spread
    return weights, float(w[0] - (weights * middle).sum())


def _told(one: Cut) -> tuple[Floats, Floats]:
    """Return what is told of each group, and its overlap with each true piece."""
    groups = fragments.joined(len(one.counts), one.pairs)
    features = fragments.whole_features(one.labels, groups, one.piece, one.gap)
    counts = np.zeros_like(one.counts)
    np.add.at(counts, groups.of, one.counts)
    area = counts.sum(axis=1)
    used = np.flatnonzero((area >= one.least_px) & (np.arange(len(area)) > 0))
    true = np.flatnonzero((one.areas >= one.least_px) & (np.arange(256) > 0))
    both = counts[np.ix_(used, true)]
    return features[used], both / (area[used, None] + one.areas[None, true] - both)


def best_of(overlap: Floats) -> Floats:
    """Return each group's overlap with the piece that it is, one to one; 0 where it is none."""
    best = np.zeros(len(overlap))
    for group, piece in panoptic.pairs(np.where(overlap >= FOUND, overlap, 0)):
        best[group] = overlap[group, piece]
    return best


def _print_found(name: str, overlaps: Sequence[Floats]) -> None:
    """Print how well the groups of all photos are found, by their overlaps with true pieces."""
    each = (panoptic.quality(one.T, ignored=[False] * len(one)) for one in overlaps)
    of = sum(each, panoptic.Quality())
    true, found = of.matched + of.missed, sum((best_of(o) >= FOUND).sum() for o in overlaps)
    false = of.matched + of.extra - found
    print(f"{name}: found {found / true:.3f}, false {false / true:.3f}, "
          f"quality {of.pq:.3f}, n {true}")  # fmt: skip


def _print_calibration(p: Floats, whole: NDArray[np.bool_]) -> None:
    for low in np.arange(0.0, 1.0, 0.1):
        own = (p >= low) & (p < low + 0.1)
        if own.any():
            print(f"one whole piece with {low:.1f} to {low + 0.1:.1f}: n {own.sum()}, "
                  f"true of {whole[own].mean():.2f}")  # fmt: skip


if __name__ == "__main__":
    main()
