"""How far off are the edges of wires and tubes, apart from outline and scale?

    python -m bench.edges DIR [DIR...] [--network FOLDER] [--out FILE.json]

Each wire and tube of photos with truth is measured through its true outline, and both edges are
held against its true sides in the photo, so what is told is the edges' error alone: no outline,
no reference, no camera. The sunny side is the one with the lighter table beside it.
"""

from __future__ import annotations

import argparse
import json
from collections import defaultdict
from collections.abc import Callable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import Any
from unittest.mock import patch

import cv2
import numpy as np

from bench.truth import off_px
from bench.widths import CLASSES_PX, LEAST_PX, is_heap
from vision.photo.loading import load_photo_file
from vision.pieces.centreline import centre_line
from vision.types import FloatArray, Photo
from vision.width import edge_net, near
from vision.width.budget import DOUBT_SHARE, EDGE_PX, EDGES_REL
from vision.width.edges import MIN_STRETCHES, Edges, find_edges
from vision.width.network import read_network
from vision.width.profiles import linear_at
from vision.width.runs import AGREE_PX, AGREE_REL, is_one_piece, plain_run

BESIDE_WIDTHS = (0.15, 0.6)
"""Where the table beside a piece is looked at, from its edge."""


def rows_of(truth_file: Path) -> Iterator[dict[str, Any]]:
    """Yield one row a wire or tube of a photo that has a run of known sides."""
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    own = [p for p in truth["pieces"] if p["form"] in ("wire", "tube") and p.get("round_runs")]
    if not own:
        return
    photo = load_photo_file(truth_file.parent / truth["photo"])
    file = truth_file.with_suffix(".pieces.png")
    numbers = np.asarray(cv2.imread(str(file), cv2.IMREAD_UNCHANGED))
    for piece in own:
        if is_heap(piece):
            continue
        x, y, w, h = piece["box_px"]
        row = _measured(photo, numbers[y : y + h, x : x + w] == piece["id"], piece)
        if row is not None:
            told = {"photo": truth["photo"], "piece": piece["id"], "form": piece["form"]}
            told |= {"finish": piece["finish"], "light": truth["light"], "table": truth["table"]}
            yield {**told, **row}


def _measured(photo: Photo, mask: np.ndarray, piece: Mapping[str, Any]) -> dict[str, Any] | None:
    """Return what is off about one piece; no ``error_px`` where no width was found."""
    limbs = max((np.asarray(run["limbs_px"], float) for run in piece["round_runs"]), key=len)
    true_px = float(np.median(np.linalg.norm(limbs[:, 2:] - limbs[:, :2], axis=1)))
    line = centre_line(mask, offset_px=tuple(piece["box_px"][:2]))
    if line is None or line.length_px < 4 * line.radius_px or len(limbs) < MIN_STRETCHES:
        return None
    row: dict[str, Any] = {"true_px": true_px}
    edges = find_edges(photo, line)
    if edges is None:
        return row
    off = off_px(edges.left_px, edges.right_px, limbs)
    true = edges.width_px - off.sum(axis=1)
    good = np.isfinite(true)
    edges, off, true = edges.only(good), off[good], true[good]
    if len(true) < MIN_STRETCHES:
        return row
    # In true widths, so that neither perspective nor scale comes in.
    as_wide = edges.width_px / true
    kept = plain_run(as_wide, tolerance_rel=max(AGREE_REL, AGREE_PX / float(np.median(true))))
    if kept.sum() < MIN_STRETCHES or not is_one_piece(as_wide, kept):
        return row
    light = _beside(photo, edges)
    doubt_px = float(np.median(edges.doubts_px[kept]))
    sunny = light.argmax(axis=1)
    at = np.arange(len(off))
    width_px = float(np.median(edges.width_px[kept]))
    told = {
        "width_px": width_px,
        "error_px": np.median(off.sum(axis=1)[kept]),
        "error_rel": np.median(as_wide[kept]) - 1,
        "sunny_px": np.median(off[at, sunny][kept]),
        "shaded_px": np.median(off[at, 1 - sunny][kept]),
        "shade": np.median((light.min(axis=1) / np.maximum(light.max(axis=1), 1e-6))[kept]),
        "scatter_px": 1.4826
        * np.median(np.abs(off.sum(axis=1) - np.median(off.sum(axis=1)))[kept]),
        "doubt_px": doubt_px,
        "u_px": np.sqrt(EDGE_PX**2 + (EDGES_REL * width_px) ** 2 + (DOUBT_SHARE * doubt_px) ** 2),
    }
    return row | {name: float(value) for name, value in told.items()}


