"""Start a training of the looks from the file that ships, whose batch norms were folded away."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import onnx
import torch
from onnx import numpy_helper
from torch import nn

from models.recipe.strips.file import part_of
from models.recipe.surface.warm import idle, normed


def from_file(net: nn.Module, path: Path) -> None:
    """Take the weights of a written file; batch norms do nothing until measured.

    Args:
        net: In our layout.
        path: ``strip.onnx``. Exported convolutions stand in the order of ours, and those of
            linear layers keep their names.

    Raises:
        ValueError: The file holds another layout.
    """
    graph = part_of(path, "looks").graph
    values = {w.name: numpy_helper.to_array(w).astype(np.float32) for w in graph.initializer}
    values |= {n.output[0]: values[n.input[0]] for n in graph.node
               if n.op_type == "Cast" and n.input[0] in values}  # fmt: skip
    theirs = [_weights(n, values) for n in graph.node if n.op_type == "Conv"]
    with torch.no_grad():
        for (conv, norm), (weight, bias) in zip(normed(net), theirs, strict=True):
            conv.weight.copy_(weight)
            idle(norm, bias)
        for name, layer in net.named_modules():
            if isinstance(layer, nn.Linear):
                layer.weight.copy_(torch.from_numpy(values[f"{name}.weight"]))
                layer.bias.copy_(torch.from_numpy(values[f"{name}.bias"]))


def _weights(
    node: onnx.NodeProto, values: dict[str, np.ndarray]
) -> tuple[torch.Tensor, torch.Tensor]:
    weight, bias = (torch.from_numpy(values[name]) for name in node.input[1:])
    return weight, bias
