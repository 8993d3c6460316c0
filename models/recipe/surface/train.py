"""Train the surface network and its head for the piece for a set time.

    python -m models.recipe.surface.train --train DIR --real DIR --start models \\
        --minutes 7 --out DIR

writes to OUT: ``surface.onnx`` and ``piece.onnx``, ``training.json`` (what
``calibrate.py`` puts into ``surface.toml``), ``log.jsonl``, ``views.jpg``, and
``network.pt`` with ``optimiser.pt`` to go on from. ``--start`` is a folder with these two,
or one with a shipped ``surface.onnx``; ``--weights`` starts from ImageNet's weights instead.
``--minutes`` is the time of the training steps alone; reading the photos comes before it.
With ``--cards N`` each card reads its part of the photos and gradients are averaged.
"""

from __future__ import annotations

import argparse
import copy
import json
import os
import subprocess
import sys
import time
import tomllib
from collections.abc import Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass, field
from datetime import UTC, datetime
from math import cos, pi
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import torch
from torch import Tensor, distributed, nn

from models.recipe.surface.augment import PARTS, REAL_SHARE, REAL_TABLE_SHARE, Sampler
from models.recipe.surface.evaluate import painted
from models.recipe.surface.export import PIECE_FILE, export_all
from models.recipe.surface.losses import dense_loss, piece_loss
from models.recipe.surface.network import Deployed, SurfaceNet, load_encoder_weights
from models.recipe.surface.piece_head import FORMS, PRESENCE, PieceAnswers, PieceHead
from models.recipe.surface.piece_views import PieceBatch, counted_rates, piece_views
from models.recipe.surface.store import CLASSES, Store, read_store
from models.recipe.surface.views import Batch
from models.recipe.surface.warm import from_onnx, measure_norms, shipped_head
from vision.types import Surface

HEAD_RATE = 2e-3
ENCODER_RATE = 5e-4
WEIGHT_DECAY = 0.02
WARM_UP = 0.06
EMA_DECAY = 0.998
CLIP = 5.0
FREQUENCY_POWER = 0.35
"""A class's weight in the cross entropy falls with this power of its area share."""
NORM_BATCHES = 8
SAID_EVERY_S = 45.0
LEAST_RATE = 0.003
PORT = "29517"
"""Where the processes of several cards meet, on this machine alone."""


@dataclass(slots=True)
class Progress:
    """Where a timed training stands."""

    steps: int = 0
    share: float = 0.0
    sums: dict[str, Tensor] = field(default_factory=dict)
    since: int = 0
    rates: Tensor | None = None


class Both(nn.Module):
    """The network and its head, as they are trained."""

    def __init__(self) -> None:
        super().__init__()
        self.net = SurfaceNet(CLASSES)
        self.head = PieceHead()