def _beside(photo: Photo, edges: Edges) -> FloatArray:
    """Return ``(n, 2)`` how light the table is beside each edge."""
    across = (edges.right_px - edges.left_px) / edges.width_px[:, None]
    share = np.linspace(*BESIDE_WIDTHS, 7)[None, :, None] * edges.width_px[:, None, None]
    sides = [edges.left_px[:, None] - share * across[:, None],
             edges.right_px[:, None] + share * across[:, None]]  # fmt: skip
    return np.stack([np.nanmean(linear_at(photo, s), axis=(1, 2)) for s in sides], axis=1)


def class_px(row: Mapping[str, Any]) -> str:
    """Return the class of a piece's true width."""
    k = int(np.searchsorted(CLASSES_PX, row["true_px"], side="right")) - 1
    return f"{CLASSES_PX[k]:>3d} px on"


BY: dict[str, Callable[[Mapping[str, Any]], str]] = {
    "all": lambda _: "",
    "width": class_px,
    "finish": lambda r: str(r["finish"]),
    "light": lambda r: str(r["light"]),
    "table": lambda r: str(r["table"]),
    "finish and width": lambda r: f"{r['finish']}, {class_px(r)}",
}


def table_of(rows: Sequence[Mapping[str, Any]]) -> str:
    """Return the figures as a Markdown table."""
    lines = [
        f"From {LEAST_PX:g} px on; bias and medians over pieces, px off at either side outwards.",
        "| what | given | median | p90 | bias | px off | sunny | shaded | u held |",
        "| --- | --- | --- | --- | --- | --- | --- | --- | --- |",
    ]
    rows = [r for r in rows if r["true_px"] >= LEAST_PX]
    for form in ("wire", "tube"):
        for what, of in BY.items():
            groups = defaultdict(list)
            for row in rows:
                if row["form"] == form:
                    groups[of(row)].append(row)
            lines += [_line(f"{form}, {what} {k}", g) for k, g in sorted(groups.items())]
    return "\n".join(lines)


def _line(name: str, rows: Sequence[Mapping[str, Any]]) -> str:
    given = [r for r in rows if "error_px" in r]
    head = f"| {name} | {len(given)} of {len(rows)}"
    if not given:
        return f"{head} | - | - | - | - | - | - | - |"
    rel, px, sunny, shaded, u = (
        np.array([r[k] for r in given])
        for k in ("error_rel", "error_px", "sunny_px", "shaded_px", "u_px")
    )
    size = np.abs(rel)
    return (
        f"{head} | {100 * np.median(size):.2f} % | {100 * np.quantile(size, 0.9):.1f} %"
        f" | {100 * np.median(rel):+.2f} % | {np.median(px):+.2f} | {np.median(sunny):+.2f} | "
        f"{np.median(shaded):+.2f} | {100 * np.mean(np.abs(px) < 1.96 * u):.0f} % |"
    )


def main(argv: Sequence[str] | None = None) -> int:
    """Measure folders and print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("folders", type=Path, nargs="+")
    parser.add_argument("--network", type=Path, help="folder of another strip network")
    parser.add_argument("--out", type=Path, help="keep the rows here")
    asked = parser.parse_args(argv)
    cv2.setNumThreads(1)
    files = sorted(f for folder in asked.folders for f in folder.glob("*.json"))
    network = read_network(asked.network)
    with (
        patch.object(edge_net, "shipped", lambda: network),
        patch.object(near, "shipped", lambda: network),
    ):
        rows = [row for file in files for row in rows_of(file)]
    if asked.out:
        asked.out.write_text(json.dumps(rows), encoding="utf-8")
    print(table_of(rows))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
