"""Writes down the truth of a rendered photo (schema ``cuproscope.truth/1``)."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from models.recipe.look.camera import Camera
from models.recipe.look.finishes import (
    BRASS,
    BRIGHT,
    COATED,
    FINISHES,
    GREEN,
    INSULATION,
    OTHER,
    SOLDER,
    TARNISHED,
    TINNED,
)
from models.recipe.pieces.piece import Piece
from models.recipe.scene.assembly import STRANGERS_FROM, Scene
from models.recipe.scene.rendering import Truth

SCHEMA = "cuproscope.truth/1"
# A patch of brass or solder smaller than this is no find anyone could check.
LEAST_PATCH_PX = 12


def shares(label: NDArray[np.uint8]) -> dict[str, float]:
    """Return the shares of the five finishes among the pixels given; they sum to 1."""
    counts = {name: int((label == index).sum()) for name, index in FINISHES.items()}
    total = sum(counts.values())
    return {name: count / total if total else 0.0 for name, count in counts.items()}


SEEN = {"coating": COATED, "insulation": INSULATION, "tin": TINNED, "green": GREEN,
        "brass": BRASS, "solder": SOLDER}  # fmt: skip
LEAST_SHARE = 0.001
"""Of a piece's visible area: less of something is not called present."""


def seen(label: NDArray[np.uint8]) -> dict[str, dict[str, Any]]:
    """Return for each thing that may be on a piece whether it is there, and how much.

    Args:
        label: Labels of the piece's visible pixels.
    """
    least = max(LEAST_PATCH_PX, LEAST_SHARE * label.size)
    told = {}
    for name, index in SEEN.items():
        count = int((label == index).sum())
        told[name] = {"present": count >= least, "share": round(count / max(label.size, 1), 5)}
    return told


def not_copper(label: NDArray[np.uint8]) -> dict[str, bool]:
    """Return whether the whole thing is another metal, or no metal at all.

    A thing without a copper-trade surface is another metal where at least half of what
    shows is metal (a screw, pliers by their jaws), else no metal.
    """
    trade = np.isin(label, [BRIGHT, TARNISHED, *SEEN.values()])
    if trade.mean() > LEAST_SHARE:
        return {"other_metal": bool((label == OTHER).mean() >= MOST), "not_metal": False}
    metal = bool((label == OTHER).mean() >= 0.5)
    return {"other_metal": metal, "not_metal": not metal}


MOST = 0.9
"""Share of other metal from which a thing with a little of something else is that metal."""


def boxes(mask: NDArray[np.bool_]) -> list[list[int]]:
    """Return boxes ``[x, y, width, height]`` of the patches of a mask, largest first."""
    import cv2

    joined = cv2.dilate(mask.astype(np.uint8), np.ones((5, 5), np.uint8))
    count, _, stats, _ = cv2.connectedComponentsWithStats(joined)
    out = []
    for k in range(1, count):
        x, y, w, h = (int(v) for v in stats[k, :4])
        inside = int(mask[y : y + h, x : x + w].sum())
        if inside >= LEAST_PATCH_PX:
            out.append(
                (
                    inside,
                    [x + 2 if w > 4 else x, y + 2 if h > 4 else y, max(w - 4, 1), max(h - 4, 1)],
                )
            )
    return [box for _, box in sorted(out, key=lambda item: -item[0])]


MOST_LIMBS = 96
"""Points kept of a round run."""


