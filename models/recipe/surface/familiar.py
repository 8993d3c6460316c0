"""How unlike what was trained a cell is: the nearest class's Mahalanobis distance.

Source: Lee et al., A simple unified framework for detecting out-of-distribution samples
(arXiv 1807.03888): one centre a class, one covariance for all.
"""

from __future__ import annotations

import torch

from models.recipe.surface.augment import Sampler
from models.recipe.surface.network import EMBEDDING, Deployed, SurfaceNet
from models.recipe.surface.store import CLASSES
from vision.types import Surface

BATCHES = 24
CELLS = 400
"""Most cells of a class in a batch, or the table outweighs everything."""
NEVER = 1e4
"""A centre so far off is never the nearest."""


@torch.no_grad()
def deployed(net: SurfaceNet, sampler: Sampler, *, batch: int, device: torch.device) -> Deployed:
    """Return the graph with the embedding's centre for each class and shared covariance.

    Strangers have no centre: to be like them is to be strange.
    """
    net.eval()
    sums = torch.zeros((CLASSES, EMBEDDING), dtype=torch.float64, device=device)
    counts = torch.zeros(CLASSES, dtype=torch.float64, device=device)
    square = torch.zeros((EMBEDDING, EMBEDDING), dtype=torch.float64, device=device)
    for _ in range(BATCHES if device.type == "cuda" else 4):
        drawn = sampler.draw(batch)
        embedding = net(drawn.rgb)[2]
        most, label = drawn.classes.max(dim=1)
        pure = most > 0.9
        x = embedding.permute(0, 2, 3, 1)[pure].double()
        label = label[pure]
        for c in range(CLASSES):
            mine = x[label == c]
            if len(mine) > CELLS:
                mine = mine[torch.randperm(len(mine), device=device)[:CELLS]]
            sums[c] += mine.sum(dim=0)
            counts[c] += len(mine)
            square += mine.T @ mine
    centre = sums / counts.clamp_min(1)[:, None]
    seen = counts > 0
    total = counts.sum()
    within = square / total - (centre[seen].T * counts[seen]) @ centre[seen] / total
    values, vectors = torch.linalg.eigh(within)
    values = values.clamp_min(1e-3 * float(values.mean()))
    whiten = (vectors / values.sqrt()).T
    centres = centre @ whiten.T
    centres[~seen] = NEVER
    centres[list(Surface).index(Surface.STRANGER)] = NEVER
    return Deployed(net, whiten=whiten.float(), centres=centres.float()).to(device).eval()
