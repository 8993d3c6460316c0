"""Train the edge network on straightened pieces of rendered photos.

    python -m models.recipe.edges.train --photos DIR [DIR ...] --out edge_net.npz \\
        --seconds 280 --workers 28 --device cuda

The photos come with truth (``models.recipe.render``). A share of each batch is drawn
(``edge_profiles.py``), so that what renders lack is seen as well. Every twentieth scene is
held out; what each shipped network and the new one say of its pieces is printed, looked at
twice as ``vision/width/diameter.py`` does. The running mean of the weights is written every
minute. Needs torch; no renderer.
"""

from __future__ import annotations

import argparse
import copy
import math
import time
from dataclasses import dataclass
from pathlib import Path

import torch
from torch import Tensor, nn

from models.recipe.edges.cutting import PieceStrip, cut_strips
from models.recipe.edges.looks import (
    SAMPLES,
    WINDOW_WIDTHS,
    Look,
    Strips,
    changed,
    drawn_strips,
    guesses,
    looked_at,
    stored,
    stretches_of,
    together,
    turned,
    worsened,
)
from models.recipe.edges.network import EdgeNet, found, inputs, loss_of, read_net, save_weights
from models.recipe.edges.profiles import Draw, draw_codes
from vision.width.diameter import (
    FIRST_LOOK_DOUBT,
    FIRST_STRETCHES,
    MASK_DOUBT,
    MAX_STRETCHES,
    POOL_POWER,
)
from vision.width.edge_net import WEIGHTS

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
    guess, shift = guesses(d, seen.width_px[::stretches], stretches=stretches)
    look = worsened(
        looked_at(seen, guess=guess, shift=shift), Draw(n * stretches, device, 2**31 + step)
    )
    return turned(look, d, stretches=stretches), stretches


