"""Train the edge network on straightened pieces of rendered photos.

    python -m models.recipe.edges.train --photos DIR [DIR ...] --out DIR \\
        --seconds 280 --workers 28 --device cuda [--start edges_1.pt edges_2.pt]

Writes ``edges_1.pt``, and one more for each further one to go on from: they learn side by
side in processes of their own, and where they err they seldom err alike.

The photos come with truth (``models.recipe.render``). A share of each batch is drawn
(``profiles.py``), so that what renders lack is seen as well. Every twentieth scene is
held out; what the networks to compare with and the new one say of its pieces is printed by
width, finish and light, looked at twice as the measurement does, once through a fair outline
and once through one that took a shadow in. The running mean of the weights is written every
minute. Needs torch; no renderer.
"""

from __future__ import annotations

import argparse
import copy
import json
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import IO

import torch
from torch import Tensor, nn

from models.recipe.edges.cutting import NEAR_FROM_PX, PieceStrip, cut_strips
from models.recipe.edges.judge import Errors, errors_of, figures_of, report
from models.recipe.edges.looks import (
    Look,
    Strips,
    changed,
    drawn_in,
    drawn_strips,
    guesses,
    looked_at,
    seams,
    stored,
    together,
    turned,
    worsened,
)
from models.recipe.edges.near import near_batch, near_loss
from models.recipe.edges.network import EdgeNet, inputs, loss_of
from models.recipe.edges.profiles import Draw, draw_codes

SHAPES = ((24, 6), (24, 6), (24, 6), (8, 12), (8, 12), (4, 12))
"""Stretches of a look, and cuts averaged in each, in turn."""

WARM_STEPS = 200
MEAN_DECAY = 0.999
HELD_MOST = 400
"""Held-out pieces that a training tells its way by; all are judged in the end."""

SAVE_EVERY_S = 60.0


