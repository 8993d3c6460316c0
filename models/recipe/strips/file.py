"""Write the strip network as the one file that ships.

    python -m models.recipe.strips.file --edges edges.pt [more.pt] --near near.pt --looks looks.pt \
        --out DIR

Three parts share a file and know nothing of each other: one tells the edges along profiles
(``edges/network.py``; of several trained apart the log probabilities are averaged), one tells them
anew from close by (``edges/near.py``), one what windows of the strip show (``train.py``).
Weights are kept to half precision, which is what they were saved with, and computed with in
single. Needs torch and onnx.
"""

from __future__ import annotations

import argparse
import io
import json
import tomllib
import warnings
from collections.abc import Mapping, Sequence
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import onnx
import onnxruntime
import torch
from onnx import TensorProto, helper, numpy_helper
from torch import Tensor, nn

from models.recipe.edges.looks import SAMPLES
from models.recipe.edges.network import INPUTS, EdgeNet
from models.recipe.edges.train import read_net
from models.recipe.strips.network import StripNet
from models.recipe.surface.soup import mean_graph
from vision.width.strand.strip_look import ACROSS_PX, ALONG_PX, JOINING, LOOKS

MODEL_FILE, METADATA_FILE = "strip.onnx", "strip.toml"
SCHEMA = "cuproscope.strip/1"
OPSET = 17
PARITY = 0.05
"""Largest difference of log probabilities allowed between PyTorch and ONNX Runtime: rounding
the weights to half precision moved those of the looks by 0.011 on noise."""

LEAST_HALVED = 64
"""Smaller weights are kept as they are: they weigh nothing in the file."""


class EdgesOf(nn.Module):
    """What several edge networks say together."""

    def __init__(self, nets: Sequence[EdgeNet]) -> None:
        super().__init__()
        self.nets = nn.ModuleList(nets)

    def forward(self, profiles: Tensor, neighbours: Tensor) -> Tensor:
        """Return ``(n, SAMPLES, 2)`` log probabilities.

        Args:
            profiles: ``(n, SAMPLES, INPUTS)``.
            neighbours: ``(n, n)`` shares of the mean that each profile takes of each.
        """
        said = [net(profiles.transpose(1, 2), neighbours) for net in self.nets]
        logs = torch.stack([torch.log_softmax(logits, dim=2) for logits in said])
        return logs.mean(dim=0).transpose(1, 2)


def edge_part(nets: Sequence[EdgeNet], before: str = "") -> onnx.ModelProto:
    """Return the part that tells edges: ``profiles, neighbours`` to ``edges``.

    Args:
        nets: Their log probabilities are averaged.
        before: Put before each of these names.
    """
    n = 5
    profiles, neighbours, edges = (f"{before}{k}" for k in ("profiles", "neighbours", "edges"))
    return _exported(
        EdgesOf(nets),
        {profiles: torch.randn(n, SAMPLES, INPUTS), neighbours: torch.eye(n)},
        outputs=(edges,),
        axes={profiles: {0: f"{before}n"}, neighbours: dict.fromkeys((0, 1), f"{before}n"),
              edges: {0: f"{before}n"}},
    )  # fmt: skip


def look_part(net: StripNet) -> onnx.ModelProto:
    """Return the part that tells looks: ``light, log_step`` to ``looks, shares``."""
    return _exported(
        net.float(),
        {"light": torch.randn(2, ALONG_PX, ACROSS_PX, 3), "log_step": torch.zeros(2)},
        outputs=("looks", "shares"),
        axes={name: {0: "m"} for name in ("light", "log_step", "looks", "shares")},
    )


