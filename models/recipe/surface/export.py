"""From trained networks to the files that ship: two ``.onnx`` and their description."""

from __future__ import annotations

import json
import warnings
from collections.abc import Mapping
from hashlib import sha256
from pathlib import Path
from typing import Any

import numpy as np
import torch

from models.recipe.surface.network import EMBEDDING, MULTIPLE_PX, STRIDE_PX, Deployed
from models.recipe.surface.piece_head import FORMS, PRESENCE, DeployedHead, PieceHead
from vision.finish.surface import METADATA_FILE, MODEL_FILE, SCHEMA, WHITE_TARGET
from vision.types import Surface

OPSET = 17
OUTPUTS = ["logits", "tarnish_level", "outline", "features"]
PIECE_FILE = "piece.onnx"
PIECE_OUTPUTS = ["presence", "share", "form", "tarnish", "shine", "strangeness"]
MAX_BYTES = 20_000_000
PARITY = 1e-3
"""Largest difference allowed between PyTorch's and ONNX Runtime's maps."""


def export_all(graph: Deployed, head: PieceHead, out: Path) -> float:
    """Write both files that ship and return the largest difference ONNX Runtime shows."""
    return max(export_onnx(graph, out / MODEL_FILE), export_head(head, out / PIECE_FILE))


def export_head(head: PieceHead, path: Path) -> float:
    """Write the head and return the largest difference ONNX Runtime shows from it.

    Raises:
        ValueError: The runtimes differ by more than ``PARITY``.
    """
    import onnxruntime

    graph = DeployedHead(head.cpu().float()).eval()
    rng = np.random.default_rng(0)

    def sample(n: int, rows: int, columns: int) -> tuple[torch.Tensor, torch.Tensor]:
        features = rng.normal(size=(1, EMBEDDING, rows, columns)).astype(np.float32)
        cover = (rng.random((n, rows, columns)) < 0.2).astype(np.float32)
        return torch.from_numpy(features), torch.from_numpy(cover)

    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")
        torch.onnx.export(
            graph,
            sample(2, 40, 48),
            str(path),
            input_names=["features", "cover"],
            output_names=PIECE_OUTPUTS,
            opset_version=OPSET,
            dynamo=False,
            dynamic_axes={
                "features": {2: "rows", 3: "columns"},
                "cover": {0: "pieces", 1: "rows", 2: "columns"},
            }
            | {name: {0: "pieces"} for name in PIECE_OUTPUTS},
        )
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    worst = 0.0
    for size in ((1, 32, 80), (3, 104, 40)):
        features, cover = sample(*size)
        theirs = session.run(None, {"features": features.numpy(), "cover": cover.numpy()})
        with torch.no_grad():
            ours = graph(features, cover)
        for a, b in zip(ours, theirs, strict=True):
            if a.shape != b.shape:
                raise ValueError(f"{tuple(a.shape)} became {b.shape}")
            worst = max(worst, float(np.abs(a.numpy() - b).max()))
    if worst > PARITY:
        raise ValueError(f"ONNX Runtime differs by {worst}")
    return worst


def export_onnx(graph: Deployed, path: Path) -> float:
    """Write the graph and return the largest difference ONNX Runtime shows from it.

    Two sizes are compared, so that a side frozen into the graph is noticed.

    Raises:
        ValueError: The file is too big, or the runtimes differ by more than ``PARITY``.
    """
    import onnxruntime

    graph = graph.cpu().float().eval()
    sample = torch.zeros((1, 256, 320, 3), dtype=torch.uint8)
    with warnings.catch_warnings(), torch.no_grad():
        warnings.simplefilter("ignore")  # the plain exporter is called old; it needs no more
        torch.onnx.export(
            graph,
            (sample,),
            str(path),
            input_names=["rgb"],
            output_names=OUTPUTS,
            opset_version=OPSET,
            dynamo=False,
            dynamic_axes={
                "rgb": {1: "height", 2: "width"},
                "logits": {2: "rows", 3: "columns"},
                "tarnish_level": {1: "rows", 2: "columns"},
                "outline": {2: "height", 3: "width"},
                "features": {2: "rows", 3: "columns"},
            },
        )
    fold_padding(path)
    if path.stat().st_size > MAX_BYTES:
        raise ValueError(f"{path} has {path.stat().st_size} bytes, more than {MAX_BYTES}")
    session = onnxruntime.InferenceSession(str(path), providers=["CPUExecutionProvider"])
    rng = np.random.default_rng(0)
    worst = 0.0
    for height, width in ((256, 320), (416, 128)):
        view = rng.integers(0, 256, (1, height, width, 3), dtype=np.uint8)
        theirs = session.run(None, {"rgb": view})
        with torch.no_grad():
            ours = graph(torch.from_numpy(view))
        for a, b in zip(ours, theirs, strict=True):
            worst = max(worst, float(np.abs(a.numpy() - b).max()))
    if worst > PARITY:
        raise ValueError(f"ONNX Runtime differs by {worst}")
    return worst