def batch_of(
    strips: Strips, *, photos: int, drawn_share: float, rows: int, step: int
) -> tuple[Look, int]:
    """Return a look at random pieces, and how many stretches each has.

    Args:
        strips: Pieces of photos, then drawn ones.
        photos: How many are of photos.
        drawn_share: How often a drawn one is taken.
        rows: Stretches of all pieces together.
        step: Seed.
    """
    shape = SHAPES[step % len(SHAPES)]
    stretches, _ = shape
    n, device = max(1, rows // stretches), str(strips.codes.device)
    d = Draw(n, device, step)
    of_photos = torch.multinomial(strips.often[:photos], n, replacement=True, generator=d.g)
    seen = drawn_in(strips, d, of_photos, photos=photos, drawn_share=drawn_share, shape=shape)
    seen = changed(seen, d, stretches=stretches)
    seam = seams(d, seen, stretches=stretches)
    guess, shift = guesses(d, seen.width_px[::stretches], stretches=stretches, seam=seam)
    look = worsened(
        looked_at(seen, guess=guess, shift=shift), Draw(n * stretches, device, 2**31 + step)
    )
    return turned(look, d, stretches=stretches), stretches


def scores(net: EdgeNet, look: Look, *, stretches: int) -> Tensor:
    """Return ``(pieces, stretches, 2, SAMPLES)``."""
    logits: Tensor = net(inputs(look.profiles, look.known, look.width_px), stretches)
    return logits.unflatten(0, (-1, stretches))


def drawn(count: int, device: str, *, near: bool = False) -> Strips:
    """Return about this many drawn profiles as strips; near ones of wide pieces only."""
    part = min(count, 256)
    parts = []
    for number in range(-(-count // part)):
        code, width_px, _ = draw_codes(Draw(part, device, 777_000 + number))
        kept = width_px >= (NEAR_FROM_PX if near else 0.0)
        parts.append(drawn_strips(code[kept].clamp(0, 1), width_px[kept], near=near))
    return together(parts)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Near:
    """What the training of near looks tells its way by.

    Attributes:
        whole: The network that looked before.
        held: Near strips of the pieces held out.
    """

    whole: EdgeNet
    held: Strips


def train(
    net: EdgeNet,
    strips: Strips,
    held: Strips,
    arguments: argparse.Namespace,
    *,
    photos: int,
    out: Path,
    near: Near | None = None,
) -> EdgeNet:
    """Return the running mean of the weights after the given seconds, or when time is up.

    Args:
        net: What to go on from.
        strips: Pieces to learn from: those of photos, then drawn ones.
        held: Pieces to tell the way by.
        arguments: Of the command line.
        photos: How many are of photos.
        out: Where the weights are written.
        near: Given where looks from close by are learned.
    """
    device = arguments.device
    mean = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=arguments.rate, weight_decay=1e-3)
    began, step, saved = time.time(), 0, 0.0
    seconds = max(1.0, min(arguments.seconds, arguments.until - began))
    batch, loss_by = (batch_of, loss_of) if near is None else (near_batch, near_loss)
    losses = torch.zeros((), device=device)
    while (spent := time.time() - began) < seconds:
        rise = min(1.0, (step + 1) / WARM_STEPS)
        rate = rise * 0.5 * (1 + math.cos(math.pi * spent / seconds))
        for group in optimizer.param_groups:
            group["lr"] = arguments.rate * max(rate, 1e-3)
        look, stretches = batch(
            strips,
            photos=photos,
            drawn_share=arguments.drawn_share,
            rows=arguments.rows,
            step=arguments.seed * 10_000_000 + step,
        )
        edges = look.edges.unflatten(0, (-1, stretches))
        loss = loss_by(scores(net, look, stretches=stretches), edges)
        optimizer.zero_grad()
        loss.backward()
        nn.utils.clip_grad_norm_(net.parameters(), 1.0)
        optimizer.step()
        with torch.no_grad():
            decay = min(MEAN_DECAY, (step + 1) / (step + 10))
            for slow, now in zip(mean.parameters(), net.parameters(), strict=True):
                slow.lerp_(now, 1 - decay)
        losses += loss.detach()
        step += 1
        if step % arguments.show == 0:
            value = float(losses) / arguments.show
            losses.zero_()
            print(f"{time.time() - began:5.0f} s  step {step}  loss {value:.4f}", flush=True)
        if spent - saved > SAVE_EVERY_S:
            saved = spent
            saved_to(out, mean)
            if len(held):
                e = (
                    errors_of([mean], held)
                    if near is None
                    else errors_of([near.whole], held, near=(mean, near.held))
                )
                own = e.width_px >= 8
                share = (e.median_px[own] / e.width_px[own] * 100).abs()
                print(
                    f"saved; held out, 8 px and wider: |median| {share.median():.2f} %, "
                    f"p90 {share.quantile(0.9):.2f} %",
                    flush=True,
                )
    print(f"trained {step} steps of {arguments.rows} stretches on {device}", flush=True)
    return mean


def saved_to(path: Path | IO[bytes], net: EdgeNet) -> None:
    """Write the weights, to half precision."""
    torch.save({k: v.detach().cpu().half() for k, v in net.state_dict().items()}, path)


def read_net(path: Path | IO[bytes], *, near: bool = False) -> EdgeNet:
    """Return the network of a file of :func:`saved_to`, or one in a ``strip.onnx``.

    Args:
        path: The file.
        near: Of a ``strip.onnx`` that of near looks; while it has none that of whole looks,
            which knows what an edge looks like.
    """
    net = EdgeNet()
    if isinstance(path, Path) and path.suffix == ".onnx":
        kept = (shipped_weights(path, "near") if near else {}) or shipped_weights(path, "edges")
    else:
        kept = torch.load(path, map_location="cpu", weights_only=True)
    net.load_state_dict({k: v.float() for k, v in kept.items()})
    return net


def shipped_weights(path: Path, part: str) -> dict[str, Tensor]:
    """Return the weights of an edge network in a file of ``strips/file.py``, if it is there."""
    import onnx
    from onnx import numpy_helper

    first = f"{part}/nets.0."
    return {
        weight.name.removeprefix(first).removesuffix(".half"): torch.from_numpy(
            numpy_helper.to_array(weight).copy()
        )
        for weight in onnx.load(str(path)).graph.initializer
        if weight.name.startswith(first)
    }


def learned(
    cut: Sequence[PieceStrip], arguments: argparse.Namespace, start: Path | None, number: int
) -> None:
    """Train one network of whole looks, or for number 0 the one of near looks, and write it."""
    device = ready(arguments)
    arguments.seed += number
    torch.manual_seed(arguments.seed)
    near = number == 0
    held = [s for s in cut if s.held_out and s.smooth and (len(s.near) or not near)]
    held = held[:HELD_MOST]
    strips = stored((s for s in cut if not s.held_out), device, near=near)
    photos, began = len(strips), time.time()
    strips = together([strips, drawn(arguments.drawn, device, near=near)])
    print(f"{len(strips) - photos} drawn profiles in {time.time() - began:.0f} s", flush=True)
    net = (read_net(start, near=near) if start else EdgeNet()).to(device)
    out = arguments.out / ("near.pt" if near else f"edges_{number}.pt")
    saved_to(out, net)
    beside = None
    if near:
        whole = (read_net(start) if start else EdgeNet()).to(device)
        beside = Near(whole=whole, held=stored(held, device, near=True))
    mean = train(net, strips, stored(held, device), arguments, photos=photos, out=out, near=beside)
    saved_to(out, mean)
    if device.startswith("cuda"):
        print(f"GPU memory {torch.cuda.max_memory_allocated(device) / 2**30:.1f} GiB", flush=True)


def ready(arguments: argparse.Namespace) -> str:
    """Set the device up, and return it."""
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    device = str(arguments.device)
    if device.startswith("cuda:"):
        torch.cuda.set_device(device)
    return device


def judged(
    cut: Sequence[PieceStrip], device: str, nets: dict[str, Sequence[Path]], near: Path
) -> dict[str, dict[str, list[float]]]:
    """Print what networks say of the pieces held out, each group together; return the figures."""
    smooth = [s for s in cut if s.held_out and s.smooth]
    wide = [s for s in smooth if len(s.near)]
    rough = [s for s in cut if s.held_out and not s.smooth]
    classes = [("finish", [s.finish for s in smooth]), ("light", [s.light for s in smooth])]
    told: dict[str, Errors] = {}
    for name, paths in nets.items():
        read = [read_net(path).to(device) for path in paths]
        if smooth:
            held = stored(smooth, device)
            told[name] = errors_of(read, held)
            report(f"{name}, wires and tubes", told[name], classes)
            told[f"{name}, shadow"] = errors_of(read, held, shadowed=True)
            report(f"{name}, wires and tubes, shadow in the outline", told[f"{name}, shadow"],
                   classes)  # fmt: skip
        if wide:
            close = (read_net(near, near=True).to(device), stored(wide, device, near=True))
            told[f"{name}, wide"] = errors_of(read, stored(wide, device))
            told[f"{name}, wide, near"] = errors_of(read, stored(wide, device), near=close)
            for what in ("wide", "wide, near"):
                report(f"{name}, {what}", told[f"{name}, {what}"],
                       [("finish", [s.finish for s in wide])])  # fmt: skip
        if rough:
            report(f"{name}, cables and bars", errors_of(read, stored(rough, device)))
    return {name: figures_of(errors) for name, errors in told.items()}


def main() -> None:
    """Cut, train, write the weights, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, nargs="*", default=[], help="weights to go on from")
    parser.add_argument("--compare", type=Path, nargs="*", default=[], help="weights to judge too")
    parser.add_argument("--seconds", type=float, default=280)
    parser.add_argument("--cut-until", type=float, default=math.inf, help="unix time")
    parser.add_argument("--until", type=float, default=math.inf, help="unix time training ends at")
    parser.add_argument("--workers", type=int, default=1)
    # Not even asked whether there is a card: after that no process can be forked that uses it.
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--rows", type=int, default=3072, help="stretches in a batch")
    parser.add_argument("--drawn", type=int, default=49_152, help="drawn profiles")
    parser.add_argument("--drawn-share", type=float, default=0.25)
    parser.add_argument("--rate", type=float, default=1.5e-3, help="of learning, at its highest")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--show", type=int, default=500, help="steps from loss to loss")
    arguments = parser.parse_args()
    arguments.out.mkdir(parents=True, exist_ok=True)
    began = time.time()
    # Cut before the device is first used: a process can't be forked safely after that.
    cut = list(cut_strips(arguments.photos, workers=arguments.workers, until=arguments.cut_until))
    wide = sum(len(s.near) > 0 for s in cut)
    print(f"{len(cut)} pieces cut, {wide} of them wide, {time.time() - began:.0f} s", flush=True)
    starts = arguments.start or [None]
    processes = [
        get_context("fork").Process(target=learned, args=(cut, arguments, start, number))
        for number, start in enumerate([starts[0], *starts])
    ]
    for process in processes:
        process.start()
    for process in processes:
        process.join()
    if any(process.exitcode for process in processes):
        raise SystemExit("a training failed")
    made = [arguments.out / f"edges_{number}.pt" for number in range(1, len(starts) + 1)]
    nets: dict[str, Sequence[Path]] = {"trained": made}
    if arguments.compare:
        nets["compared with"] = arguments.compare
    figures = judged(cut, ready(arguments), nets, arguments.out / "near.pt")
    told = {"pieces": len(cut), "wide": wide, "figures": figures}
    (arguments.out / "edges.json").write_text(json.dumps(told, indent=1), encoding="utf-8")


if __name__ == "__main__":
    main()
