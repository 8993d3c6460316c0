"""Train the part of the strip network that tells what a straightened strip shows.

    python -m models.recipe.strips.train --photos DIR [DIR...] --out looks.pt --workers 28

What it is, and how fine its strands are. Photos are those of ``models.recipe.render --split
train``. Scenes are held out by their seed: half of those calibrate how windows are joined,
the other half is reported. ``file.py`` writes what ships from the weights.
"""

from __future__ import annotations

import argparse
import random
import re
import time
from collections.abc import Callable
from math import cos, inf, pi
from pathlib import Path
from typing import Any

import numpy as np
import torch
from numpy.typing import NDArray
from torch import Tensor, nn
from torch.nn import functional

from models.recipe.strips.judge import Pieces, calibrated, report, told
from models.recipe.strips.network import StripNet
from models.recipe.strips.warm import from_file
from models.recipe.strips.windows import CODE_MIDDLE, CODES_A_LOG, UNKNOWN, gathered
from models.recipe.surface.warm import measure_norms
from vision.width.strand.strip_look import (
    ACROSS_PX,
    ALONG_PX,
    LOG_SHARE_RANGE,
    LOOKS,
    MOST_WINDOWS,
    bin_middles,
)

HELD_OUT = 0.06
"""Share of the scenes that is never trained on."""

HELD_OUT_MOST = 72
"""Windows of a held-out photo: all of them for up to four pieces looked at three times."""

SOFT_LOG = 0.016
"""The truth is spread over the histogram by a Gaussian of this width: half a bin,
so that neighbouring bins learn together."""

PEAK_RATE, WEIGHT_DECAY, WARM_UP = 3e-3, 2e-2, 0.04
NORM_BATCHES, NORM_BATCH = 16, 512
"""Windows that measure the batch norms of a file."""

AVERAGED = 0.998
"""Weights that ship are a running mean over about 500 steps."""


def varied(codes: Tensor) -> Tensor:
    """Return ``(n, ALONG, ACROSS, 3)`` light of stored codes as other phones might see it."""
    n, device = len(codes), codes.device

    def normal(spread: float, *shape: int) -> Tensor:
        return torch.randn(n, *shape, device=device) * spread

    def chance(p: float) -> Tensor:
        return (torch.rand(n, 1, 1, 1, device=device) < p).float()

    x = decoded(codes)
    blank = (x == 0).all(dim=3, keepdim=True)
    for axis in (1, 2):
        x = torch.where(chance(0.5) > 0, x.flip(axis), x)
        blank = blank if axis == 2 else (x == 0).all(dim=3, keepdim=True)
    soft = functional.avg_pool2d(x.permute(0, 3, 1, 2), 3, stride=1, padding=1,
                                 count_include_pad=False).permute(0, 2, 3, 1)  # fmt: skip
    x = torch.lerp(x, soft, chance(0.25))
    across = torch.linspace(-1, 1, ACROSS_PX, device=device).view(1, 1, -1, 1)
    x = x * torch.exp(normal(0.2, 1, 1, 1)) + across * normal(0.15, 1, 1, 1)
    tint = normal(0.15, 1, 1, 3)
    x = x + tint - tint.mean(dim=3, keepdim=True)
    x = x + torch.randn_like(x) * (0.08 * torch.rand(n, 1, 1, 1, device=device) * chance(0.6))
    # A piece may end in the window.
    along = torch.linspace(0, 1, ALONG_PX, device=device).view(1, -1, 1, 1)
    end = 0.45 * torch.rand(n, 1, 1, 1, device=device) * chance(0.15)
    away = (along < end / 2) | (along > 1 - end / 2) | blank
    return torch.where(away, torch.zeros_like(x), x)


def decoded(codes: Tensor) -> Tensor:
    """Return the logarithms of light that stored codes stand for."""
    return (codes.float() - CODE_MIDDLE) / CODES_A_LOG


def soft_targets(log_share: Tensor) -> Tensor:
    """Return ``(n, BINS)`` truth for the histogram."""
    at = torch.as_tensor(bin_middles(), dtype=torch.float32, device=log_share.device)
    return torch.softmax(-0.5 * ((at - log_share[:, None]) / SOFT_LOG) ** 2, dim=1)


def scene_of(file: Path) -> int:
    """Return the scene that a photo's name tells: ``t900001_3`` is of scene 900001."""
    found = re.search(r"\d+", file.stem)
    return int(found.group()) if found else 0


def held_out(scene: int) -> bool:
    """Return whether a scene is kept for calibration and report."""
    return (scene * 2654435761 % 2**32) / 2**32 < HELD_OUT


