"""Start a training from a shipped network, whose batch norms were folded away.

An exported graph holds one convolution with a bias for each convolution of ours, under a
name that tells which. Those that had a batch norm get one back that does nothing; its
statistics are then measured on training views, and scale and shift set so that nothing
changes. Classes the old network did not know start as a copy of the one most like them.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path

import torch
from torch import Tensor, nn

from models.recipe.surface.network import SurfaceNet
from models.recipe.surface.piece_head import PieceHead

LIKE = {"insulation": ("coated", 0.5), "stranger": ("table", 3.0)}
"""The old class from which a new one starts, and how much less likely it is at first."""
LEAST_SPREAD = 1e-4


def from_onnx(net: SurfaceNet, path: Path, *, old: Sequence[str], new: Sequence[str]) -> None:
    """Take the weights of an exported network; batch norms do nothing until measured.

    Args:
        net: In our layout.
        path: ``surface.onnx``.
        old: Classes of the file, in order.
        new: Classes of the network.

    Raises:
        ValueError: A convolution's shape does not fit.
    """
    import onnx

    graph = onnx.load(str(path)).graph
    values = {i.name: torch.from_numpy(onnx.numpy_helper.to_array(i).copy())
              for i in graph.initializer}  # fmt: skip
    theirs = {
        _module_of(n.name): [values[name] for name in n.input[1:]]
        for n in graph.node
        if n.op_type == "Conv" and n.name.startswith("/net/")
    }
    modules = dict(net.named_modules())
    norms = {id(conv): norm for conv, norm in normed(net)}
    with torch.no_grad():
        for name, conv in modules.items():
            if not isinstance(conv, nn.Conv2d):
                continue
            weight, bias = theirs[name]
            if conv is net.classify:
                likes = [(c, 0.0) if c in old else LIKE[c] for c in new]
                rows = [old.index(like) for like, _ in likes]
                weight, bias = weight[rows], bias[rows] - torch.tensor([less for _, less in likes])
            if conv.weight.shape != weight.shape:
                raise ValueError(f"{name}: {tuple(weight.shape)} for {tuple(conv.weight.shape)}")
            conv.weight.copy_(weight)
            norm = norms.get(id(conv))
            if norm is None:
                assert conv.bias is not None
                conv.bias.copy_(bias)
                continue
            idle(norm, bias)


def normed(net: nn.Module) -> list[tuple[nn.Conv2d, nn.BatchNorm2d]]:
    """Return each convolution that has a batch norm right behind it, with that, in order."""
    return [
        (conv, norm)
        for conv, norm in pairwise(net.modules())
        if isinstance(conv, nn.Conv2d) and isinstance(norm, nn.BatchNorm2d)
    ]


def idle(norm: nn.BatchNorm2d, bias: Tensor) -> None:
    """Let a batch norm add this bias and do nothing else."""
    norm.running_mean.zero_()
    norm.running_var.fill_(1.0)
    norm.weight.fill_((1.0 + norm.eps) ** 0.5)
    norm.bias.copy_(bias)


def _module_of(node: str) -> str:
    """Return the module's name of an exported node, ``/net/a.0/a.0.1/conv/Conv``."""
    path: list[str] = []
    for part in node.split("/")[2:-1]:
        if path and part.startswith(f"{path[-1]}."):
            path[-1] = part
        else:
            path.append(part)
    return ".".join(path)


@torch.no_grad()
def measure_norms(net: nn.Module, views: Sequence[tuple[Tensor, ...]]) -> None:
    """Give batch norms that do nothing the statistics of these views, changing no answer.

    Weights are scaled so that each channel comes out of its convolution with unit spread,
    the size that the training's rates are meant for.

    Args:
        net: Of any layout.
        views: What the network is given, a batch each.
    """
    sums: dict[nn.Module, list[Tensor]] = {}
    blocks = normed(net)

    def add(conv: nn.Module, _: object, out: Tensor) -> None:
        wide = out.double()
        count = torch.tensor(float(wide.numel() // wide.shape[1]), device=wide.device)
        part = [count, wide.sum(dim=(0, 2, 3)), (wide * wide).sum(dim=(0, 2, 3))]
        held = sums.get(conv)
        sums[conv] = part if held is None else [a + b for a, b in zip(held, part, strict=True)]

    hooks = [conv.register_forward_hook(add) for conv, _ in blocks]
    net.eval()
    for view in views:
        net(*view)
    for hook in hooks:
        hook.remove()
    for conv, norm in blocks:
        count, total, square = sums[conv]
        mean = total / count
        spread = (square / count - mean * mean).clamp_min(LEAST_SPREAD**2).sqrt()
        conv.weight.div_(spread.float()[:, None, None, None])
        norm.running_mean.copy_((mean / spread).float())
        norm.running_var.fill_(1.0)
        # Before: y + bias. Now: scale * (y / s - m / s) / sqrt(1 + eps) + shift.
        norm.weight.copy_((spread * (1.0 + norm.eps) ** 0.5).float())
        norm.bias.add_(mean.float())


def shipped_head(path: Path) -> PieceHead:
    """Return the head that a shipped file holds.

    Raises:
        ValueError: A weight has no place or another shape.
    """
    import onnx

    graph = onnx.load(str(path)).graph
    values = {i.name: onnx.numpy_helper.to_array(i) for i in graph.initializer}
    head = PieceHead()
    state = {}
    # A linear layer's weight is exported transposed, under a number: the bias that is added
    # to its product tells which layer it is.
    products = {n.output[0]: n.input[1] for n in graph.node if n.op_type == "MatMul"}
    for node in graph.node:
        if node.op_type != "Add":
            continue
        names = {name: products.get(name) for name in node.input}
        bias = next((n for n in names if n.endswith(".bias")), None)
        weight = next((values.get(w) for w in names.values() if w is not None), None)
        if bias is not None and weight is not None:
            state[bias.removeprefix("head.").replace(".bias", ".weight")] = weight.T
    state |= {n.removeprefix("head."): v for n, v in values.items() if n.startswith("head.")}
    head.load_state_dict({n: torch.from_numpy(v.copy()) for n, v in state.items()})
    return head.eval()