def parse(arguments: Sequence[str] | None = None) -> argparse.Namespace:
    """Return the options of the command line."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--train", type=Path, required=True, help="folder of photos with truth")
    parser.add_argument("--real", type=Path, help="folder of real photos, see real.py")
    parser.add_argument("--weights", type=Path, help="ImageNet weights of the encoder")
    parser.add_argument("--start", type=Path, help="folder of network.pt, or of surface.onnx")
    parser.add_argument("--minutes", type=float, required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--batch", type=int, default=112, help="views a step and card")
    parser.add_argument("--side-px", type=int, default=416, help="of a training view")
    parser.add_argument("--stored-px", type=int, default=1280, help="longer side kept of a photo")
    parser.add_argument("--real-share", type=float, default=REAL_SHARE, help="of the views")
    parser.add_argument(
        "--table-share",
        type=float,
        default=REAL_TABLE_SHARE,
        help="of the rendered views, laid on real tables",
    )
    parser.add_argument("--rate", type=float, default=1.0, help="times the usual rates")
    parser.add_argument("--workers", type=int, default=16, help="that read, for all cards")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--cards", type=int, default=1, help="that train together")
    parser.add_argument("--limit", type=int, help="use so many photos only")
    parser.add_argument(
        "--without", nargs="*", default=[], choices=PARTS, help="leave this variation out"
    )
    asked = parser.parse_args(arguments)
    if asked.weights is None and asked.start is None:
        parser.error("--weights or --start is needed")
    return asked


def main(arguments: Sequence[str] | None = None) -> int:
    """Train, then write the files; with several cards in a process for each."""
    asked = parse(arguments)
    if asked.cards > 1 and "RANK" not in os.environ:
        own = sys.argv[1:] if arguments is None else list(arguments)
        command = [sys.executable, "-m", "models.recipe.surface.train", *own]
        meet = {"WORLD_SIZE": str(asked.cards), "MASTER_ADDR": "127.0.0.1", "MASTER_PORT": PORT}
        children = [
            subprocess.Popen(command, env={**os.environ, **meet, "RANK": str(rank)})
            for rank in range(asked.cards)
        ]
        return max(child.wait() for child in children)
    _train(asked, rank=int(os.environ.get("RANK", "0")), world=asked.cards)
    return 0


def _train(asked: argparse.Namespace, *, rank: int, world: int) -> None:
    cuda = torch.cuda.is_available()
    device = torch.device("cuda", rank % torch.cuda.device_count()) if cuda else torch.device("cpu")
    if cuda:
        torch.cuda.set_device(device)
    if world > 1:
        distributed.init_process_group("nccl" if cuda else "gloo")
    torch.manual_seed(asked.seed + rank)
    cv2.setNumThreads(1)
    torch.backends.cudnn.allow_tf32 = False  # training runs in bfloat16, all else exactly
    asked.out.mkdir(parents=True, exist_ok=True)
    began = time.monotonic()
    sampler = _sampler(asked, device, rank=rank, world=world)
    photos = len(sampler.rendered.store)
    print(f"card {rank}: {photos} photos in {time.monotonic() - began:.0f} s", flush=True)
    both = _start(asked, sampler, device)
    if world > 1:
        for part in both.state_dict().values():
            distributed.broadcast(part, 0)
    progress, kept, optimiser = _fit(both, sampler, asked, device, world=world, rank=rank)
    if rank == 0:
        _save(kept, optimiser, both, asked.out)
        _write(kept, sampler, progress, asked, device, photos=photos * world)
    if world > 1:
        distributed.barrier()
        distributed.destroy_process_group()


def _sampler(asked: argparse.Namespace, device: torch.device, *, rank: int, world: int) -> Sampler:
    common: dict[str, Any] = {
        "long_side_px": asked.stored_px,
        "seed": asked.seed,
        "workers": max(1, asked.workers // world),
    }
    store = read_store(asked.train, limit=asked.limit, part=(rank, world), **common)
    real = None if asked.real is None else _near(read_store(asked.real, **common), device)
    return Sampler(
        _near(store, device),
        side_px=asked.side_px,
        device=device,
        seed=asked.seed + 1000 * rank,
        without=asked.without,
        real=real,
        real_share=asked.real_share,
        table_share=asked.table_share,
    )


def _near(store: Store, device: torch.device) -> Store:
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
        forms=store.forms,
        points=store.points,
        has=store.has,
        truths=store.truths,
    )


def _start(asked: argparse.Namespace, sampler: Sampler, device: torch.device) -> Both:
    """Return the networks with the weights asked for, on the device."""
    both = Both()
    shipped = None
    if asked.start is None:
        load_encoder_weights(both.net, asked.weights)
    elif (asked.start / "network.pt").exists():
        told = torch.load(asked.start / "network.pt", map_location="cpu", weights_only=True)
        both.load_state_dict(told)
    else:
        shipped = asked.start / "surface.onnx"
        old = tomllib.loads(shipped.with_suffix(".toml").read_text())["classes"]
        from_onnx(both.net, shipped, old=old, new=[str(s) for s in Surface])
        both.head.load_state_dict(shipped_head(asked.start / PIECE_FILE).state_dict())
    both = both.to(device, memory_format=torch.channels_last)
    if shipped is not None:
        measure_norms(both.net, [(sampler.draw(asked.batch).rgb,) for _ in range(NORM_BATCHES)])
    return both


def _optimiser(both: Both, device: torch.device, start: Path | None) -> torch.optim.AdamW:
    encoder = list(both.net.encoder.parameters())
    ids = {id(p) for p in encoder}
    rest = [p for p in both.parameters() if id(p) not in ids]
    optimiser = torch.optim.AdamW(
        [{"params": encoder, "rate": ENCODER_RATE}, {"params": rest, "rate": HEAD_RATE}],
        lr=HEAD_RATE,
        weight_decay=WEIGHT_DECAY,
        fused=device.type == "cuda",
    )
    kept = None if start is None else start / "optimiser.pt"
    if kept is not None and kept.exists():
        told = torch.load(kept, map_location=device, weights_only=True)
        for parameter, (mean, square) in zip([*encoder, *rest], told["moments"], strict=True):
            optimiser.state[parameter] = {
                "step": torch.tensor(float(told["steps"]), device=parameter.device),
                # In the parameter's own memory layout: the fused step on a card asks for it.
                "exp_avg": torch.empty_like(parameter).copy_(mean),
                "exp_avg_sq": torch.empty_like(parameter).copy_(square),
            }
    return optimiser


def _fit(
    both: Both,
    sampler: Sampler,
    asked: argparse.Namespace,
    device: torch.device,
    *,
    world: int,
    rank: int,
) -> tuple[Progress, Both, torch.optim.AdamW]:
    """Train for the time asked and return the running mean of the weights."""
    kept = copy.deepcopy(both).eval().requires_grad_(requires_grad=False)
    optimiser = _optimiser(both, device, asked.start)
    parameters = list(both.parameters())
    weight = _class_weights(sampler, asked.batch).to(device)
    if world > 1:
        distributed.broadcast(weight, 0)
    if rank == 0:
        print("class weights", [round(float(w), 2) for w in weight], flush=True)
    progress = Progress()
    log = (asked.out / "log.jsonl").open("w") if rank == 0 else None
    began, told = time.monotonic(), 0.0
    both.train()
    while progress.share < 1.0:
        batch = sampler.draw(asked.batch)
        pieces = piece_views(batch, sampler.dice)
        _set_rates(optimiser, progress.share, asked.rate)
        loss, parts = _losses(both, batch, pieces, weight, device)
        optimiser.zero_grad(set_to_none=True)
        loss.backward()
        spent = time.monotonic() - began
        progress.share = spent / (60 * asked.minutes)
        if world > 1:
            progress.share = _averaged(parameters, progress.share)
        nn.utils.clip_grad_norm_(parameters, CLIP)
        optimiser.step()
        progress.steps += 1
        _follow(kept, both, decay=min(EMA_DECAY, progress.steps / (progress.steps + 10)))
        _count(progress, parts | {"loss": loss}, pieces)
        if progress.steps % 5 == 0 and device.type == "cuda":
            torch.cuda.synchronize()
        if log is not None and (spent - told > SAID_EVERY_S or progress.share >= 1.0):
            told = spent
            line = json.dumps(_said(progress, spent))
            log.write(line + "\n")
            log.flush()
            print(line, flush=True)
    if log is not None:
        log.close()
    return progress, kept, optimiser


def _losses(
    both: Both, batch: Batch, pieces: PieceBatch, weight: Tensor, device: torch.device
) -> tuple[Tensor, dict[str, Tensor]]:
    with _mixed(device):
        rgb = batch.rgb.contiguous(memory_format=torch.channels_last)
        logits, tarnish, features, outline = both.net(rgb)
    # The head's pooling adds up thousands of cells: in full precision.
    answers: PieceAnswers = both.head(features.float(), pieces.cover)
    dense, parts = dense_loss(logits.float(), tarnish.float(), outline.float(), batch, weight)
    piece, more = piece_loss(answers, pieces)
    return dense + piece, parts | more


def _averaged(parameters: list[nn.Parameter], share: float) -> float:
    """Average gradients over the cards in place; and the share of time, so that all agree."""
    grads = [p.grad for p in parameters if p.grad is not None]
    flat = torch.cat([g.flatten() for g in grads] + [grads[0].new_tensor([share])])
    distributed.all_reduce(flat)
    flat /= distributed.get_world_size()
    at = 0
    for grad in grads:
        grad.copy_(flat[at : at + grad.numel()].view_as(grad))
        at += grad.numel()
    return float(flat[-1])


def _count(progress: Progress, parts: dict[str, Tensor], pieces: PieceBatch) -> None:
    for name, part in parts.items():
        held = progress.sums.get(name)
        progress.sums[name] = part.detach() + (0.0 if held is None else held)
    progress.since += 1
    rates = counted_rates(pieces)
    progress.rates = rates if progress.rates is None else progress.rates + rates


def _said(progress: Progress, spent: float) -> dict[str, Any]:
    """Return a line for the log, the mean losses since the last, and begin anew."""
    line: dict[str, Any] = {"s": round(spent), "steps": progress.steps}
    line |= {n: round(float(v) / progress.since, 4) for n, v in progress.sums.items()}
    progress.sums, progress.since = {}, 0
    return line


def _mixed(device: torch.device) -> AbstractContextManager[Any]:
    if device.type == "cuda":
        return torch.autocast("cuda", dtype=torch.bfloat16)
    return nullcontext()


def _set_rates(optimiser: torch.optim.Optimizer, share: float, factor: float) -> None:
    warm = min(1.0, share / WARM_UP + 0.02)
    fall = 0.5 * (1 + cos(pi * min(1.0, max(0.0, (share - WARM_UP) / (1 - WARM_UP)))))
    for group in optimiser.param_groups:
        group["lr"] = factor * group["rate"] * warm * max(fall, 0.005)


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


def _save(kept: Both, optimiser: torch.optim.AdamW, both: Both, out: Path) -> None:
    """Write what a later training goes on from: mean weights, and the optimiser's moments."""
    torch.save({n: v.contiguous().cpu() for n, v in kept.state_dict().items()}, out / "network.pt")
    encoder = list(both.net.encoder.parameters())
    ids = {id(p) for p in encoder}
    ordered = [*encoder, *(p for p in both.parameters() if id(p) not in ids)]
    states = [optimiser.state[p] for p in ordered]
    # Half the bytes: moments need range, not digits.
    moments = [
        (s["exp_avg"].contiguous().bfloat16().cpu(), s["exp_avg_sq"].contiguous().bfloat16().cpu())
        for s in states
    ]
    told = {"steps": float(states[0]["step"]), "moments": moments}
    torch.save(told, out / "optimiser.pt")