def reported(scene: int) -> bool:
    """Return whether a held-out scene is for the report, not for calibration."""
    return scene * 2246822519 % 2**32 >= 2**31


def trained(  # noqa: PLR0915 - one loop
    codes: NDArray[np.uint8],
    known: dict[str, NDArray[Any]],
    *,
    seconds: float,
    batch: int,
    device: str,
    start: Path | None = None,
    kept: Callable[[StripNet, NDArray[np.float64]], None] = lambda *_: None,
) -> tuple[StripNet, NDArray[np.float64]]:
    """Return the network after so many seconds and the prior of looks that it saw.

    ``kept`` gets the mean of the weights once at the half, so that a run cut short leaves some.
    """
    torch.manual_seed(0)
    usable = np.flatnonzero(known["look"] != UNKNOWN)
    images = torch.empty((len(usable), *codes.shape[1:]), dtype=torch.uint8, device=device)
    for first in range(0, len(usable), 4096):
        part = codes[known["slot"][usable[first : first + 4096]]]
        images[first : first + len(part)] = torch.from_numpy(part).to(device)
    look = torch.as_tensor(known["look"][usable].astype(np.int64), device=device)
    share = torch.as_tensor(known["log_share"][usable], device=device)
    step_of = torch.as_tensor(known["log_step"][usable], device=device)
    # Halfway, in logarithms, between as often as they come and all equally often.
    counts = torch.bincount(look, minlength=len(LOOKS)).float()
    odds = counts.clamp_min(1) ** -0.5
    chances = odds[look].double().cumsum(0)
    prior = (counts * odds / (counts * odds).sum()).cpu().numpy().astype(np.float64)

    net = _started(start, images, step_of).to(device, memory_format=torch.channels_last)
    told(f"{sum(p.numel() for p in net.parameters())} weights, {len(usable)} windows on {device}")
    running = {k: v.detach().clone().float() for k, v in net.state_dict().items()}
    optimiser = torch.optim.AdamW(net.parameters(), lr=PEAK_RATE, weight_decay=WEIGHT_DECAY)
    begun, last_told, steps, sums = time.monotonic(), 0.0, 0, torch.zeros(2, device=device)
    halfway = False
    while (done := (time.monotonic() - begun) / seconds) < 1:
        rate = min(done / WARM_UP, 1.0) * (0.5 + 0.5 * cos(pi * done))
        for group in optimiser.param_groups:
            group["lr"] = PEAK_RATE * max(rate, 1e-3)
        drawn = torch.rand(batch, device=device, dtype=torch.float64) * chances[-1]
        at = torch.searchsorted(chances, drawn).clamp_max(len(look) - 1)
        light = varied(images[at])
        jitter = step_of[at] + 0.1 * torch.randn(batch, device=device)
        with torch.autocast(images.device.type, dtype=torch.bfloat16, enabled=images.is_cuda):
            looks, shares = net(light, jitter)
        on_look = functional.nll_loss(looks, look[at])
        target = share[at]
        shown = (
            torch.isfinite(target) & (target > LOG_SHARE_RANGE[0]) & (target < LOG_SHARE_RANGE[1])
        )
        soft = soft_targets(torch.where(shown, target, torch.full_like(target, -1.5)))
        apart = -(soft * shares).sum(dim=1)
        on_share = (apart * shown).sum() / shown.sum().clamp_min(1)
        optimiser.zero_grad(set_to_none=True)
        (on_look + 0.5 * on_share).backward()
        nn.utils.clip_grad_norm_(net.parameters(), 2.0)
        optimiser.step()
        steps, sums = steps + 1, sums + torch.stack([on_look, on_share]).detach()
        _average(running, net, min(AVERAGED, steps / (steps + 9)))
        now = time.monotonic() - begun
        if now - last_told > max(10.0, seconds / 20):
            # The card works behind: reading the sums here keeps the clock honest too.
            mean = (sums / max(steps, 1)).tolist()
            told(f"{now:.0f} s, {steps} steps: look {mean[0]:.3f}, share {mean[1]:.3f} since start")
            last_told = now
        if done > 0.5 and not halfway:
            halfway = True
            half = StripNet()
            half.load_state_dict({k: v.cpu() for k, v in running.items()})
            kept(half.eval(), prior)
    told(f"{steps} steps of {batch}, {steps * batch / len(usable):.1f} times through")
    best = StripNet()
    best.load_state_dict(running)
    return best.eval(), prior


