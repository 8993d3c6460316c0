"""How much should network and physics count? Fit it on photos that neither was trained on.

    python -m models.recipe.fits.finish_mix --photos DIR [DIR ...] [--jobs N] [--out FILE]

Each ``DIR`` holds rendered photos with ``NAME.json``, ``NAME.pieces.png`` and
``NAME.labels.png``. Pieces are found as the tool finds them; what each pixel is comes
from the labels. Every piece counts the same, however large. Fitted, in this order:

* the weights of log probabilities of network and physics, by the log loss of the
  pixels' classes;
* how much of the class doubt is common to a piece: so that the stated variance of the
  shares is at least their mean squared error, for each finish;
* the weights of both tarnish levels by least squares, and the error that is left;
* log-odds of brass and solder, one row a piece, by ridge regression towards "the
  network as it is".

Prints each with the figures under cross-validation by photo, and what a bias by class
or features of the piece would have brought (nothing, when this was written).
"""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.optimize import minimize

if TYPE_CHECKING:
    from vision.finish.appearance import WorkCopy
    from vision.finish.flags import PartScene
    from vision.photo.white import WhiteEstimate
    from vision.types import Photo, Region, SurfaceMap

SAMPLES = 60
"""Pixels of a piece in the fit: more only repeat their neighbours."""
SHARE_SAMPLES = 400
FOLDS = 8
HALF = 0.5
FEWEST_PIECES = 10
RIDGE = 1.0
LEAST_P = 1e-3
FINISHES = ("bright", "tarnished", "green", "coated", "tinned")
CLASS_OF_LABEL = {2: 0, 3: 1, 4: 2, 5: 3, 6: 3, 7: 4, 9: 4, 10: 4, 8: 5}
"""From ``vision.types.Surface`` to bright, tarnished, green, coated, grey metal, brass."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Row:
    """What one found piece gives to the fit."""

    photo: str
    true: dict[str, Any]
    network: np.ndarray  # (n, 6) probabilities of sampled pixels
    physics: np.ndarray  # (n, 6)
    label: np.ndarray  # (n,) class, -1 where the pixel is not the piece's
    patches: float
    physics_level: float
    network_level: float | None
    brass: np.ndarray  # (3,) log-odds of the network, of physics, logarithm of the size
    solder: np.ndarray
    features: np.ndarray  # (3,) of the piece: highlight colour against shade, familiarity


def main(argv: Sequence[str] | None = None) -> int:
    """Fit on folders of photos and write the constants."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    parser.add_argument(
        "--physics",
        type=float,
        help="weight of physics, set by hand: where it brings nothing on renders, photos of "
        "real pieces must decide",
    )
    parser.add_argument("--out", type=Path, default=Path("vision/data/finish_mix.toml"))
    arguments = parser.parse_args(argv)
    truths = [t for folder in arguments.photos for t in sorted(folder.glob("*.json"))]
    with ProcessPoolExecutor(arguments.jobs) as pool:
        rows = [row for rows in pool.map(rows_of_file, truths) for row in rows]
    write(rows, arguments.out, physics=arguments.physics)
    return 0


# --- From photos to rows --------------------------------------------------------------


def rows_of_file(truth_file: Path) -> list[Row]:
    """Return the rows of one photo."""
    import cv2

    from rules.errors import PhotoError
    from vision.finish.surface import load_surface_model, surface_map
    from vision.photo.loading import load_photo_file
    from vision.photo.white import estimate_white
    from vision.pieces.finding import pieces_on
    from vision.reference.scale import detect_scale

    cv2.setNumThreads(1)
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    photo = load_photo_file(truth_file.parent / truth["photo"])
    key = truth["references"][0]["key"] if truth["references"] else "auto"
    try:
        scale = detect_scale(photo, key)
    except PhotoError:
        scale = None
    model = load_surface_model()
    if model is None:
        raise SystemExit("no surface model to mix with")
    white = scale.white if scale is not None else None
    overview = surface_map(photo, model=model, white=white)
    outlines = scale.outlines_px if scale is not None else ()
    regions = pieces_on(photo, overview, reference_outlines_px=outlines)
    maps = [surface_map(photo, model=model, box=r.box_px, white=white) for r in regions]
    stem = truth_file.with_suffix("")
    numbers = cv2.imread(f"{stem}.pieces.png", cv2.IMREAD_GRAYSCALE)
    labels = cv2.imread(f"{stem}.labels.png", cv2.IMREAD_GRAYSCALE)
    light = estimate_white(photo, scale)
    return rows_of(truth, photo, regions, maps, light, numbers=numbers, labels=labels)