def scores(net: EdgeNet, look: Look, *, stretches: int) -> Tensor:
    """Return ``(pieces, stretches, 2, SAMPLES)``."""
    x = inputs(look.profiles, look.known, look.width_px)
    logits: Tensor = net(x.unflatten(0, (-1, stretches)))
    return logits


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
        width_px: ``(n,)`` true widths of the pieces.
        median_px: ``(n,)`` error of the median over a piece's stretches.
        pooled_px: ``(n,)`` error of the stretches' pooled probabilities.
        each_width_px: ``(k,)`` true widths of single stretches.
        each_px: ``(k,)`` their errors.
    """

    width_px: Tensor
    median_px: Tensor
    pooled_px: Tensor
    each_width_px: Tensor
    each_px: Tensor


def expected(look: Look, doubt: tuple[float, float]) -> Tensor:
    """Return ``(b, 2, SAMPLES)`` as ``vision.width.diameter.expectation`` adds to the scores."""
    width = look.width_px[:, None, None]
    offsets = torch.linspace(-1, 1, SAMPLES, device=width.device) * WINDOW_WIDTHS * width
    side = torch.tensor([-0.5, 0.5], device=width.device)[None, :, None] * width
    return -1.5 * torch.log1p(((offsets - side) / (doubt[0] * width + doubt[1])) ** 2 / 2)


@torch.no_grad()
def errors_of(net: EdgeNet, strips: Strips, *, at_once: int = 64) -> Errors:
    """Look twice at every piece, from an outline that is off, and compare with the truth."""
    net.eval()
    device = str(strips.codes.device)
    parts: list[tuple[Tensor, ...]] = []
    for start in range(0, len(strips), at_once):
        pieces = torch.arange(start, min(start + at_once, len(strips)), device=device)
        d = Draw(len(pieces), device, 5_000_000 + start)
        width = strips.width_px[pieces]
        doubt = MASK_DOUBT[0] + MASK_DOUBT[1] / width
        guess = 1 + d.uniform(-1, 1) * doubt.clamp(max=0.4)
        shift = (d.normal() * 0.3 * doubt)[:, None].expand(-1, FIRST_STRETCHES).flatten()
        for stretches, cuts, off in (
            (FIRST_STRETCHES, 12, MASK_DOUBT),
            (MAX_STRETCHES, 6, FIRST_LOOK_DOUBT),
        ):
            seen = stretches_of(strips, pieces, stretches=stretches, cuts=cuts)
            wide = guess.repeat_interleave(stretches)
            look = looked_at(seen, guess=wide, shift=shift)
            prior = expected(look, off).unflatten(0, (-1, stretches))
            logits = scores(net, look, stretches=stretches) + prior
            sample = 2 * WINDOW_WIDTHS * guess / (SAMPLES - 1)  # widths
            edges = (found(logits) - (SAMPLES - 1) / 2) * sample[:, None, None]
            edges = edges + shift.unflatten(0, (-1, stretches)).unsqueeze(2)
            across = edges[..., 1] - edges[..., 0]
            if stretches == FIRST_STRETCHES:
                guess = across.median(dim=1).values.clamp(0.3, 1.7)
                middle = edges.mean(dim=2)
                steady = middle.median(dim=1, keepdim=True).values
                middle = torch.where((middle - steady).abs() < 0.15, middle, steady)
                shift = middle.repeat_interleave(MAX_STRETCHES // FIRST_STRETCHES, dim=1).flatten()
        true = (seen.edges[:, 1] - seen.edges[:, 0]).unflatten(0, (-1, stretches))
        good = torch.isfinite(true)
        own = torch.where(good, across, torch.nan).nanmedian(dim=1).values
        truth = torch.where(good, true, torch.nan).nanmedian(dim=1).values
        pooled = _pooled(torch.softmax(logits, dim=3), good) * sample
        kept = good.any(dim=1)
        parts.append(
            (
                (width * truth)[kept],
                (width * (own - truth))[kept],
                (width * (pooled - truth))[kept],
                (width[:, None] * true)[good],
                (width[:, None] * (across - true))[good],
            )
        )
    net.train()
    columns = [torch.cat(column).cpu() for column in zip(*parts, strict=True)]
    return Errors(
        width_px=columns[0],
        median_px=columns[1],
        pooled_px=columns[2],
        each_width_px=columns[3],
        each_px=columns[4],
    )


def _pooled(p: Tensor, good: Tensor) -> Tensor:
    """Return ``(n,)`` widths in samples: ``vision.width.diameter.pooled`` at one scale."""
    spectra = torch.fft.rfft(p.double(), n=2 * SAMPLES, dim=3)
    both = torch.fft.irfft(spectra[:, :, 0].conj() * spectra[:, :, 1], n=2 * SAMPLES, dim=2)
    logs = torch.log(both[..., :SAMPLES].clamp_min(1e-12)) * good.unsqueeze(2)
    logs = logs.sum(dim=1) * POOL_POWER / good.sum(dim=1, keepdim=True).clamp_min(1)
    density = torch.softmax(logs, dim=1)
    below = density.cumsum(dim=1) - density / 2
    k = (below < 0.5).sum(dim=1, keepdim=True).clamp(1, SAMPLES - 1)
    low, high = below.gather(1, k - 1), below.gather(1, k)
    part = ((0.5 - low) / (high - low).clamp_min(1e-12)).clamp(0, 1)
    return (k - 1 + part)[:, 0].float()


def report(name: str, errors: Errors) -> None:
    """Print width errors by width."""
    print(f"{name}: width errors on held-out scenes, |median| | p90 | bias (median)")
    for what, wide, error in (
        ("piece, median", errors.width_px, errors.median_px),
        ("piece, pooled", errors.width_px, errors.pooled_px),
        ("single stretch", errors.each_width_px, errors.each_px),
    ):
        for low, high in (*WIDTH_CLASSES_PX, (8, 1000)):
            own = (wide >= low) & (wide < high)
            if own.any():
                e, share = error[own], error[own] / wide[own] * 100
                print(
                    f"  {what:14s} {low:3d}-{high:<4d} px  n {int(own.sum()):6d}  "
                    f"{share.abs().median():5.2f} | {share.abs().quantile(0.9):6.2f} | "
                    f"{share.median():+5.2f} %   {e.abs().median():.3f} | "
                    f"{e.abs().quantile(0.9):.3f} | {e.median():+.3f} px"
                )
    print(flush=True)


def train(
    net: EdgeNet, strips: Strips, held: Strips, arguments: argparse.Namespace, *, photos: int
) -> EdgeNet:
    """Return the running mean of the weights after the given seconds."""
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
            step=step,
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
            save_weights(mean, arguments.out)
            e = errors_of(mean, held)
            own = e.width_px >= 8
            share = (e.pooled_px[own] / e.width_px[own] * 100).abs()
            print(
                f"saved; held out, 8 px and wider, pooled: |median| {share.median():.2f} %, "
                f"p90 {share.quantile(0.9):.2f} %",
                flush=True,
            )
    print(f"trained {step} steps of {arguments.rows} stretches on {device}")
    return mean


def main() -> None:
    """Cut, train, write the weights, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--photos", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--start", type=Path, help="weights to go on from")
    parser.add_argument("--seconds", type=float, default=280)
    parser.add_argument("--workers", type=int, default=1)
    parser.add_argument("--device", default="cuda" if torch.cuda.is_available() else "cpu")
    parser.add_argument("--rows", type=int, default=1536, help="stretches in a batch")
    parser.add_argument("--drawn", type=int, default=49_152, help="drawn profiles")
    parser.add_argument("--drawn-share", type=float, default=0.3)
    parser.add_argument("--rate", type=float, default=1.5e-3, help="of learning, at its highest")
    parser.add_argument("--seed", type=int, default=5)
    parser.add_argument("--show", type=int, default=500, help="steps from loss to loss")
    arguments = parser.parse_args()
    arguments.out.parent.mkdir(parents=True, exist_ok=True)
    torch.backends.cuda.matmul.allow_tf32 = True
    torch.backends.cudnn.allow_tf32 = True
    torch.backends.cudnn.benchmark = True
    torch.manual_seed(arguments.seed)
    began = time.time()
    # Cut before the device is first used: the processes are forks of this one.
    cut: list[PieceStrip] = list(cut_strips(arguments.photos, workers=arguments.workers))
    if arguments.device.startswith("cuda:"):
        torch.cuda.set_device(arguments.device)
    held = stored((s for s in cut if s.held_out and s.smooth), arguments.device)
    rough = stored((s for s in cut if s.held_out and not s.smooth), arguments.device)
    strips = stored((s for s in cut if not s.held_out), arguments.device)
    del cut
    print(
        f"{len(strips)} pieces to train on, {len(held)} + {len(rough)} held out, "
        f"{time.time() - began:.0f} s"
    )
    photos = len(strips)
    strips = together(strips, drawn(arguments.drawn, arguments.device))
    print(f"{arguments.drawn} drawn profiles, {time.time() - began:.0f} s", flush=True)
    for path in WEIGHTS:
        shipped = read_net(path).to(arguments.device)
        report(f"{path.name}, wires and tubes", errors_of(shipped, held))
        report(f"{path.name}, cables and bars", errors_of(shipped, rough))
    net = (read_net(arguments.start) if arguments.start else EdgeNet()).to(arguments.device)
    mean = train(net, strips, held, arguments, photos=photos)
    save_weights(mean, arguments.out)
    report("trained, wires and tubes", errors_of(mean, held))
    report("trained, cables and bars", errors_of(mean, rough))
    if arguments.device.startswith("cuda"):
        print(f"GPU memory {torch.cuda.max_memory_allocated(arguments.device) / 2**30:.1f} GiB")


if __name__ == "__main__":
    main()
