"""Train the surface network for a set time and write the files that ship.

    python -m models.recipe.surface.train --train DIR --validation DIR --weights FILE \\
        --minutes 7 --out DIR

writes to OUT: ``surface.onnx``, ``surface.toml``, ``figures.json``, ``log.jsonl``,
``worst.png``, ``views.png`` and ``network.pt`` (to go on from with ``--start``).
``--minutes`` is the time of the training steps alone; reading the photos comes before
it, calibration and figures after it (about a minute each on 16 cores).
"""

from __future__ import annotations

import argparse
import copy
import json
import time
from collections.abc import Iterator
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from datetime import UTC, datetime
from math import cos, pi
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor, nn
from torch.nn import functional

from models.recipe.surface.augment import PARTS, Batch, Sampler
from models.recipe.surface.evaluate import calibration_error, evaluate, figures_table, read_views
from models.recipe.surface.export import export_onnx, write_metadata
from models.recipe.surface.network import EMBEDDING, Deployed, SurfaceNet, load_encoder_weights
from models.recipe.surface.store import CLASSES, Store, read_store
from vision.finish.surface import read_surface_model  # the shipped way in, so that it is tried too
from vision.types import Surface

HEAD_RATE = 2e-3
ENCODER_RATE = 5e-4
WEIGHT_DECAY = 0.02
WARM_UP = 0.06
EMA_DECAY = 0.998
CLIP = 5.0
DICE_SHARE = 0.5
TARNISH_SHARE = 2.0
OUTLINE_SHARE = 1.0
GAP_WEIGHT = 4.0
"""A pixel where pieces meet counts so much more than one where they don't."""
FREQUENCY_POWER = 0.35
"""A class's weight in the cross entropy falls with this power of its area share."""

CHECKED_VIEWS = 24
"""Looked at for a line of the log, at most twice as many; the figures at the end see all."""

FAMILIAR_BATCHES = 24
STRANGE_QUANTILE = 0.99
_ORDER = list(Surface)


@dataclass(slots=True)
class Progress:
    """Where a timed training stands."""

    steps: int = 0
    said: int = 0
    share: float = 0.0