def rows_of(
    truth: dict[str, Any],
    photo: Photo,
    regions: Sequence[Region],
    maps: Sequence[SurfaceMap],
    light: WhiteEstimate,
    *,
    numbers: np.ndarray,
    labels: np.ndarray,
) -> list[Row]:
    """Return the rows of a photo whose pieces and maps are known."""
    from bench.accuracy import match
    from vision.finish import judging as fin

    stand_ins = [SimpleNamespace(region=region) for region in regions]
    pairs = match(numbers, stand_ins, photo.width_px, photo.height_px)
    rng = np.random.default_rng(truth["seed"])
    rows = []
    for true in truth["pieces"]:
        index, _ = pairs.get(true["id"], (None, 0.0))
        if index is None:
            continue
        evidence = fin.gather_evidence(photo, regions[index], white=light, surface=maps[index])
        if evidence is None:
            continue
        assert evidence.network is not None
        work = evidence.work
        inside = np.flatnonzero(work.mask)
        at = rng.choice(inside, min(SHARE_SAMPLES, inside.size), replace=False)
        label = _labels_on(work, labels, numbers, true["id"]).ravel()[at]
        network = fin.network_classes(evidence.network)
        scene = fin.part_scene(evidence)
        assert scene.network_brass is not None
        assert scene.network_solder is not None
        high_bg = evidence.features[:, fin.FEATURES.index("high_bg")]
        low_bg = evidence.features[:, fin.FEATURES.index("low_bg")]
        slope = evidence.features[:, fin.FEATURES.index("slope_bg")]
        rows.append(
            Row(
                photo=truth["photo"],
                true=true,
                network=network.reshape(-1, 6)[at],
                physics=evidence.physics.reshape(-1, 6)[at],
                label=label,
                patches=fin.patch_count(work),
                physics_level=fin.physics_level(evidence)[0],
                network_level=fin.network_level(evidence, network),
                brass=_part(scene, scene.network_brass, scene.brass),
                solder=_part(scene, scene.network_solder, scene.grey),
                features=np.array(
                    [(high_bg - low_bg).mean(), slope.mean(), 2 * evidence.familiarity - 1]
                ),
            )
        )
    return rows


def _labels_on(work: WorkCopy, labels: np.ndarray, numbers: np.ndarray, number: int) -> np.ndarray:
    """Return the class of each working pixel of one piece, -1 elsewhere."""
    rows, columns = work.mask.shape
    x = (np.arange(columns) + 0.5) * work.factor + work.origin_px[0]
    y = (np.arange(rows) + 0.5) * work.factor + work.origin_px[1]
    x = np.clip(x.astype(int), 0, labels.shape[1] - 1)
    y = np.clip(y.astype(int), 0, labels.shape[0] - 1)
    lookup = np.full(256, -1)
    for label, name in CLASS_OF_LABEL.items():
        lookup[label] = name
    here = np.ix_(y, x)
    return np.where(numbers[here] == number, lookup[labels[here]], -1)


