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
import math
import time
from collections.abc import Sequence
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import IO

import torch
from torch import Tensor, nn

from models.recipe.edges.cutting import PieceStrip, cut_strips
from models.recipe.edges.looks import (
    MOST_SHADOW,
    SAMPLES,
    WINDOW_WIDTHS,
    Look,
    Strips,
    changed,
    drawn_strips,
    guesses,
    looked_at,
    seams,
    stored,
    stretches_of,
    together,
    turned,
    worsened,
)
from models.recipe.edges.network import EdgeNet, found, inputs, loss_of
from models.recipe.edges.profiles import Draw, draw_codes
from vision.width.edges import FIRST_LOOK_DOUBT, FIRST_STRETCHES, MASK_DOUBT, MAX_STRETCHES

SHAPES = ((24, 6), (24, 6), (24, 6), (8, 12), (8, 12), (4, 12))
"""Stretches of a look, and cuts averaged in each, in turn."""

OFTEN, OFTEN_PX = 2.0, (7.0, 25.0)
"""Pieces so wide are taken more often: there a fraction of a pixel is a percent."""

WARM_STEPS = 200
MEAN_DECAY = 0.999
SAVE_EVERY_S = 60.0
WIDTH_CLASSES_PX = ((5, 8), (8, 12), (12, 20), (20, 50), (50, 1000))


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
    stretches, cuts = SHAPES[step % len(SHAPES)]
    n, device = max(1, rows // stretches), str(strips.codes.device)
    d = Draw(n, device, step)
    wide = strips.width_px[:photos]
    often = 1 + (OFTEN - 1) * ((wide > OFTEN_PX[0]) & (wide < OFTEN_PX[1])).float()
    of_photos = torch.multinomial(often, n, replacement=True, generator=d.g)
    of_drawn = photos + (d.uniform(0, 1) * (len(strips) - photos)).long()
    pieces = torch.where(d.chance(drawn_share) > 0, of_drawn.clamp(max=len(strips) - 1), of_photos)
    seen = stretches_of(strips, pieces, stretches=stretches, cuts=cuts, part=d)
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


def said_by(nets: Sequence[EdgeNet], look: Look, *, stretches: int) -> Tensor:
    """Return the mean of the networks' log probabilities, ``(pieces, stretches, 2, SAMPLES)``.

    As the measurement does, from both ends of each profile.
    """
    x = inputs(look.profiles, look.known, look.width_px)
    said = [(net(x, stretches), net(x.flip(2), stretches).flip(1, 2)) for net in nets]
    logs = [torch.log_softmax(way, dim=2) for both in said for way in both]
    return torch.stack(logs).mean(dim=0).unflatten(0, (-1, stretches))


def drawn(count: int, device: str) -> Strips:
    """Return this many drawn profiles as strips."""
    part = min(count, 256)
    strips = None
    for number in range(-(-count // part)):
        code, width_px, _ = draw_codes(Draw(part, device, 777_000 + number))
        more = drawn_strips(code.clamp(0, 1), width_px)
        strips = more if strips is None else together(strips, more)
    assert strips is not None
    return strips


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Errors:
    """Found widths of held-out pieces against true ones.

    Attributes:
        piece: ``(n,)`` which pieces they are of.
        width_px: ``(n,)`` true widths of the pieces.
        median_px: ``(n,)`` error of the median over a piece's stretches.
        each_width_px: ``(k,)`` true widths of single stretches.
        each_px: ``(k,)`` their errors.
    """

    piece: Tensor
    width_px: Tensor
    median_px: Tensor
    each_width_px: Tensor
    each_px: Tensor


def expected(look: Look, doubt: tuple[float, float]) -> Tensor:
    """Return ``(b, 2, SAMPLES)`` as the measurement adds to the scores."""
    width = look.width_px[:, None, None]
    offsets = torch.linspace(-1, 1, SAMPLES, device=width.device) * WINDOW_WIDTHS * width
    side = torch.tensor([-0.5, 0.5], device=width.device)[None, :, None] * width
    return -1.5 * torch.log1p(((offsets - side) / (doubt[0] * width + doubt[1])) ** 2 / 2)


@torch.no_grad()
def errors_of(
    nets: Sequence[EdgeNet], strips: Strips, *, shadowed: bool = False, at_once: int = 64
) -> Errors:
    """Look twice at every piece, from an outline that is off, and compare with the truth.

    Args:
        nets: Their log probabilities are averaged.
        strips: The pieces.
        shadowed: Through outlines that took a shadow on one side for the piece.
        at_once: Pieces looked at together.
    """
    for net in nets:
        net.eval()
    device = str(strips.codes.device)
    parts: list[tuple[Tensor, ...]] = []
    for start in range(0, len(strips), at_once):
        pieces = torch.arange(start, min(start + at_once, len(strips)), device=device)
        d = Draw(len(pieces), device, 5_000_000 + start)
        width = strips.width_px[pieces]
        doubt = MASK_DOUBT[0] + MASK_DOUBT[1] / width
        guess = 1 + d.uniform(-1, 1) * doubt.clamp(max=0.4)
        middle = d.normal() * 0.3 * doubt
        if shadowed:
            first = stretches_of(strips, pieces, stretches=FIRST_STRETCHES, cuts=12)
            seam = seams(d, first, stretches=FIRST_STRETCHES)
            shadow = (seam.abs() - 0.5).clamp(0.1, MOST_SHADOW)
            guess, middle = guess + shadow, middle + shadow / 2 * seam.sign()
        shift = middle[:, None].expand(-1, FIRST_STRETCHES).flatten()
        for stretches, cuts, off in (
            (FIRST_STRETCHES, 12, MASK_DOUBT),
            (FIRST_STRETCHES, 12, MASK_DOUBT),
            (MAX_STRETCHES, 6, FIRST_LOOK_DOUBT),
        ):
            seen = stretches_of(strips, pieces, stretches=stretches, cuts=cuts)
            shift = shift.unflatten(0, (len(pieces), -1))[:, :1].expand(-1, stretches).flatten()
            wide = guess.repeat_interleave(stretches)
            look = looked_at(seen, guess=wide, shift=shift)
            prior = expected(look, off).unflatten(0, (-1, stretches))
            logits = said_by(nets, look, stretches=stretches) + prior
            sample = 2 * WINDOW_WIDTHS * guess / (SAMPLES - 1)  # widths
            edges = (found(logits) - (SAMPLES - 1) / 2) * sample[:, None, None]
            edges = edges + shift.unflatten(0, (-1, stretches)).unsqueeze(2)
            across = edges[..., 1] - edges[..., 0]
            if stretches == FIRST_STRETCHES:
                guess = across.median(dim=1).values.clamp(0.3, 2.4)
                shift = edges.mean(dim=2).median(dim=1).values[:, None].expand(-1, stretches)
                shift = shift.flatten()
        true = (seen.edges[:, 1] - seen.edges[:, 0]).unflatten(0, (-1, stretches))
        good = torch.isfinite(true)
        own = torch.where(good, across, torch.nan).nanmedian(dim=1).values
        truth = torch.where(good, true, torch.nan).nanmedian(dim=1).values
        kept = good.any(dim=1)
        parts.append(
            (
                pieces[kept],
                (width * truth)[kept],
                (width * (own - truth))[kept],
                (width[:, None] * true)[good],
                (width[:, None] * (across - true))[good],
            )
        )
    for net in nets:
        net.train()
    columns = [torch.cat(column).cpu() for column in zip(*parts, strict=True)]
    return Errors(
        piece=columns[0],
        width_px=columns[1],
        median_px=columns[2],
        each_width_px=columns[3],
        each_px=columns[4],
    )


def report(name: str, errors: Errors, classes: Sequence[tuple[str, Sequence[str]]] = ()) -> None:
    """Print width errors by width and by class.

    Args:
        name: Whose they are.
        errors: Of held-out pieces.
        classes: Names, each with the class of every held-out piece.
    """
    print(f"{name}: width errors on held-out scenes, |median| | p90 | bias (median)")
    for what, wide, error in (
        ("piece", errors.width_px, errors.median_px),
        ("single stretch", errors.each_width_px, errors.each_px),
    ):
        for low, high in (*WIDTH_CLASSES_PX, (8, 1000)):
            own = (wide >= low) & (wide < high)
            told(f"{what} {low}-{high} px", wide[own], error[own])
    for what, each in classes:
        of_piece = [each[k] for k in errors.piece.tolist()]
        for known in sorted(set(of_piece)):
            own = torch.tensor([value == known for value in of_piece]) & (errors.width_px >= 8)
            told(f"8 px on, {what} {known}", errors.width_px[own], errors.median_px[own])
    print(flush=True)


def told(what: str, wide: Tensor, e: Tensor) -> None:
    """Print one line of errors, if there are any."""
    if not len(e):
        return
    share = e / wide * 100
    print(
        f"  {what:30s} n {len(e):6d}  {share.abs().median():5.2f} | "
        f"{share.abs().quantile(0.9):6.2f} | {share.median():+5.2f} %   "
        f"{e.abs().median():.3f} | {e.abs().quantile(0.9):.3f} | {e.median():+.3f} px"
    )


def train(
    net: EdgeNet,
    strips: Strips,
    held: Strips,
    arguments: argparse.Namespace,
    *,
    photos: int,
    out: Path,
) -> EdgeNet:
    """Return the running mean of the weights after the given seconds.

    Args:
        net: What to go on from.
        strips: Pieces to learn from: those of photos, then drawn ones.
        held: Pieces to tell the way by.
        arguments: Of the command line.
        photos: How many are of photos.
        out: Where the weights are written.
    """
    device = arguments.device
    mean = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=arguments.rate, weight_decay=1e-3)
    began, step, saved = time.time(), 0, 0.0
    losses = torch.zeros((), device=device)
    while (spent := time.time() - began) < arguments.seconds:
        rise = min(1.0, (step + 1) / WARM_STEPS)
        rate = rise * 0.5 * (1 + math.cos(math.pi * spent / arguments.seconds))
        for group in optimizer.param_groups:
            group["lr"] = arguments.rate * max(rate, 1e-3)
        look, stretches = batch_of(
            strips,
            photos=photos,
            drawn_share=arguments.drawn_share,
            rows=arguments.rows,
            step=arguments.seed * 10_000_000 + step,
        )
        edges = look.edges.unflatten(0, (-1, stretches))
        loss = loss_of(scores(net, look, stretches=stretches), edges)
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
            e = errors_of([mean], held)
            own = e.width_px >= 8
            share = (e.median_px[own] / e.width_px[own] * 100).abs()
            print(
                f"saved; held out, 8 px and wider: |median| {share.median():.2f} %, "
                f"p90 {share.quantile(0.9):.2f} %",
                flush=True,
            )
    print(f"trained {step} steps of {arguments.rows} stretches on {device}")
    return mean


def saved_to(path: Path | IO[bytes], net: EdgeNet) -> None:
    """Write the weights, to half precision."""
    torch.save({k: v.detach().cpu().half() for k, v in net.state_dict().items()}, path)


def read_net(path: Path | IO[bytes]) -> EdgeNet:
    """Return the network of a file of :func:`saved_to`, or the one in a ``strip.onnx``."""
    net = EdgeNet()
    if isinstance(path, Path) and path.suffix == ".onnx":
        kept = shipped_weights(path)
    else:
        kept = torch.load(path, map_location="cpu", weights_only=True)
    net.load_state_dict({k: v.float() for k, v in kept.items()})
    return net


def shipped_weights(path: Path) -> dict[str, Tensor]:
    """Return the weights of the edge network in a file of ``strips/file.py``."""
    import onnx
    from onnx import numpy_helper

    first = "edges/nets.0."
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
    """Train one network and write it."""
    device = ready(arguments)
    arguments.seed += number
    torch.manual_seed(arguments.seed)
    held = stored((s for s in cut if s.held_out and s.smooth), device)
    strips = stored((s for s in cut if not s.held_out), device)
    photos, began = len(strips), time.time()
    strips = together(strips, drawn(arguments.drawn, device))
    print(f"{arguments.drawn} drawn profiles in {time.time() - began:.0f} s", flush=True)
    net = (read_net(start) if start else EdgeNet()).to(device)
    out = arguments.out / f"edges_{number}.pt"
    mean = train(net, strips, held, arguments, photos=photos, out=out)
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
    cut: Sequence[PieceStrip], device: str, nets: dict[str, Sequence[Path]], *, at_once: int = 64
) -> None:
    """Print what networks say of the pieces held out, each group together."""
    smooth = [s for s in cut if s.held_out and s.smooth]
    rough = [s for s in cut if s.held_out and not s.smooth]
    classes = [("finish", [s.finish for s in smooth]), ("light", [s.light for s in smooth])]
    held = stored(smooth, device)
    for name, paths in nets.items():
        read = [read_net(path).to(device) for path in paths]
        report(f"{name}, wires and tubes", errors_of(read, held, at_once=at_once), classes)
        report(f"{name}, wires and tubes, shadow in the outline",
               errors_of(read, held, shadowed=True, at_once=at_once), classes)  # fmt: skip
        if rough:
            report(f"{name}, cables and bars", errors_of(read, stored(rough, device)))


def main() -> None:
    """Cut, train, write the weights, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, nargs="*", default=[], help="weights to go on from")
    parser.add_argument("--compare", type=Path, nargs="*", default=[], help="weights to judge too")
    parser.add_argument("--seconds", type=float, default=280)
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
    cut = list(cut_strips(arguments.photos, workers=arguments.workers))
    print(f"{len(cut)} pieces cut, {time.time() - began:.0f} s", flush=True)
    starts = arguments.start or [None]
    processes = [
        get_context("fork").Process(target=learned, args=(cut, arguments, start, number))
        for number, start in enumerate(starts, start=1)
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
    judged(cut, ready(arguments), nets)


if __name__ == "__main__":
    main()
