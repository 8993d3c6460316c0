"""The file tells what scikit-learn's trees tell."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from models.recipe.flash.trees import write_trees


def test_onnx_runtime_tells_what_the_trees_tell(tmp_path: Path) -> None:
    pytest.importorskip("onnx")
    ensemble = pytest.importorskip("sklearn.ensemble")
    import onnxruntime

    rng = np.random.default_rng(2)
    plain, flash = rng.normal(size=(2, 400, 3)).astype(np.float32)
    both = np.concatenate([plain, flash], axis=1)
    there, level = both[:, 0] * both[:, 4] > 0, np.abs(both[:, 1])

    def grown(x: np.ndarray) -> list[object]:
        return [
            ensemble.HistGradientBoostingClassifier(max_iter=20).fit(x, there),
            ensemble.HistGradientBoostingRegressor(max_iter=20).fit(x, level),
        ]

    models = {"still": grown(plain), "alone": grown(flash), "pair": grown(both)}
    write_trees(tmp_path / "flash.onnx", models, features=3)
    session = onnxruntime.InferenceSession(
        str(tmp_path / "flash.onnx"), providers=["CPUExecutionProvider"]
    )
    said = session.run(list(models), {"plain": plain, "flash": flash})
    for told, (what, how_much), x in zip(said, models.values(), (plain, flash, both), strict=True):
        assert told[:, 0] == pytest.approx(what.decision_function(x), abs=1e-4)  # type: ignore[attr-defined]
        assert told[:, 1] == pytest.approx(how_much.predict(x), abs=1e-4)  # type: ignore[attr-defined]