def _part(scene: PartScene, network: np.ndarray, colour: np.ndarray) -> np.ndarray:
    from vision.finish.flags import LEAST_COLOUR, LEAST_WIDTHS2, _logit, suspected_parts

    best = max((e for _, e in suspected_parts(scene, network, colour)), key=lambda e: e.peak)
    colour_p = float(np.clip(best.physics, LEAST_COLOUR, 1 - LEAST_COLOUR))
    return np.array([_logit(best.peak), _logit(colour_p), np.log(max(best.widths2, LEAST_WIDTHS2))])


# --- Fits ------------------------------------------------------------------------------


def pixel_p(row: Row, weights: np.ndarray, extra: np.ndarray | None = None) -> np.ndarray:
    """Return ``(n, 6)`` mixed probabilities of a row's pixels."""
    logs = weights[0] * np.log(np.maximum(row.network, LEAST_P))
    logs = logs + weights[1] * np.log(np.maximum(row.physics, LEAST_P))
    if extra is not None:
        logs = logs + extra
    e = np.exp(logs - logs.max(axis=1, keepdims=True))
    return e / e.sum(axis=1, keepdims=True)


def fit_weights(
    rows: Sequence[Row],
    *,
    free: tuple[bool, bool] = (True, True),
    describe: Callable[[Row], np.ndarray] | None = None,
    physics: float | None = None,
) -> tuple[np.ndarray, np.ndarray]:
    """Return the two weights, and ``(features, 6)`` of what else was asked for.

    Args:
        rows: What to fit on.
        free: Whether the network and physics may count at all.
        describe: Features of a piece that may shift its classes.
        physics: Weight of physics where it is set by hand.
    """
    used = [(r, np.flatnonzero(r.label >= 0)[:SAMPLES]) for r in rows]
    used = [(r, s) for r, s in used if s.size]
    net = np.concatenate([np.log(np.maximum(r.network[s], LEAST_P)) for r, s in used])
    phy = np.concatenate([np.log(np.maximum(r.physics[s], LEAST_P)) for r, s in used])
    label = np.concatenate([r.label[s] for r, s in used])
    weight = np.concatenate([np.full(s.size, 1 / s.size) for _, s in used])
    told = describe or (lambda _: np.zeros(0))
    more = np.concatenate([np.repeat(told(r)[None], s.size, axis=0) for r, s in used])
    n, q = label.size, more.shape[1]
    on = np.concatenate([np.array(free, float), np.ones(6 * q)])

    fixed = np.zeros_like(on)
    if physics is not None:
        on[1], fixed[1] = 0.0, physics

    def loss(t: np.ndarray) -> tuple[float, np.ndarray]:
        t = t * on + fixed
        w = t[2:].reshape(q, 6)
        logs = t[0] * net + t[1] * phy + more @ w
        e = np.exp(logs - logs.max(axis=1, keepdims=True))
        p = e / e.sum(axis=1, keepdims=True)
        value = -(weight * np.log(np.maximum(p[np.arange(n), label], 1e-9))).sum()
        rest = p.copy()
        rest[np.arange(n), label] -= 1
        rest *= weight[:, None]
        slope = [(rest * net).sum(), (rest * phy).sum()]
        inner = (more.T @ rest + 2 * RIDGE * w).ravel()
        return value + RIDGE * (w**2).sum(), np.concatenate([slope, inner]) * on

    start = np.concatenate([np.array(free, float) * 0.5, np.zeros(6 * q)])
    found = minimize(loss, start, jac=True, method="L-BFGS-B").x * on + fixed
    return found[:2], found[2:].reshape(q, 6)


def shares_of(p: np.ndarray) -> np.ndarray:
    """Return ``(n, 5)`` finishes of mixed pixels, brass colour folded in as the tool does."""
    everywhere = p[:, 5].mean()
    five = p[:, :5].copy()
    five[:, 1] += (1 - everywhere) * p[:, 5]
    five[:, 3] += everywhere * p[:, 5]
    return five / five.sum(axis=1, keepdims=True)


def _true_shares(row: Row) -> np.ndarray | None:
    shares = np.array([row.true["shares"].get(f, 0.0) for f in FINISHES], float)
    whole = row.true["material"] == "copper" and shares.sum() > 0
    return shares / shares.sum() if whole else None


