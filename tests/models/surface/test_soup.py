"""The mean of two exported networks."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

onnx = pytest.importorskip("onnx", reason="only training needs it")

from models.recipe.surface.soup import mean_of, mean_rates  # noqa: E402


def _file(path: Path, name: str, weight: list[list[float]], op: str = "MatMul") -> Path:
    graph = onnx.helper.make_graph(
        [onnx.helper.make_node(op, ["x", name], ["y"])],
        "layer",
        [onnx.helper.make_tensor_value_info("x", onnx.TensorProto.FLOAT, [1, 2])],
        [onnx.helper.make_tensor_value_info("y", onnx.TensorProto.FLOAT, [1, 2])],
        [onnx.numpy_helper.from_array(np.array(weight, np.float32), name)],
    )
    onnx.save(onnx.helper.make_model(graph), str(path))
    return path


def test_a_linear_layer_answers_with_the_mean_of_both_answers(tmp_path: Path) -> None:
    before = _file(tmp_path / "a.onnx", "w", [[1.0, 2.0], [3.0, 4.0]])
    after = _file(tmp_path / "b.onnx", "other name", [[5.0, 2.0], [3.0, 0.0]])
    mean_of([before, after], [0.75, 0.25], tmp_path / "mean.onnx")
    kept = onnx.load(str(tmp_path / "mean.onnx")).graph
    assert kept.node[0].input[1] == "w"
    weight = onnx.numpy_helper.to_array(kept.initializer[0])
    np.testing.assert_allclose(weight, [[2.0, 2.0], [3.0, 3.0]])


def test_graphs_of_another_layout_are_refused(tmp_path: Path) -> None:
    before = _file(tmp_path / "a.onnx", "w", [[1.0, 2.0], [3.0, 4.0]])
    wider = _file(tmp_path / "b.onnx", "w", [[1.0, 2.0, 3.0], [3.0, 4.0, 5.0]])
    added = _file(tmp_path / "c.onnx", "w", [[1.0, 2.0], [3.0, 4.0]], op="Add")
    with pytest.raises(ValueError, match="shape"):
        mean_of([before, wider], [0.5, 0.5], tmp_path / "mean.onnx")
    with pytest.raises(ValueError, match="more than their weights"):
        mean_of([before, added], [0.5, 0.5], tmp_path / "mean.onnx")


def test_a_mean_answers_by_rates_between_those_of_its_parts() -> None:
    """The mean of two logits, by hand: odds of 1 and of 4 make odds of 2."""
    told = mean_rates([{"tube": {"tin": 0.5}}, {"tube": {"tin": 0.8}}], [0.5, 0.5])
    assert told["tube"]["tin"] == pytest.approx(2 / 3, abs=1e-5)