def main() -> None:
    """Read the arguments and train."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--train", type=Path, required=True, help="folder of photos with truth")
    parser.add_argument("--validation", type=Path, required=True, help="the same, other seeds")
    parser.add_argument("--weights", type=Path, help="ImageNet weights of the encoder")
    parser.add_argument("--start", type=Path, help="network.pt of an earlier training")
    parser.add_argument("--minutes", type=float, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--side-px", type=int, default=512, help="of a training view")
    parser.add_argument("--stored-px", type=int, default=1280, help="longer side kept of a photo")
    parser.add_argument("--workers", type=int, default=16)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--limit", type=int, help="use so many photos only")
    parser.add_argument(
        "--without", nargs="*", default=[], choices=PARTS, help="leave this variation out"
    )
    asked = parser.parse_args()
    if asked.weights is None and asked.start is None:
        parser.error("--weights or --start is needed")
    train(asked)


def train(asked: argparse.Namespace) -> None:
    """Train, calibrate, export and evaluate."""
    torch.manual_seed(asked.seed)
    cv2.setNumThreads(1)
    torch.backends.cudnn.allow_tf32 = False  # training runs in bfloat16, all else exactly
    # Not benchmark mode: validation views differ in size, and trying every convolution anew
    # for each size took 224 s of a 4-minute training on an H100.
    torch.backends.cudnn.benchmark = False
    device = torch.device("cuda" if torch.cuda.is_available() else "cpu")
    asked.out.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    store = _kept_near(
        read_store(
            asked.train,
            long_side_px=asked.stored_px,
            seed=asked.seed,
            workers=asked.workers,
            limit=asked.limit,
        ),
        device,
    )
    views = read_views(asked.validation, workers=asked.workers, limit=asked.limit)
    said = f"{len(store)} photos, {len(views)} validation views, on {store.planes.device}"
    print(f"{said}; read in {time.monotonic() - began:.0f} s", flush=True)

    net = SurfaceNet(CLASSES)
    if asked.start:
        net.load_state_dict(torch.load(asked.start, map_location="cpu", weights_only=True))
    else:
        load_encoder_weights(net, asked.weights)
    net = net.to(device, memory_format=torch.channels_last)
    sampler = Sampler(
        store, side_px=asked.side_px, device=device, seed=asked.seed, without=asked.without
    )
    progress, kept = _fit(net, sampler, views, asked, device)
    torch.save(kept.state_dict(), asked.out / "network.pt")

    graph = _familiar(kept, sampler, batch=asked.batch, device=device)
    names = sorted({v.name for v in views})
    fitted = set(names[0::2])  # by photo: two views of one photo are not independent
    first = [v for v in views if v.name in fitted]
    second = [v for v in views if v.name not in fitted]
    temperature = _temperature(graph, first, device)
    limit = _strangeness_limit(graph, first, device)
    sample = sampler.draw(12)
    _save_views(sample, kept, asked.out / "views.png", device)
    parity = export_onnx(copy.deepcopy(graph), asked.out / "surface.onnx")
    training = {
        "photos": len(store),
        "validation_photos": len({v.name for v in views}),
        "steps": progress.steps,
        "batch": asked.batch,
        "side_px": asked.side_px,
        "stored_px": asked.stored_px,
        "minutes": asked.minutes,
        "seed": asked.seed,
        "without": asked.without,
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device.type == "cuda" else "cpu",
        "parity": parity,
    }
    date = datetime.now(UTC).date().isoformat()
    meta: dict[str, Any] = {
        "temperature": temperature,
        "strangeness_limit": limit,
        "training": training,
        "date": date,
    }
    write_metadata(asked.out, **meta, figures={})
    model = read_surface_model(asked.out)
    before = _calibration_error(graph, second, device, temperature=1.0)
    after = _calibration_error(graph, second, device, temperature=temperature)
    figures = evaluate(
        views, model, worst=asked.out / "worst.png", workers=max(1, asked.workers // 2)
    )
    figures["ece_uncalibrated"], figures["ece"] = before, after
    figures["strange_hue_shifted"] = _flagged_share(graph, second, device, limit, shift=True)
    figures["strange_as_they_are"] = _flagged_share(graph, second, device, limit, shift=False)
    write_metadata(asked.out, **meta, figures=figures_table(figures))
    (asked.out / "figures.json").write_text(json.dumps(figures, indent=1) + "\n")
    print(json.dumps(figures_table(figures), indent=1))


def _kept_near(store: Store, device: torch.device) -> Store:
    """Move the photos onto the GPU where they leave room for training."""
    if device.type != "cuda":
        return store
    free, _ = torch.cuda.mem_get_info()
    if store.planes.numel() > 0.45 * free:
        return store
    return Store(
        planes=store.planes.to(device),
        size=store.size,
        white=store.white,
        points=store.points,
        has=store.has,
        truths=store.truths,
    )


def _fit(
    net: SurfaceNet,
    sampler: Sampler,
    views: list[Any],
    asked: argparse.Namespace,
    device: torch.device,
) -> tuple[Progress, SurfaceNet]:
    """Train for the time asked and return the running mean of the network's weights."""
    kept = copy.deepcopy(net).eval().requires_grad_(requires_grad=False)
    encoder = list(net.encoder.parameters())
    ids = {id(p) for p in encoder}
    rest = [p for p in net.parameters() if id(p) not in ids]
    optimiser = torch.optim.AdamW(
        [{"params": encoder, "rate": ENCODER_RATE}, {"params": rest, "rate": HEAD_RATE}],
        lr=HEAD_RATE,
        weight_decay=WEIGHT_DECAY,
        fused=device.type == "cuda",
    )
    weight = _class_weights(sampler, asked.batch).to(device)
    print("class weights", [round(float(w), 2) for w in weight], flush=True)
    progress = Progress()
    log = (asked.out / "log.jsonl").open("w")
    began, told = time.monotonic(), 0.0
    running = torch.zeros(5, device=device)
    net.train()
    while progress.share < 1.0:
        batch = sampler.draw(asked.batch)
        _set_rates(optimiser, progress.share)
        with _mixed(device):
            logits, tarnish, _, outline = net(
                batch.rgb.contiguous(memory_format=torch.channels_last)
            )
        parts = _loss(logits.float(), tarnish.float(), outline.float(), batch, weight)
        optimiser.zero_grad(set_to_none=True)
        parts[0].backward()
        nn.utils.clip_grad_norm_(net.parameters(), CLIP)
        optimiser.step()
        progress.steps += 1
        _follow(kept, net, decay=min(EMA_DECAY, progress.steps / (progress.steps + 10)))
        running += torch.stack([p.detach() for p in parts])
        if progress.steps % 5 == 0 and device.type == "cuda":
            torch.cuda.synchronize()
        spent = time.monotonic() - began
        progress.share = spent / (60 * asked.minutes)
        if spent - told > 60 or progress.share >= 1.0:
            said = _say(progress, running, spent, told, kept, views, device)
            log.write(json.dumps(said) + "\n")
            log.flush()
            print(json.dumps(said), flush=True)
            told = time.monotonic() - began
            running.zero_()
            progress.said = progress.steps
    log.close()
    return progress, kept