def fit_together(rows: Sequence[Row], weights: np.ndarray) -> tuple[float, np.ndarray]:
    """Return the common part of the doubt, and z-scores of the share errors under it."""
    from vision.finish.judging import U_MODEL

    error, doubt, within, patches, truths = [], [], [], [], []
    for row in rows:
        truth = _true_shares(row)
        if truth is None:
            continue
        five = shares_of(pixel_p(row, weights))
        error.append(five.mean(axis=0) - truth)
        doubt.append((five * (1 - five)).mean(axis=0))
        within.append(five.var(axis=0))
        patches.append(row.patches)
        truths.append(truth)
    e, d, w = np.array(error), np.array(doubt), np.array(within)
    n = np.array(patches)[:, None]
    # variance = T d + ((1 - T) d + w) / n + U²: solve its mean over pieces for T, for each
    # finish with pieces enough; the largest, so that no finish is told surer than it is.
    fixed = (d + w) / n + U_MODEL**2
    enough = (np.array(truths) > HALF).sum(axis=0) >= FEWEST_PIECES
    solved = ((e**2).sum(axis=0) - fixed.sum(axis=0)) / (d - d / n).sum(axis=0)
    together = float(np.clip(solved[enough].max(), 0, 1))
    variance = together * d + ((1 - together) * d + w) / n + U_MODEL**2
    return together, e / np.sqrt(variance)


def fit_level(rows: Sequence[Row]) -> tuple[float, float]:
    """Return the network's weight in the tarnish level, and the error that is left."""
    known = [
        (r.network_level, r.physics_level, r.true["tarnish_level"])
        for r in rows
        if r.network_level is not None
        and r.true["finish"] in ("bright", "tarnished")
        and r.true["tarnish_level"] is not None
    ]
    net, phy, true = np.array(known, float).T
    part = float(np.clip(((true - phy) * (net - phy)).sum() / ((net - phy) ** 2).sum(), 0, 1))
    return part, float(np.sqrt(((part * net + (1 - part) * phy - true) ** 2).mean()))


AS_IT_IS = np.array([0.0, 1.0, 0.0, 0.0])
"""Bias, network, physics, size: the network's own word."""


def fit_flag(rows: Sequence[Row], flag: str) -> np.ndarray:
    """Return bias and weights of a flag's log-odds."""
    x = np.array([[1.0, *getattr(r, flag)] for r in rows])
    y = np.array([bool(r.true[flag]) for r in rows], float)

    def loss(t: np.ndarray) -> float:
        z = np.clip(x @ t, -30, 30)
        return float((np.logaddexp(0, z) - y * z).sum() + RIDGE * ((t - AS_IT_IS) ** 2).sum())

    bounds = [(None, None), (0, None), (0, None), (0, None)]
    return np.asarray(minimize(loss, AS_IT_IS, method="L-BFGS-B", bounds=bounds).x)


# --- Figures and file ------------------------------------------------------------------


def folds(rows: Sequence[Row]) -> list[tuple[list[Row], list[Row]]]:
    """Return learn and judge halves, no photo in both."""
    photos = sorted({r.photo for r in rows})
    place = {p: i % FOLDS for i, p in enumerate(np.random.default_rng(1).permutation(photos))}
    return [
        ([r for r in rows if place[r.photo] != k], [r for r in rows if place[r.photo] == k])
        for k in range(FOLDS)
    ]