def _round_runs(piece: Piece, camera: Camera) -> list[dict[str, Any]]:
    """Return each round run's diameter and the sides it shows, as far as the window goes."""
    _, _, width, height = camera.window
    runs = []
    for axis, diameter in piece.round_runs:
        limbs = camera.limbs(axis, diameter_mm=diameter)
        middle = (limbs[:, :2] + limbs[:, 2:]) / 2
        reach = np.linalg.norm(limbs[:, 2:] - limbs[:, :2], axis=1)[:, None] + 8
        near = ((middle > -reach) & (middle < np.array([width, height]) + reach)).all(axis=1)
        if near.sum() < 2:
            continue
        rows = np.nonzero(near)[0]
        rows = rows[:: -(-len(rows) // MOST_LIMBS)]
        runs.append({"diameter_mm": diameter, "limbs_px": np.round(limbs[rows], 3).tolist()})
    return runs


MOST_SAMPLES = 600
"""Faces of a piece that are asked whether they show."""


def visible_share(scene: Scene, camera: Camera, truth: Truth, number: int) -> float:
    """Return how much of a piece's outline in the window shows, 1 where nothing lies on it.

    Faces that look at the camera are projected; what hides one is whatever other thing
    its pixel (or each of those around it) shows. A piece never hides itself.
    """
    faces = scene.mesh.faces[scene.face_piece == number]
    faces = faces[:: max(1, len(faces) // MOST_SAMPLES)]
    points = scene.mesh.points[faces].mean(axis=1)
    normals = scene.mesh.normals[faces].mean(axis=1)
    towards = ((camera.origin_mm - points) * normals).sum(axis=1) > 0
    xy = np.rint(camera.project(points[towards])).astype(int)
    height, width = truth.piece.shape
    inside = ((xy >= 1) & (xy < np.array([width - 1, height - 1]))).all(axis=1)
    x, y = xy[inside].T
    if not len(x):
        return 1.0
    shown = np.zeros(len(x), bool)
    for dy in (-1, 0, 1):
        for dx in (-1, 0, 1):
            shown |= truth.piece[y + dy, x + dx] == number
    return float(shown.mean())


def describe(
    scene: Scene,
    camera: Camera,
    truth: Truth,
    *,
    photo: str,
    split: str,
    seed: int,
    light: str,
    white_linear: NDArray[np.float64],
    mix: str = "hard",
) -> dict[str, Any]:
    """Return the truth of one photo, ready for JSON."""
    _, _, width, height = camera.window
    references = []
    for ref in scene.references:
        points = np.column_stack([ref.outline_mm, np.full(len(ref.outline_mm), ref.height_mm)])
        outline = camera.project(points)
        references.append(
            {
                "key": ref.key,
                "outline_px": np.round(outline, 3).tolist(),
                "face_height_mm": round(ref.height_mm, 4),
            }
        )
    found = []
    strange = []
    for number, what in enumerate(scene.strangers, start=STRANGERS_FROM):
        own = truth.piece == number
        if own.any():
            ys, xs = np.nonzero(own)
            coin = what == "loose_coin"  # metal, whatever its plating looks like
            told = {"other_metal": True, "not_metal": False} if coin else not_copper(
                truth.label[own])  # fmt: skip
            strange.append({"id": number - STRANGERS_FROM + 1, "what": what,
                            "box_px": [int(xs.min()), int(ys.min()), int(np.ptp(xs)) + 1,
                                       int(np.ptp(ys)) + 1],
                            "pixels": int(own.sum()), **told})  # fmt: skip
    for number, piece in enumerate(scene.pieces, start=1):
        own = truth.piece == number
        if not own.any():
            continue
        ys, xs = np.nonzero(own)
        label = truth.label[own]
        share = shares(label)
        bare = (label == TARNISHED) | (label == FINISHES["bright"]) | (label == GREEN)
        level = float(truth.level[own][bare].mean() / 255) if bare.any() else None
        metal = sum(share.values()) > 0
        brass, solder = own & (truth.label == BRASS), own & (truth.label == SOLDER)
        found.append(
            {
                "id": number,
                "form": piece.form,
                "stated_form": piece.stated_form,
                "diameter_mm": piece.diameter_mm,
                "strand_diameter_mm": piece.strand_diameter_mm,
                "strands": piece.strands,
                "material": piece.material,
                "box_px": [int(xs.min()), int(ys.min()), int(np.ptp(xs)) + 1, int(np.ptp(ys)) + 1],
                "touches_edge": bool(
                    xs.min() == 0
                    or ys.min() == 0
                    or xs.max() == width - 1
                    or ys.max() == height - 1
                ),
                "pixels": int(own.sum()),
                "shares": {name: round(value, 5) for name, value in share.items()},
                "tarnish_level": None if level is None else round(level, 4),
                "finish": max(share, key=lambda name: share[name]) if metal else None,
                "brass": bool(brass.sum() >= LEAST_PATCH_PX),
                "solder": bool(solder.sum() >= LEAST_PATCH_PX),
                "brass_share": round(float((label == BRASS).mean()), 5),
                "solder_share": round(float((label == SOLDER).mean()), 5),
                "seen": seen(label),
                "shine_share": round(float((label == BRIGHT).sum() / bare.sum()), 5)
                if bare.any()
                else None,
                **not_copper(label),
                "source": piece.source,
                "visible_share": round(visible_share(scene, camera, truth, number), 3),
                "brass_boxes_px": boxes(brass),
                "solder_boxes_px": boxes(solder),
                "facts": piece.facts,
                "round_runs": _round_runs(piece, camera),
            }
        )
    return {
        "schema": SCHEMA,
        "photo": photo,
        "split": split,
        "seed": seed,
        "width_px": width,
        "height_px": height,
        "focal_px": round(camera.focal_px, 4),
        "principal_point_px": [
            (camera.width_px - 1) / 2 - camera.window[0],
            (camera.height_px - 1) / 2 - camera.window[1],
        ],
        "focal_35mm": round(camera.focal_35mm, 2),
        "camera_height_mm": round(float(camera.origin_mm[2]), 3),
        "tilt_deg": round(camera.tilt_deg, 3),
        "light": light,
        "mix": mix,
        "white_linear": [round(float(v), 5) for v in white_linear],
        "table": scene.table,
        "references": references,
        "pieces": found,
        "strangers": strange,
    }
