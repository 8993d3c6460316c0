"""Train the small network that finds both edges of a wire in a profile.

    python models/recipe/edge_net.py --out vision/data/edge_net.npz --seconds 240

Profiles are drawn afresh for every step by ``edge_profiles.py`` (no photo is used);
a GPU makes it minutes. Prints errors on profiles of seeds it never trained on. Needs
torch and numpy. ``edge_tune.py`` then tunes it on photos; ``vision/edge_net.py`` runs
it with numpy.
"""

from __future__ import annotations

import argparse
import math
import sys
import time
from pathlib import Path

import numpy as np
import torch
from torch import Tensor, nn

sys.path.insert(0, str(Path(__file__).parent))
from edge_profiles import SAMPLES, WINDOW_WIDTHS, Batch, draw_batch

LOG_FLOOR = 0.004  # as in vision/profiles.py
KERNEL = 7
DILATIONS = (1, 2, 4, 8, 16)
LABEL_SIGMA = 0.7  # samples
VALIDATION_SEED = 10_000_000


class EdgeNet(nn.Module):
    """Five dilated convolutions; two scores, left and right edge, for each position."""

    def __init__(self, channels: int) -> None:
        super().__init__()
        layers: list[nn.Module] = []
        before = 8
        for dilation in DILATIONS:
            layers += [
                nn.Conv1d(
                    before, channels, KERNEL, dilation=dilation, padding=dilation * (KERNEL // 2)
                ),
                nn.ReLU(),
            ]
            before = channels
        layers.append(nn.Conv1d(channels, 2, 1))
        self.layers = nn.Sequential(*layers)

    def forward(self, x: Tensor) -> Tensor:
        """``(n, 8, SAMPLES)`` to ``(n, 2, SAMPLES)``."""
        return self.layers(x)


def inputs(profiles: Tensor, known: Tensor, width_px: Tensor) -> Tensor:
    """Log colours about their mean, linear colours, what is known, how coarse the pixels are."""
    logs = torch.log(profiles + LOG_FLOOR)
    known = known.unsqueeze(1)
    mean = (logs * known).sum(dim=(1, 2), keepdim=True) / (3 * known.sum(dim=2, keepdim=True))
    scale = (torch.log(width_px / 30) / 2)[:, None, None].expand(-1, 1, profiles.shape[2])
    top = torch.quantile(profiles.amax(dim=1), 0.9, dim=1)[:, None, None].clamp_min(0.02)
    return torch.cat(
        [(logs - mean) * known, (profiles / top).clamp(max=2) * known, known, scale], dim=1
    )


def hide_some(batch: Batch, g: torch.Generator) -> Tensor:
    """Now and then the photo ends, or another piece lies, beyond one side of the wire."""
    n, device = len(batch.width_px), batch.profiles.device
    at = torch.arange(SAMPLES, device=device)[None, :]
    room = torch.rand((n, 2), generator=g, device=device) * 60 + 8
    hide = torch.rand((n, 2), generator=g, device=device) < 0.06
    left = (at > batch.edges[:, :1] - room[:, :1]) | ~hide[:, :1]
    right = (at < batch.edges[:, 1:] + room[:, 1:]) | ~hide[:, 1:]
    return (left & right).float() * batch.known


def loss_of(logits: Tensor, edges: Tensor) -> Tensor:
    """Cross-entropy against a narrow Gaussian about each true edge."""
    at = torch.arange(logits.shape[2], device=logits.device)[None, None, :]
    label = torch.exp(-0.5 * ((at - edges.unsqueeze(-1)) / LABEL_SIGMA) ** 2)
    label = label / label.sum(dim=2, keepdim=True).clamp_min(1e-9)
    return -(label * torch.log_softmax(logits, dim=2)).sum(dim=2).mean()


def found(logits: Tensor, half: int = 4) -> Tensor:
    """Local mean about the highest peak, in samples."""
    p = torch.softmax(logits, dim=2)
    peak = p.argmax(dim=2, keepdim=True)
    at = torch.arange(logits.shape[2], device=logits.device)[None, None, :]
    near = p * ((at - peak).abs() <= half)
    return (near * at).sum(dim=2) / near.sum(dim=2)


def report(net: EdgeNet, device: str, batches: int) -> None:
    """Print width errors by width and metal, on seeds that training never drew."""
    errors, widths, kinds = [], [], []
    for k in range(batches):
        b = draw_batch(1024, device=device, seed=VALIDATION_SEED + k)
        with torch.no_grad():
            got = found(net(inputs(b.profiles, b.known, b.width_px)))
        true = b.edges[:, 1] - b.edges[:, 0]
        errors.append(((got[:, 1] - got[:, 0] - true) / true * 100).cpu())
        widths.append((true / (SAMPLES - 1) * 2 * WINDOW_WIDTHS * b.width_px).cpu())
        kinds.append(b.kind.cpu())
    error, width, kind = torch.cat(errors), torch.cat(widths), torch.cat(kinds)
    names = ("copper", "tarnished", "white metal", "coated or green")
    for low, high in ((5, 8), (8, 12), (12, 20), (20, 50), (50, 300)):
        for number, name in enumerate(names):
            e = error[(width >= low) & (width < high) & (kind == number)]
            if len(e):
                print(
                    f"{low:4d}-{high:<4d} px {name:16s} n {len(e):5d}  median {e.median():+.2f} %"
                    f"  |median| {e.abs().median():.2f} %  p90 {e.abs().quantile(0.9):.2f} %"
                )


def convolutions(net: EdgeNet) -> list[nn.Conv1d]:
    """Return the layers that have weights, in order."""
    return [layer for layer in net.layers if isinstance(layer, nn.Conv1d)]


def save_weights(net: EdgeNet, path: Path) -> None:
    """Write the weights as ``vision/edge_net.py`` reads them."""
    weights = {"dilations": np.array([*DILATIONS, 1])}
    for k, conv in enumerate(convolutions(net)):
        weights[f"w{k}"] = conv.weight.detach().cpu().numpy().astype(np.float32)
        weights[f"b{k}"] = conv.bias.detach().cpu().numpy().astype(np.float32)
    np.savez_compressed(path, **weights)


def load_weights(net: EdgeNet, path: Path) -> None:
    """Set the weights from a file of :func:`save_weights`."""
    with np.load(path, allow_pickle=False) as stored, torch.no_grad():
        for k, conv in enumerate(convolutions(net)):
            conv.weight.copy_(torch.from_numpy(stored[f"w{k}"]))
            if conv.bias is not None:
                conv.bias.copy_(torch.from_numpy(stored[f"b{k}"]))


def main() -> None:
    """Train, write the weights, report."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--seconds", type=float, default=240)
    parser.add_argument("--batch", type=int, default=1024)
    parser.add_argument("--channels", type=int, default=40)
    arguments = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    torch.manual_seed(1)
    net = EdgeNet(arguments.channels).to(device)
    optimizer = torch.optim.AdamW(net.parameters(), lr=3e-3, weight_decay=1e-4)
    g = torch.Generator(device=device).manual_seed(2)
    began, step, shown = time.time(), 0, 0.0
    while (spent := time.time() - began) < arguments.seconds:
        share = spent / arguments.seconds
        for group in optimizer.param_groups:
            group["lr"] = 3e-3 * min(1.0, (step + 1) / 50) * 0.5 * (1 + math.cos(math.pi * share))
        b = draw_batch(arguments.batch, device=device, seed=step)
        known = hide_some(b, g)
        x = inputs(b.profiles, known, b.width_px)
        for flip in (False, True):
            if flip:
                x = x.flip(2)
            edges = (SAMPLES - 1 - b.edges).flip(1) if flip else b.edges
            loss = loss_of(net(x), edges)
            optimizer.zero_grad()
            loss.backward()
            nn.utils.clip_grad_norm_(net.parameters(), 1.0)
            optimizer.step()
        step += 1
        if spent - shown > 20:
            shown = spent
            print(f"{spent:5.0f} s  step {step}  loss {loss.item():.4f}", flush=True)
    torch.save(net.state_dict(), arguments.out.with_suffix(".pt"))
    print(f"trained {step} steps of {arguments.batch} on {device}")
    save_weights(net, arguments.out)
    report(net, device, 16 if device == "cuda" else 4)


if __name__ == "__main__":
    main()