def fold_padding(path: Path) -> int:
    """Move zero padding that stands before a convolution into it; return how many.

    The encoder's uneven padding is exported as a step of its own, for which ONNX Runtime
    leaves its blocked memory layout and comes back: a fifth of the network's time.
    """
    import onnx
    import onnxruntime

    # The amounts come out of a chain of casts; the runtime's first pass makes them numbers.
    options = onnxruntime.SessionOptions()
    options.graph_optimization_level = onnxruntime.GraphOptimizationLevel.ORT_ENABLE_BASIC
    options.optimized_model_filepath = str(path)
    onnxruntime.InferenceSession(path.read_bytes(), options, providers=["CPUExecutionProvider"])
    model = onnx.load(str(path))
    graph = model.graph
    values = {i.name: onnx.numpy_helper.to_array(i) for i in graph.initializer}
    for node in graph.node:
        if node.op_type == "Constant":
            values[node.output[0]] = onnx.numpy_helper.to_array(node.attribute[0].t)
    users: dict[str, list[onnx.NodeProto]] = {}
    for node in graph.node:
        for name in node.input:
            users.setdefault(name, []).append(node)
    folded = []
    for pad in graph.node:
        after = users.get(pad.output[0], []) if pad.op_type == "Pad" else []
        if len(after) != 1 or after[0].op_type != "Conv" or pad.input[1] not in values:
            continue
        if len(pad.input) > 2 and pad.input[2] and float(values[pad.input[2]]) != 0.0:
            continue
        sides = [int(v) for v in values[pad.input[1]]]  # n, c, top, left; n, c, bottom, right
        (pads,) = (a for a in after[0].attribute if a.name == "pads")
        added = (sides[2], sides[3], sides[6], sides[7])
        pads.ints[:] = [own + more for own, more in zip(pads.ints, added, strict=True)]
        after[0].input[0] = pad.input[0]
        folded.append(pad)
    for pad in folded:
        graph.node.remove(pad)
    used = {name for node in graph.node for name in node.input}
    for left in [i for i in graph.initializer if i.name not in used]:
        graph.initializer.remove(left)
    for domain in [o for o in model.opset_import if o.domain]:
        model.opset_import.remove(domain)  # the runtime lists its own; none is used
    onnx.checker.check_model(model)
    onnx.save(model, str(path))
    return len(folded)


def write_metadata(
    folder: Path,
    *,
    calibration: Mapping[str, float],
    piece_calibration: Mapping[str, float],
    learned_rates: Mapping[str, Mapping[str, float]],
    training: Mapping[str, Any],
    figures: Mapping[str, Any],
    date: str,
) -> None:
    """Write ``surface.toml`` for the two networks that lie in the folder."""
    tables: dict[str, Mapping[str, Any]] = {
        "": {
            "schema": SCHEMA,
            "file": MODEL_FILE,
            **_content(folder / MODEL_FILE),
            "opset": OPSET,
            "date": date,
            "classes": [str(s) for s in Surface],
        },
        "input": {
            "name": "rgb",
            "layout": "1, height, width, 3",
            "dtype": "uint8",
            "colour": "sRGB",
            "side_multiple_px": MULTIPLE_PX,
            "white_linear_target": WHITE_TARGET,
        },
        "output": {"names": OUTPUTS, "stride_px": STRIDE_PX, "features": EMBEDDING},
        "calibration": calibration,
        "piece": {
            "file": PIECE_FILE,
            **_content(folder / PIECE_FILE),
            "inputs": ["features", "cover"],
            "outputs": PIECE_OUTPUTS,
            "presence": list(PRESENCE),
            "forms": list(FORMS),
        },
        "piece_calibration": piece_calibration,
        **{f"learned_rates.{name}": rates for name, rates in learned_rates.items()},
        "training": training,
        "figures": figures,
    }
    lines = ["# Written by models/recipe/surface/calibrate.py; not to be edited by hand."]
    for name, table in tables.items():
        if name:
            lines += ["", f"[{name}]"]
        # JSON's strings, numbers, booleans and flat lists are TOML's as well.
        lines += [f"{key} = {json.dumps(value)}" for key, value in table.items()]
    (folder / METADATA_FILE).write_text("\n".join(lines) + "\n", encoding="utf-8")


def _content(path: Path) -> dict[str, Any]:
    content = path.read_bytes()
    return {"sha256": sha256(content).hexdigest(), "bytes": len(content)}