def _started(start: Path | None, images: Tensor, step_of: Tensor) -> StripNet:
    """Return the network with the weights asked for; the windows measure a file's batch norms."""
    net = StripNet()
    if start is None:
        return net
    if start.suffix == ".onnx":
        from_file(net, start)
        net = net.to(images.device)
        dice = torch.Generator(device=images.device).manual_seed(0)
        rows = torch.randint(len(images), (NORM_BATCHES, NORM_BATCH), generator=dice,
                             device=images.device)  # fmt: skip
        measure_norms(net, [(varied(images[at]), step_of[at]) for at in rows])
        return net
    net.load_state_dict(torch.load(start, map_location="cpu", weights_only=True)["weights"])
    return net


def _average(running: dict[str, Tensor], net: StripNet, kept: float) -> None:
    """Move the running mean of all weights a little towards the net's."""
    now = net.state_dict()
    names = [name for name, value in now.items() if value.is_floating_point()]
    with torch.no_grad():
        torch._foreach_lerp_([running[n] for n in names], [now[n] for n in names], 1 - kept)


def predicted(
    net: StripNet, codes: NDArray[np.uint8], known: dict[str, NDArray[Any]], *, device: str
) -> tuple[NDArray[np.float32], NDArray[np.float32]]:
    """Return the log probabilities of each window."""
    net = net.to(device).eval()
    looks, shares = [], []
    with torch.no_grad():
        for start in range(0, len(known["slot"]), 512):
            part = slice(start, start + 512)
            light = decoded(torch.from_numpy(codes[known["slot"][part]]).to(device))
            step = torch.as_tensor(known["log_step"][part], device=device)
            a, b = net(light, step)
            looks.append(a.cpu().numpy())
            shares.append(b.cpu().numpy())
    return np.concatenate(looks), np.concatenate(shares)


def main() -> None:
    """Cut, train, calibrate, report and write."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--photos", type=Path, nargs="+", default=[])
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--seconds", type=float, default=240.0, help="of training")
    parser.add_argument("--cut-until", type=float, default=inf, help="unix time")
    parser.add_argument("--until", type=float, default=inf, help="unix time training ends at")
    parser.add_argument("--start", type=Path, help="weights or a strip.onnx to go on from")
    parser.add_argument("--device", default="cpu")
    parser.add_argument("--batch", type=int, default=512)
    parser.add_argument("--limit", type=int, help="use so many photos only")
    options = parser.parse_args()
    files = sorted(file for folder in options.photos for file in folder.rglob("*.json"))
    random.Random(0).shuffle(files)
    files = files[: options.limit]
    begun = time.monotonic()
    # Cut before the card is first used: a process can't be forked safely after that.
    kept_codes, kept = gathered(
        [f for f in files if held_out(scene_of(f))],
        workers=options.workers,
        windows=MOST_WINDOWS,
        most=HELD_OUT_MOST,
        until=options.cut_until,
    )
    codes, known = gathered(
        [f for f in files if not held_out(scene_of(f))],
        workers=options.workers,
        until=options.cut_until,
    )
    told(f"{len(files)} photos, {len(known['look'])} windows in {time.monotonic() - begun:.0f} s: "
         + ", ".join(f"{look} {(known['look'] == k).sum()}" for k, look in enumerate(LOOKS))
         + f", unclear {(known['look'] == UNKNOWN).sum()}")  # fmt: skip
    device = options.device
    if device.startswith("cuda"):
        torch.cuda.set_device(torch.device(device).index or 0)
        torch.backends.cudnn.benchmark = True
        torch.backends.cuda.matmul.allow_tf32 = torch.backends.cudnn.allow_tf32 = True
    made = f"{len(files)} photos, {len(known['look'])} windows"
    options.out.parent.mkdir(parents=True, exist_ok=True)

    def finished(net: StripNet, prior: NDArray[np.float64]) -> None:
        """Calibrate, write, report."""
        looks, shares = predicted(net, kept_codes, kept, device=device)
        pieces = Pieces(kept, looks, shares, prior)
        scenes = np.array([kept["scene"][g[0]] for g in pieces.rows])
        for_report = np.array([reported(int(s)) for s in scenes])
        joining = calibrated(pieces, ~for_report)
        saved = {"weights": net.cpu().state_dict(), "prior": prior.tolist(), "joining": joining,
                 "made": f"{made}, {seconds:.0f} s"}  # fmt: skip
        torch.save(saved, options.out)
        told(f"held out: {len(set(scenes.tolist()))} scenes, "
             f"{len(set(scenes[for_report].tolist()))} of them reported")  # fmt: skip
        report(pieces, for_report, joining)

    seconds = max(1.0, min(options.seconds, options.until - time.time()))
    finished(*trained(codes, known, seconds=seconds, batch=options.batch, device=device,
                      start=options.start, kept=finished))  # fmt: skip


if __name__ == "__main__":
    main()