def _say(
    progress: Progress,
    running: Tensor,
    spent: float,
    told: float,
    kept: SurfaceNet,
    views: list[Any],
    device: torch.device,
) -> dict[str, Any]:
    """Return a line for the log: losses since the last line, figures of some views."""
    names = ("loss", "cross_entropy", "dice", "tarnish", "outline")
    total = running.tolist()
    steps = max(1, progress.steps - progress.said)
    hits = torch.zeros((CLASSES, CLASSES), dtype=torch.int64)
    errors: list[float] = []
    hit = either = 0.0
    for view, (logits, tarnish, _, outline) in _answers(
        kept, views[:: max(1, len(views) // CHECKED_VIEWS)], device
    ):
        truth = view.classes.argmax(axis=0)
        known = view.known > 0.5
        found = logits.argmax(dim=0).cpu().numpy()
        both = truth[known].astype(np.int64) * CLASSES + found[known]
        hits += torch.bincount(torch.from_numpy(both), minlength=CLASSES**2).view(CLASSES, CLASSES)
        bare = view.bare > 0.5
        if bare.any():
            errors.append(float(np.abs(tarnish.cpu().numpy() - view.tarnish)[bare].mean()))
        if view.pieces is not None:
            drawn = outline[0].cpu().numpy() > 0
            hit += float((drawn & view.pieces).sum())
            either += float((drawn | view.pieces).sum())
    union = hits.sum(0) + hits.sum(1) - hits.diag()
    iou = {
        str(_ORDER[c]): round(float(hits[c, c] / union[c]), 3) for c in range(CLASSES) if union[c]
    }
    said: dict[str, Any] = {
        "s": round(spent),
        "steps": progress.steps,
        "mean_iou": round(float(np.mean(list(iou.values()))), 4),
        "outline_iou": round(hit / max(1.0, either), 4),
        "tarnish_error": round(float(np.mean(errors)), 4) if errors else None,
        "iou": iou,
        "since_s": round(spent - told),
    }
    said |= {n: round(v / steps, 4) for n, v in zip(names, total, strict=True)}
    return said


def _mixed(device: torch.device) -> AbstractContextManager[Any]:
    if device.type == "cuda":
        return torch.autocast("cuda", dtype=torch.bfloat16)
    return nullcontext()


def _set_rates(optimiser: torch.optim.Optimizer, share: float) -> None:
    warm = min(1.0, share / WARM_UP + 0.02)
    fall = 0.5 * (1 + cos(pi * min(1.0, max(0.0, (share - WARM_UP) / (1 - WARM_UP)))))
    for group in optimiser.param_groups:
        group["lr"] = group["rate"] * warm * max(fall, 0.005)


@torch.no_grad()
def _follow(kept: nn.Module, net: nn.Module, *, decay: float) -> None:
    theirs = net.state_dict()
    own = kept.state_dict()
    floats = [n for n, v in own.items() if v.is_floating_point()]
    torch._foreach_lerp_([own[n] for n in floats], [theirs[n] for n in floats], 1 - decay)


def _class_weights(sampler: Sampler, batch: int) -> Tensor:
    """Return weights of the classes from their share of the area in a few batches."""
    share = torch.zeros(CLASSES)
    for _ in range(4):
        share += sampler.draw(batch).classes.mean(dim=(0, 2, 3)).cpu()
    share = (share / share.sum()).clamp_min(1e-4)
    weight = (1 / share) ** FREQUENCY_POWER
    return (weight / (weight * share).sum()).clamp(0.3, 5.0)


def _loss(
    logits: Tensor, tarnish: Tensor, outline: Tensor, batch: Batch, weight: Tensor
) -> tuple[Tensor, ...]:
    """Return the loss and its parts: cross entropy, dice of the metals, tarnish, outlines."""
    logp = functional.log_softmax(logits, dim=1)
    weighted = batch.classes * weight[None, :, None, None]
    entropy = -(weighted * logp).sum() / weighted.sum().clamp_min(1.0)
    p = logp.exp() * batch.known[:, None]
    overlap = (p * batch.classes).sum(dim=(0, 2, 3))
    total = (p * p + batch.classes * batch.classes).sum(dim=(0, 2, 3))
    seen = batch.classes.sum(dim=(0, 2, 3)) > 20
    dice = 1 - (2 * overlap + 1) / (total + 1)
    dice = (dice * seen)[1:].sum() / seen[1:].sum().clamp_min(1)
    wrong = ((tarnish - batch.tarnish).abs() * batch.bare).sum() / batch.bare.sum().clamp_min(1.0)
    drawn = _outline_loss(outline, batch)
    loss = entropy + DICE_SHARE * dice + TARNISH_SHARE * wrong + OUTLINE_SHARE * drawn
    return loss, entropy, dice, wrong, drawn


def _outline_loss(outline: Tensor, batch: Batch) -> Tensor:
    """Return cross entropy and dice of both planes, over views that tell pieces apart."""
    told = batch.told[:, None, None]
    piece, gap = outline[:, 0], outline[:, 1]
    count = told.sum().clamp_min(1) * piece[0].numel()
    bce = functional.binary_cross_entropy_with_logits
    one = (bce(piece, batch.piece, reduction="none") * told).sum() / count
    # Where pieces meet is only asked on the pieces: beside them nobody reads it.
    close = told * (batch.piece > 0) * (1 + (GAP_WEIGHT - 1) * batch.gap)
    two = (bce(gap, batch.gap, reduction="none") * close).sum() / close.sum().clamp_min(1)
    dice = 0.0
    for logit, truth, where in ((piece, batch.piece, told), (gap, batch.gap, close > 0)):
        p, t = logit.sigmoid() * where, truth * where
        dice = dice + 1 - (2 * (p * t).sum() + 1) / ((p * p).sum() + (t * t).sum() + 1)
    return 2 * one + 0.5 * two + 0.5 * dice


@torch.no_grad()
def _answers(
    net: nn.Module, views: list[Any], device: torch.device, *, shift: bool = False
) -> Iterator[tuple[Any, tuple[Tensor, ...]]]:
    """Yield each view with what a network in eval mode says of it."""
    net.eval()
    # Views differ in size, and cuDNN compiles convolutions anew for each size: 60 s went into
    # a dozen views on an H100. PyTorch's own kernels take milliseconds.
    with torch.backends.cudnn.flags(enabled=False):
        for view in views:
            rgb = torch.from_numpy(view.rgb[..., [1, 2, 0]] if shift else view.rgb).to(device)
            shown = rgb[None] if isinstance(net, Deployed) else rgb.permute(2, 0, 1)[None].float()
            yield view, tuple(part[0].float() for part in net(shown))


@torch.no_grad()
def _familiar(net: SurfaceNet, sampler: Sampler, *, batch: int, device: torch.device) -> Deployed:
    """Return the graph with the embedding's centre for each class and shared covariance."""
    sums = torch.zeros((CLASSES, EMBEDDING), dtype=torch.float64, device=device)
    counts = torch.zeros(CLASSES, dtype=torch.float64, device=device)
    square = torch.zeros((EMBEDDING, EMBEDDING), dtype=torch.float64, device=device)
    rounds = FAMILIAR_BATCHES if device.type == "cuda" else 4
    for _ in range(rounds):
        drawn = sampler.draw(batch)
        embedding = net(drawn.rgb)[2]
        most, label = drawn.classes.max(dim=1)
        pure = most > 0.9
        x = embedding.permute(0, 2, 3, 1)[pure].double()
        label = label[pure]
        # A hundred cells for each class and batch, or the table outweighs everything.
        for c in range(CLASSES):
            mine = x[label == c]
            if len(mine) > 400:
                mine = mine[torch.randperm(len(mine), device=device)[:400]]
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
    centres[~seen] = 1e4  # a class without examples is never the nearest
    return Deployed(net, whiten=whiten.float(), centres=centres.float()).to(device).eval()


def _temperature(graph: Deployed, views: list[Any], device: torch.device) -> float:
    """Return the temperature with the least negative log likelihood on these views."""
    logits, truth = _cells(graph, views, device)
    grid = np.exp(np.linspace(np.log(0.4), np.log(4.0), 60))
    losses = [
        float(-(functional.log_softmax(logits / float(t), dim=1) * truth).sum(1).mean())
        for t in grid
    ]
    return float(grid[int(np.argmin(losses))])


def _cells(graph: Deployed, views: list[Any], device: torch.device) -> tuple[Tensor, Tensor]:
    """Return logits and soft truth of some cells of each view, metal as often as table."""
    rng = np.random.default_rng(0)
    kept, told = [], []
    for view, (logits, *_) in _answers(graph, views, device):
        flat = view.classes.reshape(CLASSES, -1)
        known = view.known.reshape(-1) > 0.99
        metal = np.flatnonzero(known & (flat[2:].sum(axis=0) > 0.5))
        table = np.flatnonzero(known & (flat[2:].sum(axis=0) <= 0.5))
        chosen = np.concatenate(
            [rng.choice(part, min(400, len(part)), replace=False) for part in (metal, table)]
        )
        kept.append(logits.reshape(CLASSES, -1).cpu()[:, chosen].T)
        told.append(torch.from_numpy(flat[:, chosen].T.copy()))
    return torch.cat(kept), torch.cat(told)


def _calibration_error(
    graph: Deployed, views: list[Any], device: torch.device, *, temperature: float
) -> float:
    logits, truth = _cells(graph, views, device)
    p = torch.softmax(logits / temperature, dim=1)
    top, label = p.max(dim=1)
    right = truth.gather(1, label[:, None])[:, 0]
    return calibration_error(top.numpy(), right.numpy())


def _piece_strangeness(
    graph: Deployed, views: list[Any], device: torch.device, *, shift: bool
) -> list[float]:
    found = []
    for view, (_, _, strange, _) in _answers(graph, views, device, shift=shift):
        metal = torch.from_numpy(view.classes[2:].sum(axis=0)).to(device)
        if float(metal.sum()) > 8:
            found.append(float((strange * metal).sum() / metal.sum()))
    return found


def _strangeness_limit(graph: Deployed, views: list[Any], device: torch.device) -> float:
    return float(
        np.quantile(_piece_strangeness(graph, views, device, shift=False), STRANGE_QUANTILE)
    )


def _flagged_share(
    graph: Deployed, views: list[Any], device: torch.device, limit: float, *, shift: bool
) -> float:
    """Return how many views of metal pass the limit; shifted, red is green and green blue."""
    strange = _piece_strangeness(graph, views, device, shift=shift)
    return float(np.mean([s > limit for s in strange]))


@torch.no_grad()
def _save_views(batch: Batch, net: SurfaceNet, path: Path, device: torch.device) -> None:
    """Draw training views over their truth over the network's answer."""
    from models.recipe.surface.evaluate import painted

    net.eval()
    with _mixed(device):
        logits, _, _, outline = (part.float() for part in net(batch.rgb))
    rows = []
    for i in range(len(batch.rgb)):
        rgb = batch.rgb[i].permute(1, 2, 0).cpu().numpy().astype(np.uint8)
        size = (256, 256)
        column = [cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)]
        for maps in (batch.classes[i], logits[i]):
            column.append(painted(maps.argmax(dim=0).cpu().numpy().astype(np.uint8), size))
        # Pieces in red, where they meet in green: truth, then answer.
        for planes in (torch.stack([batch.piece[i], batch.gap[i]]), outline[i].sigmoid()):
            drawn = np.zeros((*planes.shape[1:], 3), np.uint8)
            drawn[..., :2] = (planes * 255).permute(1, 2, 0).cpu().numpy().astype(np.uint8)
            column.append(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA))
        rows.append(np.concatenate(column, axis=0))
    cv2.imwrite(str(path), np.concatenate(rows, axis=1)[..., ::-1])


if __name__ == "__main__":
    main()
