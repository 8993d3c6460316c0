"""Boosted trees as a file that ONNX Runtime reads."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

OPSETS = {"": 17, "ai.onnx.ml": 3}


def ensemble(models: Sequence[Any]) -> dict[str, Any]:
    """Return the attributes of one ONNX tree ensemble that tells what several models tell.

    Args:
        models: Fitted histogram gradient boosting of scikit-learn, one a target, of the same
            inputs; of a classifier its log-odds.

    References:
        ONNX operators, ``ai.onnx.ml.TreeEnsembleRegressor``, version 3.
    """
    nodes: dict[str, list[Any]] = {name: [] for name in NODES}
    leaves: dict[str, list[Any]] = {name: [] for name in LEAVES}
    number = 0
    for target, model in enumerate(models):
        for (tree,) in model._predictors:
            for at, node in enumerate(tree.nodes):
                leaf = bool(node["is_leaf"])
                row = (
                    number, at, 0 if leaf else int(node["feature_idx"]),
                    "LEAF" if leaf else "BRANCH_LEQ",
                    0.0 if leaf else float(np.float32(node["num_threshold"])),
                    0 if leaf else int(node["left"]), 0 if leaf else int(node["right"]),
                )  # fmt: skip
                for name, value in zip(NODES, row, strict=True):
                    nodes[name].append(value)
                if leaf:
                    for name, value in zip(
                        LEAVES, (number, at, target, float(node["value"])), strict=True
                    ):
                        leaves[name].append(value)
            number += 1
    base = [float(np.ravel(model._baseline_prediction)[0]) for model in models]
    return {**nodes, **leaves, "n_targets": len(models), "base_values": base,
            "aggregate_function": "SUM", "post_transform": "NONE"}  # fmt: skip


NODES = ("nodes_treeids", "nodes_nodeids", "nodes_featureids", "nodes_modes", "nodes_values",
         "nodes_truenodeids", "nodes_falsenodeids")  # fmt: skip
LEAVES = ("target_treeids", "target_nodeids", "target_ids", "target_weights")


def write_trees(path: Path, told: Mapping[str, Sequence[Any]], *, features: int) -> None:
    """Write a graph from ``plain`` and ``flash``, ``(n, features)`` each, to what is told.

    Args:
        path: Of the file.
        told: Models by what they are given: the plain strip (``still``), the flash strip
            (``alone``), both one after the other (``pair``).
        features: Numbers of a strip.
    """
    from onnx import TensorProto, checker, helper, save

    def numbers(name: str, count: int) -> Any:  # noqa: ANN401
        return helper.make_tensor_value_info(name, TensorProto.FLOAT, ["n", count])

    given = {"still": "plain", "alone": "flash", "pair": "both"}
    steps = [helper.make_node("Concat", ["plain", "flash"], ["both"], axis=1)]
    for name, models in told.items():
        own = {"domain": "ai.onnx.ml", **ensemble(models)}
        steps.append(helper.make_node("TreeEnsembleRegressor", [given[name]], [name], **own))
    graph = helper.make_graph(
        steps, "flash", [numbers(name, features) for name in ("plain", "flash")],
        [numbers(name, len(models)) for name, models in told.items()],
    )  # fmt: skip
    opsets = [helper.make_opsetid(domain, version) for domain, version in OPSETS.items()]
    model = helper.make_model(graph, opset_imports=opsets, ir_version=8)
    checker.check_model(model)
    save(model, str(path))
