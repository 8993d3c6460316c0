"""Go on training the head for the piece alone, over features that are computed once.

    python -m models.recipe.surface.head_only gather --train DIR --real DIR --start models \\
        --views 500 --out FILE
    python -m models.recipe.surface.head_only train --features FILE ... --start models --out DIR

The surface network stays as it is, so the file that ships computes a view's features once;
under each cover they are then all that the head ever sees. Minutes on a processor instead of a
large graphics card. The head starts from the shipped one and is held to it (``ANCHOR``;
Kirkpatrick et al., arXiv 1612.00796, all weights alike), so that what the first training
taught stays where the few new photos say nothing.

``train`` writes ``piece.onnx``, a copy of ``surface.onnx`` and ``training.json`` for
``calibrate.py``.
"""

from __future__ import annotations

import argparse
import copy
import json
import shutil
import time
import tomllib
from collections.abc import Sequence
from dataclasses import fields, replace
from datetime import UTC, datetime
from math import cos, pi
from pathlib import Path
from typing import Any

import numpy as np
import onnxruntime
import torch
from numpy.typing import NDArray
from torch import Tensor
from torch.nn import functional

from models.recipe.surface.augment import Sampler
from models.recipe.surface.export import PIECE_FILE, export_head
from models.recipe.surface.losses import PIECE_SHARES, piece_loss
from models.recipe.surface.piece_head import PieceAnswers, PieceHead
from models.recipe.surface.piece_views import PieceBatch, piece_views
from models.recipe.surface.store import read_store
from models.recipe.surface.warm import shipped_head
from vision.finish.surface import METADATA_FILE, MODEL_FILE

RATE = 8e-4
ANCHOR = 0.5
"""Weight of the mean squared distance from the first weights, in their own spread."""
BATCH = 192
MOST_CELLS, TRAINED_CELLS = 700, 200
"""Of a cover of more, so many are taken at random, each counting for more: kept, and in a step."""
TAUGHT = ("presence", "strange")
"""Scores of the head's that go on being taught; the other answers are held to what they were.
Leads of stranded cord taught a head that real things are stranded: 9 of 13 real steel pins."""
EMA_DECAY = 0.99
SAID_EVERY = 100
REAL_SHARE = 0.4
DRAWN = 16
"""Views drawn at a time."""
COVERS = 3
"""Times that covers of their pieces are drawn from the same views."""