def with_before(
    look: onnx.ModelProto, kept: Mapping[str, Any], path: Path, *, share: float
) -> tuple[onnx.ModelProto, dict[str, Any]]:
    """Return the mean of looks and of those that they went on from (``surface/soup.py``).

    Args:
        look: The part trained last.
        kept: Its ``prior`` and ``made``.
        path: ``strip.onnx`` before, whose windows were joined as the mean's will be.
        share: Its weight.
    """
    told = tomllib.loads(path.with_suffix(".toml").read_text(encoding="utf-8"))
    prior = [share * told["prior"][name] + (1 - share) * p
             for name, p in zip(LOOKS, kept["prior"], strict=True)]  # fmt: skip
    made = f"{kept['made']}, {1 - share:g} of it and {share:g} of the looks before"
    mean = mean_graph([look, part_of(path, "looks")], [1 - share, share])
    return mean, {"prior": prior, "joining": told["joining"], "made": made}


def part_of(path: Path, name: str) -> onnx.ModelProto:
    """Return one part of a file that was written before, as it stands there.

    Args:
        path: Of :func:`written`.
        name: As :func:`joined` was given it.
    """
    whole = onnx.load(str(path))
    graph, before = onnx.GraphProto(), f"{name}/"
    graph.name = name
    graph.node.extend(node for node in whole.graph.node if node.output[0].startswith(before)
                      or any(side.startswith(before) for side in node.input))  # fmt: skip
    graph.initializer.extend(w for w in whole.graph.initializer if w.name.startswith(before))
    made = {side for node in graph.node for side in node.output}
    taken = {side for node in graph.node for side in node.input}
    graph.input.extend(value for value in whole.graph.input if value.name in taken)
    graph.output.extend(value for value in whole.graph.output if value.name in made)
    for node in graph.node:
        node.name = node.name.removeprefix(before)
        for side in (node.input, node.output):
            side[:] = [v.removeprefix(before) for v in side]
    for weight in graph.initializer:
        weight.name = weight.name.removeprefix(before)
    return helper.make_model(graph, opset_imports=whole.opset_import, ir_version=whole.ir_version)


def _exported(
    net: nn.Module,
    given: Mapping[str, Tensor],
    *,
    outputs: Sequence[str],
    axes: Mapping[str, Mapping[int, str]],
) -> onnx.ModelProto:
    """Export a network, its weights halved, and compare what ONNX Runtime makes of it.

    Raises:
        ValueError: ONNX Runtime says something else than PyTorch.
    """
    net = net.eval()
    written = io.BytesIO()
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the plain exporter is called old; it needs no more
        torch.onnx.export(
            net, tuple(given.values()), written, input_names=list(given),
            output_names=list(outputs), opset_version=OPSET, dynamo=False, dynamic_axes=dict(axes),
        )  # fmt: skip
        expected = net(*given.values())
    expected = expected if isinstance(expected, tuple) else (expected,)
    model = halved(onnx.load_from_string(written.getvalue()))
    session = onnxruntime.InferenceSession(
        model.SerializeToString(), providers=["CPUExecutionProvider"]
    )
    got = session.run(list(outputs), {name: value.numpy() for name, value in given.items()})
    worst = max(float(np.abs(a.numpy() - b).max()) for a, b in zip(expected, got, strict=True))
    print(f"{', '.join(outputs)}: ONNX Runtime differs by {worst:.1e}", flush=True)
    if worst > PARITY:
        raise ValueError(f"ONNX Runtime differs from PyTorch by {worst}")
    return model


def halved(model: onnx.ModelProto) -> onnx.ModelProto:
    """Return a model that keeps its large weights to half precision and widens them to run."""
    casts = []
    for weight in model.graph.initializer:
        values = numpy_helper.to_array(weight)
        if weight.data_type != TensorProto.FLOAT or values.size < LEAST_HALVED:
            continue
        name = weight.name
        weight.CopyFrom(numpy_helper.from_array(values.astype(np.float16), f"{name}.half"))
        casts.append(helper.make_node("Cast", [f"{name}.half"], [name], to=TensorProto.FLOAT))
    for place, cast in enumerate(casts):
        model.graph.node.insert(place, cast)
    return model


