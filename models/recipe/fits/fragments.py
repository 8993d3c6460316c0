"""Fit how likely two fragments of the outline map are one piece.

    python -m models.recipe.fits.fragments --photos DIR ... [--folds 5]

Photos with the true number of the piece at each pixel (``NAME.pieces.png``), tables full of
things above all. Pairs are those of :mod:`vision.pieces.fragments`; a fragment counts where
seven tenths of it are one piece's. Logistic regression with a weak prior; printed are the
constants of that module, and what pieces come out of photos that a fold left out: found
(overlap 0.3, one to one), false ones a true piece, panoptic quality (Kirillov et al., arXiv
1801.00868).
"""

from __future__ import annotations

import argparse
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment, minimize

from vision.finish.surface import load_surface_model, surface_map
from vision.photo.loading import load_photo
from vision.photo.reduced import resized
from vision.pieces import fragments
from vision.pieces.finding import MIN_AREA_SHARE
from vision.pieces.outlines import PIECE_P, WEAK_P, cut, grown_from

PURE = 0.7
FOUND, MATCHED = 0.3, 0.5
"""Overlap from which a piece is found, and from which panoptic quality counts it."""

Floats = NDArray[np.float64]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Cut:
    """One photo's fragments, their pairs and the truth.

    Attributes:
        labels: ``(h, w)`` fragment at each pixel.
        pairs: That may be one piece.
        same: ``(n,)`` whether they are.
        known: ``(n,)`` whether that can be told.
        truth: ``(h, w)`` true number of the piece.
    """

    labels: fragments.Labels
    pairs: fragments.Pairs
    same: NDArray[np.bool_]
    known: NDArray[np.bool_]
    truth: NDArray[np.uint8]


def main() -> None:
    """Read the arguments, fit and print."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--folds", type=int, default=5)
    asked = parser.parse_args()
    cuts = [read(p) for folder in asked.photos for p in sorted(folder.glob("*.jpg"))]
    pieces = np.zeros(5)
    for fold in range(asked.folds):
        weights, offset = fitted([c for k, c in enumerate(cuts) if k % asked.folds != fold])
        fragments.WEIGHTS, fragments.OFFSET = tuple(weights), offset
        for own in cuts[fold :: asked.folds]:
            group, _ = fragments.joined(np.bincount(own.labels.ravel()), own.pairs)
            pieces += compared(group[own.labels], own.truth)
    true, found, extra, overlap, matched = pieces
    quality = overlap / (matched + (found + extra - matched) / 2 + (true - matched) / 2)
    print(
        f"found {found / true:.3f}, false {extra / true:.3f}, quality {quality:.3f}, n {true:.0f}"
    )
    weights, offset = fitted(cuts)
    print(f"WEIGHTS = {tuple(np.round(weights, 3).tolist())}\nOFFSET = {offset:.3f}")


def read(path: Path) -> Cut:
    """Return a photo's fragments and the truth about its pairs."""
    photo = load_photo(path.read_bytes(), name=path.name)
    piece, gap = surface_map(photo, model=load_surface_model()).outline
    labels, count = cut(grown_from(piece > PIECE_P, piece > WEAK_P), gap)
    size = piece.shape[::-1]
    pairs = fragments.pairs_of(labels, gap, resized(photo.rgb, size))
    told = cv2.imread(str(path.with_name(f"{path.stem}.pieces.png")), cv2.IMREAD_UNCHANGED)
    if told is None:
        raise ValueError(f"{path} has no pieces.png")
    truth = cv2.resize(told, size, interpolation=cv2.INTER_NEAREST_EXACT).astype(np.uint8)
    counts = np.zeros((count, 256))
    np.add.at(counts, (labels.ravel(), truth.ravel()), 1)
    area = counts.sum(axis=1)
    counts[:, 0] = 0
    best, pure = counts.argmax(axis=1), counts.max(axis=1) > PURE * area
    one, two = best[pairs.first], best[pairs.second]
    known = pure[pairs.first] & pure[pairs.second]
    return Cut(labels=labels, pairs=pairs, same=(one == two) & (one > 0),
               known=known, truth=truth)  # fmt: skip


def fitted(cuts: Sequence[Cut]) -> tuple[Floats, float]:
    """Return weights and offset of the log-odds."""
    x = np.concatenate([c.pairs.features[c.known] for c in cuts])
    y = np.concatenate([c.same[c.known] for c in cuts]).astype(float)
    middle, spread = x.mean(axis=0), x.std(axis=0) + 1e-9
    scaled = (x - middle) / spread

    def loss(w: Floats) -> float:
        odds = scaled @ w[1:] + w[0]
        return float((np.logaddexp(0, odds) - y * odds).sum() + 0.5 * (w[1:] ** 2).sum())

    w = minimize(loss, np.zeros(x.shape[1] + 1), method="L-BFGS-B").x
    weights = w[1:] / spread
    return weights, float(w[0] - (weights * middle).sum())


def compared(labels: NDArray[np.int64], truth: NDArray[np.uint8]) -> Floats:
    """Return numbers of true, found and false pieces, and sum and number of good overlaps."""
    least = MIN_AREA_SHARE * labels.size
    ours, theirs = (
        [k for k, n in zip(*np.unique(m, return_counts=True), strict=True) if k and n >= least]
        for m in (labels, truth)
    )
    overlap = np.zeros((len(ours), len(theirs)))
    for i, a in enumerate(ours):
        for j, b in enumerate(theirs):
            both = float(((labels == a) & (truth == b)).sum())
            overlap[i, j] = both / max(float(((labels == a) | (truth == b)).sum()), 1.0)
    rows, columns = linear_sum_assignment(-overlap)
    best = overlap[rows, columns]
    found, matched = int((best >= FOUND).sum()), best[best > MATCHED]
    return np.array([len(theirs), found, len(ours) - found, matched.sum(), len(matched)])


if __name__ == "__main__":
    main()
