"""Tune the edge network on strips of rendered photos, with drawn profiles among them.

    python models/recipe/edge_tune.py --start vision/data/edge_net.npz \\
        --out vision/data/edge_net.npz --photos DIR [DIR ...] --seconds 1000

The photos come with truth (``models.recipe.render``). Each long piece's own pixels are
straightened; averaged over neighbouring cuts they place both edges to about 0.1 px.
Coils and tangles are left out. Half of each batch is drawn (``edge_profiles.py``), so
that what renders lack is not forgotten. Needs torch; runs on a processor.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import cv2
import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).parent))
sys.path.insert(0, str(Path(__file__).parents[2]))
from edge_net import EdgeNet, hide_some, inputs, load_weights, loss_of, save_weights
from edge_profiles import (
    REACH,
    SAMPLES,
    Batch,
    Draw,
    coded,
    decoded,
    draw_codes,
    lay_out,
    softened,
)

from vision.centreline import CentreLine, centre_line, smoothed
from vision.profiles import sample_at
from vision.types import Photo

CELLS = 768
REACH_WIDTHS = 2.6
ROWS = 160
"""Cuts kept of a piece, at most."""
LEAST_WIDTH_PX = 4.0
LEAST_PIXELS = 150
BATCH = 112
LONGEST_MEAN = 12
FAR_SHARE = 0.7
"""Photos are shrunk this often, so that thin pieces are not rare."""
THIN_PX = 6.5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class PieceStrip:
    """One straightened piece.

    Attributes:
        profiles: ``(n, CELLS, 3)`` linear light, float16, NaN off the photo.
        edges_widths: ``(n, 2)`` true edges in widths; NaN where the piece is not plain.
        width_px: Its width.
    """

    profiles: NDArray[np.float16]
    edges_widths: NDArray[np.float32]
    width_px: float


def strips_of(folder: Path) -> list[PieceStrip]:
    """Return the long pieces of all photos in a folder, straightened."""
    strips = []
    for file in sorted(folder.glob("*.json")):
        truth = json.loads(file.read_text(encoding="utf-8"))
        bgr = cv2.imread(str(file.with_name(truth["photo"])))
        numbers = cv2.imread(str(file.with_suffix(".pieces.png")), cv2.IMREAD_UNCHANGED)
        if bgr is None or numbers is None or numbers.shape != bgr.shape[:2]:
            continue
        photo = Photo(name=file.stem, sha256="", rgb=np.ascontiguousarray(bgr[..., ::-1]))
        for piece in truth["pieces"]:
            wound = piece["facts"].get("coil") or piece["facts"].get("tangled")
            if piece["form"] in ("wire", "tube", "stranded") and not wound:
                strip = None if piece["stated_form"] else _strip(photo, numbers == piece["id"])
                strips += [] if strip is None else [strip]
    return strips


def _strip(photo: Photo, own: NDArray[np.bool_]) -> PieceStrip | None:
    if own.sum() < LEAST_PIXELS:
        return None
    line = centre_line(own, step_px=1.0)
    if line is None or line.length_px < 3 * line.radius_px:
        return None
    count = len(line.points_px)
    trim = int(min(round(2 * line.radius_px), count // 5))
    inner = slice(trim, count - trim)
    points, tangents, normals = line.points_px[inner], line.tangents[inner], line.normals[inner]
    reach = 3 * line.radius_px + 3
    offsets = np.arange(-reach, reach, 0.25)
    at = (points[:, None] + offsets[None, :, None] * normals[:, None]).astype(np.float32)
    inside = cv2.remap(own.astype(np.float32), at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    total = np.maximum(inside.sum(axis=1), 1e-6)
    widths, centres = inside.sum(axis=1) * 0.25, inside @ offsets / total
    spread = (inside * (offsets - centres[:, None]) ** 2).sum(axis=1) / total
    width = float(np.median(widths))
    # One run as wide as the piece is: no fitting, no neighbour over it, no second limb.
    plain = np.abs(widths - width) < max(0.06 * width, 1.2)
    plain &= spread < 1.15 * widths**2 / 12 + 0.3
    if width < LEAST_WIDTH_PX or plain.sum() < 2 * LONGEST_MEAN:
        return None
    middle = smoothed(np.where(plain, centres, np.median(centres[plain])), max(1, line.radius_px))
    rows = np.linspace(0, len(points) - 1, min(ROWS, len(points))).astype(int)
    thinned = CentreLine(
        points_px=(points + middle[:, None] * normals)[rows],
        tangents=tangents[rows],
        radius_px=width / 2,
        radii_px=np.full(len(rows), width / 2),
        step_px=1.0,
    )
    seen = sample_at(
        photo, thinned, offsets_px=np.linspace(-REACH_WIDTHS, REACH_WIDTHS, CELLS) * width
    )
    edges = np.stack([centres - middle - widths / 2, centres - middle + widths / 2], axis=1) / width
    edges[~plain] = np.nan
    return PieceStrip(
        profiles=seen.profiles.astype(np.float16),
        edges_widths=edges[rows].astype(np.float32),
        width_px=width,
    )


def from_photos(strips: list[PieceStrip], d: Draw, rng: np.random.Generator) -> Batch:
    """Return profiles of random stretches of random pieces, laid out at random."""
    light = np.zeros((d.n, CELLS, 3), np.float32)
    known = np.zeros((d.n, CELLS), np.float32)
    edges, widths = np.zeros((d.n, 2), np.float32), np.zeros(d.n, np.float32)
    row = 0
    while row < d.n:
        strip = strips[rng.integers(len(strips))]
        count = int(np.exp(rng.uniform(0, np.log(LONGEST_MEAN))))
        start = rng.integers(max(1, len(strip.profiles) - count))
        chosen = slice(start, start + count)
        good = np.isfinite(strip.edges_widths[chosen, 0])
        if good.mean() < 0.7:
            continue
        cuts = strip.profiles[chosen][good].astype(np.float32)
        there = np.isfinite(cuts).all(axis=2)
        light[row] = np.where(there[..., None], cuts, 0).sum(axis=0)
        light[row] /= np.maximum(there.sum(axis=0), 1)[:, None]
        known[row] = there.any(axis=0)
        edges[row] = strip.edges_widths[chosen][good].mean(axis=0)
        widths[row] = strip.width_px
        row += 1
    width_px = torch.from_numpy(widths)
    code = coded(torch.from_numpy(light).clamp(0, 1))
    code, width_px = _from_further(d, code, width_px)
    # Other light, another tone.
    code = coded(
        (decoded(code) * torch.exp(d.normal(1, 3) * 0.06 + d.normal(1, 1) * 0.2)).clamp(0, 1)
    )
    return lay_out(
        d,
        code ** torch.exp(d.normal(1, 1) * 0.1),
        reach_widths=REACH_WIDTHS,
        edges_widths=torch.from_numpy(edges),
        width_px=width_px,
        kind=torch.zeros(d.n),
        known=torch.from_numpy(known),
    )


def _from_further(d: Draw, code: Tensor, width_px: Tensor) -> tuple[Tensor, Tensor]:
    """Blur as larger pixels would, and count the width in them."""
    far = (d.chance(FAR_SHARE) > 0) & (width_px > THIN_PX + 1.5)
    least = (THIN_PX / width_px).clamp(max=1)
    factor = torch.where(far, least ** d.uniform(0, 1), torch.ones_like(width_px))
    cell_px = 2 * REACH_WIDTHS * width_px / (CELLS - 1)
    sigma_px = 0.45 * torch.sqrt((1 / factor**2 - 1).clamp_min(0))
    blurred = softened(code, (sigma_px / cell_px).clamp(max=120)).clamp(0, 1)
    return blurred, width_px * factor


def drawn_codes(count: int) -> tuple[Tensor, Tensor]:
    """Return codes of cross-sections, to be laid out again and again, and widths."""
    codes, widths = [], []
    for part in range(math.ceil(count / 128)):
        code, width_px, _ = draw_codes(Draw(128, "cpu", 777_000 + part))
        codes.append(code.clamp(0, 1).half())
        widths.append(width_px)
    return torch.cat(codes), torch.cat(widths)


def drawn(codes: Tensor, widths: Tensor, d: Draw, rng: np.random.Generator) -> Batch:
    """Return drawn profiles, laid out anew."""
    rows = torch.from_numpy(rng.integers(len(codes), size=d.n))
    return lay_out(
        d,
        codes[rows].float(),
        reach_widths=REACH / 2,
        edges_widths=torch.tensor([[-0.5, 0.5]]).repeat(d.n, 1),
        width_px=widths[rows],
        kind=torch.zeros(d.n),
    )


def keep_some(net: EdgeNet, start: Path, *, share: float) -> None:
    """Average the weights with those it started from: drawn wires keep their accuracy.

    Averages of fine-tuned weights: Wortsman et al., ICML 2022.
    """
    before = EdgeNet(40)
    load_weights(before, start)
    with torch.no_grad():
        for now, then in zip(net.parameters(), before.parameters(), strict=True):
            now.lerp_(then, share)


def main() -> None:
    """Tune and write the weights."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--start", type=Path, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--seconds", type=float, default=1000)
    parser.add_argument("--drawn", type=int, default=17_000)
    parser.add_argument("--rate", type=float, default=1.5e-3)
    parser.add_argument("--keep", type=float, default=0.4)
    arguments = parser.parse_args()
    torch.set_num_threads(1)
    torch.manual_seed(5)
    rng = np.random.default_rng(5)
    strips = [strip for folder in arguments.photos for strip in strips_of(folder)]
    codes, widths = drawn_codes(arguments.drawn)
    print(f"{len(strips)} pieces, {len(codes)} drawn profiles", flush=True)
    net = EdgeNet(40)
    load_weights(net, arguments.start)
    optimizer = torch.optim.AdamW(net.parameters(), lr=arguments.rate, weight_decay=1e-4)
    began, step = time.time(), 0
    while (share := (time.time() - began) / arguments.seconds) < 1:
        for group in optimizer.param_groups:
            rise = min(1.0, (step + 1) / 30)
            group["lr"] = arguments.rate * rise * 0.5 * (1 + math.cos(math.pi * share))
        d = Draw(BATCH // 2, "cpu", 10_000 + step)
        loss = torch.zeros(())
        for batch in (drawn(codes, widths, d, rng), from_photos(strips, d, rng)):
            known = hide_some(batch, d.g)
            x, edges = inputs(batch.profiles, known, batch.width_px), batch.edges
            if step % 2:
                x, edges = x.flip(2), (SAMPLES - 1 - edges).flip(1)
            loss = loss + loss_of(net(x), edges) / 2
        optimizer.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimizer.step()
        step += 1
        if step % 20 == 0:
            print(f"step {step}  loss {loss.item():.4f}", flush=True)
    keep_some(net, arguments.start, share=arguments.keep)
    save_weights(net, arguments.out)
    print(f"tuned {step} steps of {BATCH}")


if __name__ == "__main__":
    main()