def judge(told: Sequence[tuple[Row, np.ndarray]]) -> str:
    """Return log loss, Brier score, calibration and right dominant finishes, in words."""
    loss, brier, right, sure = [], [], [], []
    for row, p in told:
        s = np.flatnonzero(row.label >= 0)[:SAMPLES]
        if s.size:
            loss.append(-np.log(np.maximum(p[s, row.label[s]], 1e-4)).mean())
        truth = _true_shares(row)
        if truth is not None and row.true["finish"]:
            shares = shares_of(p).mean(axis=0)
            brier.append(((shares - truth) ** 2).sum())
            right.append(FINISHES[int(shares.argmax())] == row.true["finish"])
            sure.append(shares.max())
    order = np.array_split(np.argsort(sure), 10)
    hit, conf = np.array(right, float), np.array(sure)
    ece = sum(len(o) * abs(hit[o].mean() - conf[o].mean()) for o in order) / len(hit)
    return (
        f"log loss {np.mean(loss):.3f}, Brier {np.mean(brier):.3f}, ECE {ece:.3f}, "
        f"dominant right {sum(right)} of {len(right)}"
    )


def compare(rows: Sequence[Row]) -> list[str]:
    """Return one line for each way to mix, under cross-validation by photo."""
    ways: dict[str, dict[str, Any]] = {
        "network": {"free": (True, False)},
        "physics": {"free": (False, True)},
        "both": {},
        "both, bias by class": {"describe": lambda _: np.ones(1)},
        "both, features of the piece": {"describe": lambda r: np.array([1.0, *r.features])},
    }
    lines = []
    for name, options in ways.items():
        told = []
        for learn, test in folds(rows):
            weights, more = fit_weights(learn, **options)
            describe = options.get("describe")
            told += [
                (r, pixel_p(r, weights, None if describe is None else describe(r) @ more))
                for r in test
            ]
        lines.append(f"{name}: {judge(told)}")
    return lines


def flag_figures(rows: Sequence[Row], flag: str) -> str:
    """Return how a flag fares under cross-validation, in words."""
    p, y = [], []
    for learn, test in folds(rows):
        t = fit_flag(learn, flag)
        p += [1 / (1 + np.exp(-(np.array([1.0, *getattr(r, flag)]) @ t))) for r in test]
        y += [bool(r.true[flag]) for r in test]
    told, true = np.array(p), np.array(y)
    loss = -np.log(np.clip(np.where(true, told, 1 - told), 1e-4, 1)).mean()
    return (
        f"{flag}: found {(told[true] >= 0.5).sum()} of {true.sum()}, "
        f"false {(told[~true] >= 0.5).sum()} of {(~true).sum()}, log loss {loss:.3f}"
    )


def write(rows: Sequence[Row], out: Path, *, physics: float | None = None) -> None:
    """Fit on all rows, print the figures, write the constants."""
    for line in compare(rows):
        print(line)
    weights, _ = fit_weights(rows, physics=physics)
    together, z = fit_together(rows, weights)
    level_network, u_level = fit_level(rows)
    within = (np.abs(z) <= 2).mean()
    print(
        f"share errors: rms z {np.sqrt((z**2).mean()):.2f}, within 2 u {within:.3f}; "
        f"tarnish level: network {level_network:.2f}, error left {u_level:.3f}"
    )
    flags = {}
    for flag in ("brass", "solder"):
        print(flag_figures(rows, flag))
        flags[flag] = fit_flag(rows, flag)
    photos = len({r.photo for r in rows})
    today = datetime.now(UTC).date().isoformat()
    lines = [
        "# How much network and physics count: made by models/recipe/fits/finish_mix.py.",
        'schema = "cuproscope.finish-mix/1"',
        f'date = "{today}"',
        f'source = "{len(rows)} pieces of {photos} rendered photos, of seeds that the network '
        f'was not trained on{"; weight of physics set by hand" if physics is not None else ""}"',
        f"network = {weights[0]:.3f}",
        f"physics = {weights[1]:.3f}",
        f"together = {together:.3f}",
        f"level_network = {level_network:.3f}",
        f"u_level = {u_level:.3f}",
    ]
    for flag, t in flags.items():
        names = ("bias", "network", "physics", "size")
        lines += ["", f"[{flag}]", *(f"{n} = {v:.3f}" for n, v in zip(names, t, strict=True))]
    out.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    raise SystemExit(main())