def _write(
    kept: Both,
    sampler: Sampler,
    progress: Progress,
    asked: argparse.Namespace,
    device: torch.device,
    *,
    photos: int,
) -> None:
    """Write the graphs that ship and what is known of their training."""
    assert progress.rates is not None
    told: dict[str, Any] = {
        "photos": photos,
        "real_photos": 0 if sampler.real is None else len(sampler.real.store),
        "steps": progress.steps,
        "batch": asked.batch * asked.cards,
        "side_px": asked.side_px,
        "stored_px": asked.stored_px,
        "minutes": asked.minutes,
        "rate": asked.rate,
        "seed": asked.seed,
        "without": asked.without,
        "start": "ImageNet" if asked.start is None else "the weights before",
        "torch": torch.__version__,
        "device": torch.cuda.get_device_name() if device.type == "cuda" else "cpu",
        "date": datetime.now(UTC).date().isoformat(),
        "learned_rates": learned_rates(progress.rates.cpu()),
    }
    (asked.out / "training.json").write_text(json.dumps(told, indent=1) + "\n")
    graph = Deployed(copy.deepcopy(kept.net).eval())
    told["parity"] = export_all(graph, copy.deepcopy(kept.head), asked.out)
    (asked.out / "training.json").write_text(json.dumps(told, indent=1) + "\n")
    _save_views(sampler.draw(16), kept, asked.out / "views.jpg", device)