def joined(parts: Mapping[str, onnx.ModelProto]) -> onnx.ModelProto:
    """Return one model that holds several side by side.

    Args:
        parts: By a name that keeps what is inside each apart; inputs and outputs keep theirs.
    """
    graphs = []
    for name, part in parts.items():
        graph = onnx.GraphProto()
        graph.CopyFrom(part.graph)
        outer = {value.name for value in (*graph.input, *graph.output)}
        for node in graph.node:
            node.name = f"{name}/{node.name}" if node.name else ""
            for side in (node.input, node.output):
                side[:] = [v if v in outer or not v else f"{name}/{v}" for v in side]
        for weight in graph.initializer:
            weight.name = f"{name}/{weight.name}"
        graphs.append(graph)
    whole = helper.make_graph(
        [node for graph in graphs for node in graph.node],
        "strip",
        [value for graph in graphs for value in graph.input],
        [value for graph in graphs for value in graph.output],
        [weight for graph in graphs for weight in graph.initializer],
    )
    first = next(iter(parts.values()))
    model = helper.make_model(
        whole, opset_imports=first.opset_import, ir_version=first.ir_version, producer_name=""
    )
    onnx.checker.check_model(model)
    return model


def written(model: onnx.ModelProto, out: Path, *, kept: Mapping[str, Any], made: str) -> None:
    """Write the file and its description.

    Args:
        model: From :func:`joined`.
        out: Folder.
        kept: ``prior`` and ``joining`` of the looks.
        made: What it learned from, in words.
    """
    out.mkdir(parents=True, exist_ok=True)
    path = out / MODEL_FILE
    path.write_bytes(model.SerializeToString())
    lines = [
        f'schema = "{SCHEMA}"',
        f'file = "{MODEL_FILE}"',
        f'sha256 = "{sha256(path.read_bytes()).hexdigest()}"',
        f"looks = {json.dumps(list(LOOKS))}",
        f"made = {json.dumps(made)}",
        "",
        "[joining]",
        *(f"{name} = {float(kept['joining'][name])!r}" for name in JOINING),
        "",
        "[prior]",
        *(f"{look} = {float(p)!r}" for look, p in zip(LOOKS, kept["prior"], strict=True)),
    ]
    (out / METADATA_FILE).write_text("\n".join(lines) + "\n", encoding="utf-8")
    print(f"wrote {path} ({path.stat().st_size} bytes) and {METADATA_FILE}", flush=True)


def main() -> None:
    """Export both parts, join and write them."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--edges", type=Path, nargs="+", required=True)
    parser.add_argument("--near", type=Path, required=True)
    parser.add_argument("--looks", type=Path, required=True,
                        help="weights, or a strip.onnx whose part is kept")  # fmt: skip
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--before", metavar="FILE:SHARE",
                        help="a strip.onnx whose looks are averaged in")  # fmt: skip
    parser.add_argument("--made", default="", help="what the edges learned from, in words")
    options = parser.parse_args()
    if options.looks.suffix == ".onnx":
        kept = tomllib.loads(options.looks.with_suffix(".toml").read_text(encoding="utf-8"))
        kept["prior"] = [kept["prior"][look] for look in LOOKS]
        kept["made"] = kept["made"].partition("looks: ")[2] or kept["made"]
        look = part_of(options.looks, "looks")
    else:
        kept = torch.load(options.looks, map_location="cpu", weights_only=True)
        looks = StripNet()
        looks.load_state_dict(kept["weights"])
        look = look_part(looks.eval())
    if options.before is not None:
        file, _, told = options.before.rpartition(":")
        look, kept = with_before(look, kept, Path(file), share=float(told))
    parts = {
        "edges": edge_part([read_net(path) for path in options.edges]),
        "near": edge_part([read_net(options.near, near=True)], "near_"),
        "looks": look,
    }
    made = f"edges: {options.made}; looks: {kept['made']}" if options.made else kept["made"]
    written(joined(parts), options.out, kept=kept, made=made)


if __name__ == "__main__":
    main()
