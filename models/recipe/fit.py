"""Train a small network for so many seconds; shared by ``edge_tune.py`` and ``rim_tune.py``.

Adam with weight decay, a short rise and then a cosine to the end of the time; the running
mean of the weights is what is kept, written every minute. Needs torch.
"""

from __future__ import annotations

import copy
import math
import time
from collections.abc import Callable
from pathlib import Path

import torch
from torch import Tensor, nn

from models.recipe.edge_net import EdgeNet, save_weights

RATE = 1.5e-3
WARM_STEPS = 200
MEAN_DECAY = 0.999
SAVE_EVERY_S = 60.0


def trained(
    net: EdgeNet,
    *,
    loss_at: Callable[[EdgeNet, int], Tensor],
    judged: Callable[[EdgeNet], str],
    out: Path,
    seconds: float,
    show: int,
) -> EdgeNet:
    """Return the running mean of the weights after the given seconds.

    Args:
        net: Where to start; changed.
        loss_at: The loss of one step's batch, by its number.
        judged: What to print of the running mean each time it is written.
        out: Where it is written.
        seconds: How long to train.
        show: Steps from printed loss to loss.
    """
    mean = copy.deepcopy(net)
    optimizer = torch.optim.AdamW(net.parameters(), lr=RATE, weight_decay=1e-3)
    began, step, saved = time.time(), 0, 0.0
    losses = torch.zeros((), device=next(net.parameters()).device)
    while (spent := time.time() - began) < seconds:
        rise = min(1.0, (step + 1) / WARM_STEPS)
        rate = rise * 0.5 * (1 + math.cos(math.pi * spent / seconds))
        for group in optimizer.param_groups:
            group["lr"] = RATE * max(rate, 1e-3)
        loss = loss_at(net, step)
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
        if step % show == 0:
            value = float(losses) / show
            losses.zero_()
            print(f"{time.time() - began:5.0f} s  step {step}  loss {value:.4f}", flush=True)
        if spent - saved > SAVE_EVERY_S:
            saved = spent
            save_weights(mean, out)
            print(f"saved; {judged(mean)}", flush=True)
    save_weights(mean, out)
    print(f"trained {step} steps")
    return mean