Kept = dict[str, Any]
"""Ragged ``features`` ``(cells, c)`` and ``cover`` ``(cells,)``, ``ends`` of each cover, and
the truths of :class:`PieceBatch` for each."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Gather features, or train on those gathered."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    steps = parser.add_subparsers(required=True)
    first = steps.add_parser("gather")
    first.add_argument("--train", type=Path, required=True, help="folder of photos with truth")
    first.add_argument("--real", type=Path, required=True, help="folder written by real.py")
    first.add_argument("--views", type=int, default=500)
    first.add_argument("--real-share", type=float, default=REAL_SHARE, help="of the views")
    first.add_argument("--side-px", type=int, default=416)
    first.set_defaults(do=lambda asked: torch.save(gather(asked), asked.out))
    second = steps.add_parser("train")
    second.add_argument("--features", type=Path, nargs="+", required=True)
    second.add_argument("--steps", type=int, default=500)
    second.set_defaults(do=train_and_write)
    for step in (first, second):
        step.add_argument("--start", type=Path, required=True, help="folder of the shipped files")
        step.add_argument("--out", type=Path, required=True)
        step.add_argument("--seed", type=int, default=3)
    asked = parser.parse_args(arguments)
    torch.manual_seed(asked.seed)
    asked.do(asked)
    return 0


def train_and_write(asked: argparse.Namespace) -> None:
    """Train on kept features and write the files."""
    asked.out.mkdir(parents=True, exist_ok=True)
    kept = joined([torch.load(path, weights_only=True) for path in asked.features])
    began = time.monotonic()
    before = tomllib.loads((asked.start / METADATA_FILE).read_text(encoding="utf-8"))
    first = shipped_head(asked.start / PIECE_FILE)
    head = train(kept, first, steps=asked.steps, seed=asked.seed)
    told = before["training"]
    told |= {f"head_{name}": int(kept[name]) for name in ("views", "photos", "real_photos")}
    told |= {
        "head_pieces": len(kept["ends"]),
        "head_steps": asked.steps,
        "head_batch": BATCH,
        "head_minutes": round((time.monotonic() - began) / 60, 1),
        "head_seed": asked.seed,
        "date": datetime.now(UTC).date().isoformat(),
        "learned_rates": before["learned_rates"],
        "parity": export_head(copy.deepcopy(head), asked.out / PIECE_FILE),
    }
    shutil.copy(asked.start / MODEL_FILE, asked.out / MODEL_FILE)
    (asked.out / "training.json").write_text(json.dumps(told, indent=1) + "\n")


def gather(asked: argparse.Namespace) -> Kept:
    """Draw views and return what of them the head sees, with its truth."""
    common: dict[str, Any] = {"long_side_px": 1280, "seed": asked.seed, "workers": 2}
    sampler = Sampler(
        read_store(asked.train, **common),
        side_px=asked.side_px,
        device=torch.device("cpu"),
        seed=asked.seed,
        real=read_store(asked.real, **common),
        real_share=REAL_SHARE,
    )
    assert sampler.real is not None
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = torch.get_num_threads()
    network = onnxruntime.InferenceSession(
        str(asked.start / MODEL_FILE), options, providers=["CPUExecutionProvider"]
    )
    parts: list[Kept] = []
    for _ in range(0, asked.views, DRAWN):
        batch = sampler.draw(DRAWN)
        views = batch.rgb.permute(0, 2, 3, 1).to(torch.uint8).numpy()
        maps = np.stack([network.run(["features"], {"rgb": v[None]})[0][0] for v in views])
        for _ in range(COVERS):
            pieces = piece_views(batch, sampler.dice)
            parts.append(ragged(maps, pieces, sampler.dice))
    photos = len(sampler.rendered.store), len(sampler.real.store)
    return joined(parts) | {
        "views": DRAWN * len(parts) // COVERS,
        "photos": photos[0],
        "real_photos": photos[1],
    }


def joined(parts: Sequence[Kept]) -> Kept:
    """Return kept features and truths as one; counts are added up, of photos the most is told."""
    told: Kept = {}
    for name, first in parts[0].items():
        values = [part[name] for part in parts]
        if name == "ends":
            lengths = [v.diff(prepend=torch.zeros(1, dtype=torch.long)) for v in values]
            told[name] = torch.cat(lengths).cumsum(0)
        elif name == "views":
            told[name] = sum(values[1:], first)
        else:
            told[name] = torch.cat(values) if isinstance(first, Tensor) else max(values)
    return told


def ragged(features: NDArray[np.float32], pieces: PieceBatch, dice: torch.Generator) -> Kept:
    """Return the cells under each cover that is asked for anything, ``(cells, c)``, half precision.

    Args:
        features: ``(n, c, h, w)`` of the views.
        pieces: Their covers and truths, ``p`` a view.
        dice: For the choice among very many cells.
    """
    cells, covers, lengths, asked = [], [], [], []
    for view, at in pieces.valid.nonzero().tolist():
        weight = pieces.cover[view, at].flatten()
        own = weight.nonzero()[:, 0]
        scale = 1.0
        if len(own) > MOST_CELLS:
            scale = len(own) / MOST_CELLS
            own = own[torch.randperm(len(own), generator=dice)[:MOST_CELLS]]
        flat = torch.from_numpy(features[view]).flatten(1)
        cells.append(flat[:, own].T.half())
        covers.append((weight[own] * scale).half())
        lengths.append(len(own))
        asked.append(view * pieces.valid.shape[1] + at)
    chosen = torch.tensor(asked, dtype=torch.long)
    truths = {
        f.name: getattr(pieces, f.name).flatten(0, 1)[chosen]
        for f in fields(PieceBatch)
        if f.name != "cover"
    }
    return truths | {
        "features": torch.cat(cells),
        "cover": torch.cat(covers),
        "ends": torch.tensor(lengths).cumsum(0),
    }


def batch_of(
    kept: Kept, index: Tensor, *, most: int = MOST_CELLS, dice: torch.Generator | None = None
) -> tuple[Tensor, PieceBatch]:
    """Return features ``(b, c, 1, cells)`` and covers, padded with cells that count nothing.

    Of a cover of more than ``most`` cells so many are drawn, each counting for more.
    """
    ends = kept["ends"][index]
    starts = torch.where(index > 0, kept["ends"][(index - 1).clamp_min(0)], 0)
    count = ends - starts
    ticks = torch.arange(min(most, int(count.max())))
    drawn = (torch.rand(len(index), len(ticks), generator=dice) * count[:, None]).long()
    at = torch.where((count > most)[:, None], drawn, ticks)
    inside = at < count[:, None]
    at = starts[:, None] + torch.where(inside, at, 0)
    features = kept["features"][at].float().permute(0, 2, 1)[:, :, None]
    weight = inside * (count / most).clamp_min(1.0)[:, None]
    cover = (kept["cover"][at].float() * weight)[:, None, None]
    truths = {f.name: kept[f.name][index][:, None] for f in fields(PieceBatch) if f.name != "cover"}
    return features, PieceBatch(cover=cover, **truths)


def train(kept: Kept, first: PieceHead, *, steps: int, seed: int) -> PieceHead:
    """Return the running mean of a head trained from the first one."""
    head = copy.deepcopy(first).train()
    mean = copy.deepcopy(first).eval()
    anchors = [(p.detach().clone(), _spread(p.detach())) for p in first.parameters()]
    optimiser = torch.optim.AdamW(head.parameters(), lr=RATE, weight_decay=0.0)
    dice = torch.Generator().manual_seed(seed)
    sums: dict[str, float] = {}
    for step in range(steps):
        index = torch.randint(len(kept["ends"]), (BATCH,), generator=dice)
        features, views = batch_of(kept, index, most=TRAINED_CELLS, dice=dice)
        with torch.no_grad():
            before = first(features, views.cover)
        told = head(features, views.cover)
        _, parts = piece_loss(told, softened(views, before))
        parts = {name: parts[name] for name in TAUGHT} | {"kept": kept_answers(told, before, views)}
        loss = sum((PIECE_SHARES.get(n, 1.0) * v for n, v in parts.items()), torch.zeros(()))
        pull = torch.stack(
            [
                (((p - a) / s) ** 2).mean()
                for p, (a, s) in zip(head.parameters(), anchors, strict=True)
            ]
        ).mean()
        share = step / steps
        for group in optimiser.param_groups:
            group["lr"] = RATE * min(1.0, share / 0.05 + 0.02) * 0.5 * (1 + cos(pi * share))
        optimiser.zero_grad()
        (loss + ANCHOR * pull).backward()
        torch.nn.utils.clip_grad_norm_(head.parameters(), 5.0)
        optimiser.step()
        decay = min(EMA_DECAY, (step + 1) / (step + 10))
        with torch.no_grad():
            for kept_p, p in zip(mean.parameters(), head.parameters(), strict=True):
                kept_p.lerp_(p, 1 - decay)
        for name, part in (parts | {"pull": pull}).items():
            sums[name] = sums.get(name, 0.0) + float(part.detach())
        if (step + 1) % SAID_EVERY == 0:
            print(step + 1, {n: round(v / SAID_EVERY, 4) for n, v in sums.items()}, flush=True)
            sums = {}
    return mean


def softened(asked: PieceBatch, before: PieceAnswers) -> PieceBatch:
    """Return what is asked: of rendered pieces what was said of them before.

    Of 14,000 views the first training learned; the few hundred of this one would be learned by
    heart (Li and Hoiem, Learning without forgetting, arXiv 1606.09282). Of things that are no
    piece half is the truth and half what was said.
    """
    rendered = asked.counted > 0
    real = (asked.form >= 0) & ~rendered
    said = torch.sigmoid(before.presence)
    other = torch.where(rendered[..., None], said, 0.5 * (asked.presence + said))
    return replace(asked, presence=torch.where(real[..., None], asked.presence, other))


def kept_answers(told: PieceAnswers, before: PieceAnswers, asked: PieceBatch) -> Tensor:
    """Return how far answers that the real photos say nothing of have moved, over all pieces."""
    piece = (asked.form >= 0).float()

    def mean(off: Tensor, weight: Tensor) -> Tensor:
        return (off * weight).sum() / weight.sum().clamp_min(1.0)

    share = (told.share - before.share).square().mean(dim=(-1, -2))
    level = (
        (told.tarnish[..., 0] - before.tarnish[..., 0]) / before.tarnish[..., 1].exp()
    ).square()
    doubt = (told.tarnish[..., 1] - before.tarnish[..., 1]).square()
    shine = (torch.sigmoid(told.shine) - torch.sigmoid(before.shine)).square()
    form = functional.kl_div(
        told.form.log_softmax(-1), before.form.log_softmax(-1), reduction="none", log_target=True
    ).sum(dim=-1)
    return mean(0.1 * share + 0.3 * level + 0.3 * doubt + 3.0 * shine + 0.5 * form, piece)


def _spread(weights: Tensor) -> Tensor:
    return weights.square().mean().sqrt().clamp_min(1e-3)


if __name__ == "__main__":
    raise SystemExit(main())
