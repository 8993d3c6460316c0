"""Train the rim network on the edges of straightened pieces of rendered photos.

    python -m models.recipe.rim_tune --photos DIR [DIR ...] --out rim_net.npz \\
        --seconds 400 --workers 28 --device cuda

Photos, held-out scenes and drawn profiles as for ``edge_tune.py``. Needs torch.
"""

from __future__ import annotations

import torch
from torch import Tensor

from models.recipe.edge_looks import Look, Strips
from models.recipe.edge_net import (
    RIM_INPUTS,
    RIM_PLAN,
    EdgeNet,
    found,
    loss_of,
    read_net,
    rim_inputs,
)
from models.recipe.edge_profiles import Draw
from models.recipe.edge_tune import WIDTH_CLASSES_PX, picked, prepared, told
from models.recipe.fit import trained
from models.recipe.rim_looks import rims_of, step_of

SHAPES = ((24, 6), (24, 6), (24, 6), (12, 10), (6, 12), (3, 12))
"""Stretches of a look, and cuts averaged in each, in turn."""


def scores(net: EdgeNet, look: Look, *, rims: int) -> Tensor:
    """Return ``(pieces, rims, 1, SAMPLES)``."""
    x = rim_inputs(look.profiles, look.known, look.width_px)
    logits: Tensor = net(x.unflatten(0, (-1, rims)))
    return logits


@torch.no_grad()
def errors_of(net: EdgeNet, strips: Strips, *, at_once: int = 64) -> tuple[Tensor, Tensor]:
    """Return true widths of pieces and the errors of the median over stretches, px."""
    net.eval()
    widths, errors = [], []
    for start in range(0, len(strips), at_once):
        pieces = torch.arange(start, min(start + at_once, len(strips)), device=strips.codes.device)
        d = Draw(len(pieces), str(strips.codes.device), 5_000_000 + start)
        look = rims_of(strips, pieces, stretches=24, cuts=6, d=d, plainly=True)
        logits = scores(net, look, rims=48)[:, :, 0]
        off = found(logits) - look.edges[:, 0].unflatten(0, (-1, 48))
        left, right = off.unflatten(1, (2, 24)).unbind(1)
        inward = torch.nanmedian(left + right, dim=1).values  # both edges' errors, inward
        width = strips.width_px[pieces]
        error = -inward * step_of(look.width_px[::48])
        good = torch.isfinite(error)
        widths.append(width[good].cpu())
        errors.append(error[good].cpu())
    net.train()
    return torch.cat(widths), torch.cat(errors)


def report(name: str, width: Tensor, error: Tensor) -> None:
    """Print width errors by width."""
    print(f"{name}: width errors on held-out scenes, |median| | p90 | bias (median)")
    for low, high in (*WIDTH_CLASSES_PX, (8, 1000)):
        own = (width >= low) & (width < high)
        if own.any():
            e, share = error[own], error[own] / width[own] * 100
            print(
                f"  {low:3d}-{high:<4d} px  n {int(own.sum()):6d}  {share.abs().median():5.2f} | "
                f"{share.abs().quantile(0.9):6.2f} | {share.median():+5.2f} %   "
                f"{e.abs().median():.3f} | {e.abs().quantile(0.9):.3f} | {e.median():+.3f} px"
            )
    print(flush=True)


def main() -> None:
    """Cut, train, write the weights, report."""
    arguments = told(__doc__)
    strips, photos, held, rough = prepared(arguments)
    start = arguments.start
    net = read_net(start, inputs=RIM_INPUTS) if start else EdgeNet(RIM_PLAN, before=RIM_INPUTS)

    def loss_at(net: EdgeNet, step: int) -> Tensor:
        stretches, cuts = SHAPES[step % len(SHAPES)]
        d = Draw(max(1, arguments.rows // stretches), arguments.device, step)
        pieces = picked(strips, d, photos=photos, drawn_share=arguments.drawn_share)
        look = rims_of(strips, pieces, stretches=stretches, cuts=cuts, d=d)
        edges = look.edges.unflatten(0, (-1, 2 * stretches))
        return loss_of(scores(net, look, rims=2 * stretches), edges)

    def judged(mean: EdgeNet) -> str:
        width, error = errors_of(mean, held)
        share = (error / width * 100)[width >= 8].abs()
        return f"held out, 8 px and wider: {share.median():.2f} %, p90 {share.quantile(0.9):.2f} %"

    mean = trained(
        net.to(arguments.device),
        loss_at=loss_at,
        judged=judged,
        out=arguments.out,
        seconds=arguments.seconds,
        show=arguments.show,
    )
    report("wires and tubes", *errors_of(mean, held))
    report("cables and bars", *errors_of(mean, rough))
    if arguments.device.startswith("cuda"):
        print(f"GPU memory {torch.cuda.max_memory_allocated(arguments.device) / 2**30:.1f} GiB")


if __name__ == "__main__":
    main()