def learned_rates(counted: Tensor) -> dict[str, Any]:
    """Return the mix that was learned, from :func:`counted_rates` summed over a training.

    What was hardly ever shown is told as ``LEAST_RATE``: a head that never saw it on a form
    can't be trusted to the digits that a correction to other rates would multiply.
    """
    findings = len(PRESENCE)
    rates: dict[str, Any] = {}
    for row, form in zip(counted, FORMS, strict=True):
        asked, present = row[1 : 1 + findings], row[1 + findings :]
        rates[form] = {
            name: round(min(max(float(p / max(a, 1.0)), LEAST_RATE), 1 - LEAST_RATE), 5)
            for name, a, p in zip(PRESENCE, asked, present, strict=True)
        }
    total = counted[:, 0].sum().clamp_min(1)
    rates["form"] = {
        form: round(max(float(n / total), LEAST_RATE), 5)
        for form, n in zip(FORMS, counted[:, 0], strict=True)
    }
    return rates


@torch.no_grad()
def _save_views(batch: Batch, kept: Both, path: Path, device: torch.device) -> None:
    """Draw training views over their truth over the network's answer."""
    with _mixed(device):
        logits, _, _, outline = (part.float() for part in kept.net(batch.rgb))
    rows = []
    for i in range(len(batch.rgb)):
        rgb = batch.rgb[i].permute(1, 2, 0).cpu().numpy().astype(np.uint8)
        size = (256, 256)
        column = [cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)]
        known = ((batch.known[i] + batch.clear[i]) > 0.5).cpu().numpy()
        for maps in (batch.classes[i], logits[i]):
            labels = maps.argmax(dim=0).cpu().numpy().astype(np.uint8)
            column.append(painted(labels, size))
        column[1][
            cv2.resize(known.astype(np.uint8), size, interpolation=cv2.INTER_NEAREST) == 0
        ] = 0
        # Pieces in red, where they meet in green: truth, then answer.
        for planes in (torch.stack([batch.piece[i], batch.gap[i]]), outline[i].sigmoid()):
            drawn = np.zeros((*planes.shape[1:], 3), np.uint8)
            drawn[..., :2] = (planes * 255).permute(1, 2, 0).cpu().numpy().astype(np.uint8)
            column.append(cv2.resize(drawn, size, interpolation=cv2.INTER_AREA))
        rows.append(np.concatenate(column, axis=0))
    picture = np.concatenate(rows, axis=1)[..., ::-1]
    cv2.imwrite(str(path), picture, [cv2.IMWRITE_JPEG_QUALITY, 85])


if __name__ == "__main__":
    raise SystemExit(main())
